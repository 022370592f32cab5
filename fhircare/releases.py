"""The one room for FHIR releases, and the only importer of fhir.resources.

The house speaks R4's spelling, as plain dicts. A release is a row of ``RELEASES``: its version, its
definitions package, its models, and how to *say* what the house says in it and *hear* what it says: hub and
spokes, never pairs. R4 says and hears everything unchanged.

Models validate, dicts travel. Dumping through the models would change 2.50 into 2.5, and FHIR's decimals
carry their precision; so a bundle is built into its model to be validated, and the dict goes on as it was.

fhir.resources has R5, R4B and STU3, and no R4. **R4B stands in for R4**: for the resources that the plan
uses the elements of 4.0.1 and 4.3.0 are the same (a test compares them with HL7's 4.0.1 definitions). The
models let unknown codes and broken invariants pass: they are the door, and ``fhircare.check`` is the judge.
"""

from __future__ import annotations

import importlib
import json
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fhircare.errors import BundleError, Fault, UnknownRelease

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

Json = dict[str, Any]


def _unchanged(bundle: Json) -> Json:
    return bundle


@dataclass(frozen=True)
class Release:
    """One FHIR release.

    Attributes:
        name: ``R4``.
        version: The published version, as CapabilityStatement.fhirVersion gives it.
        package: The package of HL7 that holds its definitions.
        models: The subpackage of fhir.resources that builds it.
        say: A bundle in R4's spelling → the same in this release. Whole bundles, because a release may need
            another entry for what R4 says in an element.
        hear: The way back.
    """

    name: str
    version: str
    package: str
    models: str
    say: Callable[[Json], Json] = _unchanged
    hear: Callable[[Json], Json] = _unchanged


RELEASES = {
    "R4": Release("R4", "4.0.1", "hl7.fhir.r4.core", "R4B"),
}

# Elements that only one of the two releases has, in resources that a plan is made of (R4 4.0.1 and R5 5.0.0).
_ONLY_IN: dict[str, dict[str, frozenset[str]]] = {
    "R4": {
        "CarePlan": frozenset({"author"}),
        "CarePlan.activity": frozenset({"reference", "detail", "outcomeReference", "outcomeCodeableConcept"}),
        "Goal": frozenset({"expressedBy", "outcomeCode", "outcomeReference"}),
        "Device": frozenset({"deviceName", "patient", "statusReason"}),
        "DeviceUseStatement": frozenset({"status"}),
        "ServiceRequest": frozenset({"reasonCode", "reasonReference", "locationCode"}),
        "Appointment": frozenset({"reasonCode", "comment", "cancelationReason"}),
        "CareTeam": frozenset({"encounter", "reasonCode"}),
    },
    "R5": {
        "CarePlan": frozenset({"custodian"}),
        "CarePlan.activity": frozenset({"plannedActivityReference", "performedActivity"}),
        "Goal": frozenset({"source", "outcome", "continuous", "acceptance"}),
        "Device": frozenset({"name", "conformsTo", "biologicalSourceEvent"}),
        "DeviceUsage": frozenset({"status"}),
        "DeviceAssociation": frozenset({"status"}),
        "ServiceRequest": frozenset({"reason", "location", "focus"}),
        "Appointment": frozenset({"reason", "cancellationReason", "recurrenceTemplate"}),
        "CareTeam": frozenset({"reason"}),
    },
}


def release(name: str) -> Release:
    """Return a release by name.

    Raises:
        UnknownRelease: For one that is not spoken here.
    """
    if name not in RELEASES:
        raise UnknownRelease(f"FHIR {name} is not spoken here; spoken are {', '.join(RELEASES)}")
    return RELEASES[name]


def detect_release(bundle: Mapping[str, Any]) -> str:
    """Return the release that a bundle's elements belong to: ``R4`` or ``R5``.

    Raises:
        UnknownRelease: When nothing in it belongs to one release alone, or it mixes them. We never guess.
    """
    found = sorted({name for resource in _resources(bundle) for name in _marks(resource)})
    if len(found) == 1:
        return found[0]
    if found:
        raise UnknownRelease(f"the bundle holds elements of {' and '.join(found)}; say which release it is")
    raise UnknownRelease("nothing in the bundle belongs to one FHIR release alone; say which release it is")


def _resources(bundle: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    if bundle.get("resourceType") != "Bundle":
        yield bundle
        return
    entries = bundle.get("entry")
    for entry in entries if isinstance(entries, list) else []:
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(resource, dict):
            yield resource


def _marks(resource: Mapping[str, Any]) -> Iterator[str]:
    kind = resource.get("resourceType")
    activities = resource.get("activity") if kind == "CarePlan" else None
    for name, marks in _ONLY_IN.items():
        if marks.get(str(kind), frozenset()) & resource.keys():
            yield name
        for activity in activities if isinstance(activities, list) else []:
            if isinstance(activity, dict) and marks["CarePlan.activity"] & activity.keys():
                yield name


# ---------------------------------------------------------------------------------------------- models


def to_models(bundle: Mapping[str, Any], in_release: str = "R4") -> Any:
    """Return a bundle as a model of fhir.resources.

    Raises:
        BundleError: When the models refuse it; names every place.
        UnknownRelease: For a release that is not spoken here.
    """
    from pydantic import ValidationError

    kind = str(bundle.get("resourceType", ""))
    if not kind.isidentifier():
        raise BundleError(Fault("resourceType", "is missing", "give a FHIR resource"))
    package = f"fhir.resources.{release(in_release).models}"
    try:
        model = getattr(importlib.import_module(f"{package}.{kind.lower()}"), kind)
    except (ModuleNotFoundError, AttributeError):
        raise BundleError(Fault("resourceType", "is no type of this release", "give a Bundle")) from None
    try:
        return model.model_validate(bundle)
    except ValidationError as error:
        told = error.errors(include_input=False, include_context=False, include_url=False)
    raise BundleError([_fault(kind, one["loc"], one["msg"]) for one in told])


def validate_models(bundle: Mapping[str, Any], in_release: str = "R4") -> None:
    """Build a bundle into its models, only to see that they take it.

    Raises:
        BundleError: When they do not; names every place.
        UnknownRelease: For a release that is not spoken here.
    """
    to_models(bundle, in_release)


def as_dict(bundle: Any) -> Json:
    """Return a bundle as a dict: a dict as it is, a model of fhir.resources written out.

    A model has lost the precision of its decimals before it gets here; a dict keeps it.

    Raises:
        BundleError: For anything else.
    """
    if isinstance(bundle, dict):
        return bundle
    if hasattr(bundle, "model_dump_json") and hasattr(bundle, "get_resource_type"):
        found: Json = json.loads(bundle.model_dump_json(), parse_float=Decimal)
        return found
    raise BundleError(Fault("", "is no FHIR resource", "give a dict or a model of fhir.resources"))


def _fault(kind: str, place: tuple[str | int, ...], problem: str) -> Fault:
    path = kind + "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in place)
    return Fault(path, problem.removeprefix("Value error, ").rstrip("."), "see what FHIR allows there")
