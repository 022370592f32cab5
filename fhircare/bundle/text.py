"""The bundle as text: FHIR JSON, the same bytes for the same bundle, numbers with the precision they have."""

from __future__ import annotations

import json
import re
from decimal import Decimal
from typing import Any

import orjson

from fhircare.errors import BundleError, Fault

_ESCAPES = re.compile(
    r"\\\\|\\u[dD][89abAB][0-9a-fA-F]{2}\\u[dD][c-fC-F][0-9a-fA-F]{2}|(?P<half>\\u[dD][89a-fA-F][0-9a-fA-F]{2})"
)
"""A backslash that stands for itself, a letter written as a surrogate pair, or half of one."""
_FORM = orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE


def dump(bundle: dict[str, Any]) -> str:
    """Return a bundle as FHIR JSON: the dict's order, two spaces, letters as they are."""
    try:
        return orjson.dumps(bundle, default=_digits, option=_FORM).decode()
    except orjson.JSONEncodeError:
        # What orjson has no room for (whole numbers beyond 64 bits, half a surrogate pair, very many levels)
        # another system's bundle may hold; the other library writes the same, ten times slower.
        import simplejson

        return simplejson.dumps(bundle, use_decimal=True, ensure_ascii=False, indent=2) + "\n"


def _digits(number: Any) -> orjson.Fragment:
    """Return a Decimal as it stands: 1.50 has two digits behind the point, which says how exact it is."""
    if not isinstance(number, Decimal):
        raise TypeError
    return orjson.Fragment(str(number))


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
    half = _half_a_letter(text)
    if half:
        raise BundleError(
            Fault("", "holds half a surrogate pair, which is no letter", "write the letter itself", half)
        )
    return found


def _half_a_letter(text: str) -> int:
    r"""Return the line of an escape that is no letter by itself, such as \\ud800 alone; 0 for none."""
    if "\\ud" not in text and "\\uD" not in text:
        return 0
    for escape in _ESCAPES.finditer(text):
        if escape["half"]:
            return text.count("\n", 0, escape.start()) + 1
    return 0


def _refuse(name: str) -> None:
    raise ValueError(name)
