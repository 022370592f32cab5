"""The door of fhir.resources: dicts into its models, to see that they take them, and models into dicts.

Models validate, dicts travel. Dumping through the models would change 2.50 into 2.5, and FHIR's decimals
carry their precision; so a bundle is built into its model to be validated, and the dict goes on as it was.

fhir.resources has R5, R4B and STU3, and no R4. **R4B stands in for R4**: for the resources that the plan
uses the elements of 4.0.1 and 4.3.0 are the same (a test compares them with HL7's 4.0.1 definitions). The
models let unknown codes and broken invariants pass: they are the door, and ``fhircare.check`` is the judge.
"""

from __future__ import annotations

import importlib
import json
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fhircare.errors import BundleError, Fault
from fhircare.releases.table import Json, release

if TYPE_CHECKING:
    from collections.abc import Mapping


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
    package = f"fhir.resources.{release(in_release).models}".rstrip(".")
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
