"""Which release a bundle is in: told by what only one release has, never guessed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.errors import UnknownRelease

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

FHIR_VERSION = {"system": "http://hl7.org/fhir/FHIR-version", "code": "5.0.0"}
"""In Bundle.meta.tag of a bundle of ours in R5: the release by FHIR's own code system of its versions, so
that a bundle in which nothing else tells is still known. One of ours without it is R4."""
_ORIGIN = "https://fhircare.github.io/fhir/CodeSystem/origin"

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


def detect_release(bundle: Mapping[str, Any]) -> str:
    """Return the release that a bundle's elements belong to: ``R4`` or ``R5``.

    A bundle of ours says it; any other is told by elements that only one release has.

    Raises:
        UnknownRelease: When nothing in it belongs to one release alone, or it mixes them. We never guess.
    """
    if is_ours(bundle):
        return "R5" if FHIR_VERSION in _tags(bundle) else "R4"
    found = sorted({name for resource in _resources(bundle) for name in _marks(resource)})
    if len(found) == 1:
        return found[0]
    if found:
        raise UnknownRelease(f"the bundle holds elements of {' and '.join(found)}; say which release it is")
    raise UnknownRelease("nothing in the bundle belongs to one FHIR release alone; say which release it is")


def is_ours(bundle: Mapping[str, Any]) -> bool:
    """Tell whether a bundle says that it was made here (Bundle.meta.tag)."""
    return bundle.get("resourceType") == "Bundle" and any(
        isinstance(tag, dict) and tag.get("system") == _ORIGIN for tag in _tags(bundle)
    )


def _tags(bundle: Mapping[str, Any]) -> list[Any]:
    meta = bundle.get("meta")
    tags = meta.get("tag") if isinstance(meta, dict) else None
    return tags if isinstance(tags, list) else []


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
