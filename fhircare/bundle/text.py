"""The bundle as text: FHIR JSON, the same bytes for the same bundle, numbers with the precision they have."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import simplejson

from fhircare.errors import BundleError, Fault


def dump(bundle: dict[str, Any]) -> str:
    """Return a bundle as FHIR JSON: the dict's order, two spaces, letters as they are."""
    return simplejson.dumps(bundle, use_decimal=True, ensure_ascii=False, indent=2) + "\n"


def load(text: str) -> dict[str, Any]:
    """Return FHIR JSON as a dict, with ``Decimal`` for numbers that are not whole.

    Raises:
        BundleError: When the text is no JSON, or no JSON object.
    """
    try:
        found = json.loads(text, parse_float=Decimal, parse_constant=_refuse)
    except json.JSONDecodeError as error:
        raise BundleError(
            Fault("", "is not JSON", "save the bundle as FHIR JSON (application/fhir+json)", error.lineno)
        ) from None
    except (ValueError, RecursionError):
        raise BundleError(Fault("", "is not JSON that FHIR knows", "use numbers, and fewer levels")) from None
    if not isinstance(found, dict):
        raise BundleError(Fault("", "is not a JSON object", "give a FHIR Bundle"))
    return found


def _refuse(name: str) -> None:
    raise ValueError(name)
