"""The lexical form of every primitive type as a quick test.

``SOUND[type]`` is a Python expression on ``v`` for the generated code. Where it is true the value is
surely right; where it is false, ``lexical.fault(type, value)`` looks closely and says what is wrong, or that
nothing is. So the usual value costs one test, and the unusual one (a leap day, a line break in a string)
is still judged exactly.

Rules: the regular expressions of the definitions and the prose of https://hl7.org/fhir/R4/datatypes.html and
https://hl7.org/fhir/R4/json.html. Of R5's (https://hl7.org/fhir/R5/datatypes.html), the quick tests of
``sound("R5")`` let fewer by.
"""

from __future__ import annotations

import binascii
import re
from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

YEAR = "(?!0000)[0-9]{4}"
# Days that every month has; the last days of a month are left to the close look.
DAY = "(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])"
CLOCK = r"(?:[01][0-9]|2[0-3]):[0-5][0-9]:(?:[0-5][0-9]|60)"
TIME = rf"{CLOCK}(?:\.[0-9]+)?"
ZONE = "(?:Z|[+-](?:(?:0[0-9]|1[0-3]):[0-5][0-9]|14:00))"
URN_OID = r"urn:oid:[0-2](?:\.(?:0|[1-9][0-9]*))+"
URN_UUID = "urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"
NO_URN = "(?!(?:urn:)?(?:oid|uuid):)"
MOST_REMEMBERED = 5000
SCHEME = r"[A-Za-z][A-Za-z0-9+.\-]*:"

sound_date = re.compile(f"{YEAR}(?:-(?:{DAY}|0[1-9]|1[0-2]))?").fullmatch
sound_datetime = re.compile(f"{YEAR}(?:-(?:{DAY}(?:T{TIME}{ZONE})?|0[1-9]|1[0-2]))?").fullmatch
sound_id = re.compile(r"[A-Za-z0-9\-.]{1,64}").fullmatch
sound_code = re.compile(r"[^\s]+(?: [^\s]+)*").fullmatch
_uri_form = re.compile(rf"{NO_URN}\S+|(?:{URN_OID}|{URN_UUID})(?:#\S*)?").fullmatch

_NANO = rf"{CLOCK}(?:\.[0-9]{{1,9}})?"
sound_datetime_r5 = re.compile(f"{YEAR}(?:-(?:{DAY}(?:T{_NANO}{ZONE})?|0[1-9]|1[0-2]))?").fullmatch

_TEXT = "v.__class__ is str and v.isprintable() and v.strip()"
SOUND = {
    "boolean": "v is True or v is False",
    "string": _TEXT,
    "markdown": f"{_TEXT} and '<' not in v",
    "code": "v.__class__ is str and (v.isalnum() or sound_code(v))",
    "id": "v.__class__ is str and sound_id(v)",
    "uri": "v.__class__ is str and (v in sound_uris or sound_uri(v))",
    "url": "v.__class__ is str and (v in sound_uris or sound_uri(v))",
    "canonical": "v.__class__ is str and (v in sound_uris or sound_uri(v))",
    "oid": "v.__class__ is str and sound_oid(v)",
    "uuid": "v.__class__ is str and sound_uuid(v)",
    "date": "v.__class__ is str and sound_date(v)",
    "dateTime": "v.__class__ is str and sound_datetime(v)",
    "instant": "v.__class__ is str and sound_instant(v)",
    "time": "v.__class__ is str and sound_time(v)",
    "decimal": "v.__class__ is Decimal or v.__class__ is int",
    "integer": "v.__class__ is int and -2147483648 <= v <= 2147483647",
    "positiveInt": "v.__class__ is int and 0 < v <= 2147483647",
    "unsignedInt": "v.__class__ is int and 0 <= v <= 2147483647",
    "integer64": "v.__class__ is str and sound_integer64(v)",
    "base64Binary": "v.__class__ is str and sound_base64(v)",
    "xhtml": "v.__class__ is str and v",
}
_R5 = {
    "dateTime": "v.__class__ is str and sound_datetime_r5(v)",
    "instant": "v.__class__ is str and len(v) <= 35 and sound_instant(v)",
    "time": "v.__class__ is str and len(v) <= 18 and sound_time(v)",
    "decimal": "v.__class__ is Decimal and sound_digits(v) or v.__class__ is int and -(10**18) < v < 10**18",
}
MOST_DIGITS = 18


@cache
def sound(release: str) -> dict[str, str]:
    """Return the quick test of every primitive type of a release."""
    return SOUND if release == "R4" else {**SOUND, **_R5}


class _Predicates(dict[str, "Callable[[Any], Any]"]):
    """The quick tests of a release as functions, each made when first asked for."""

    def __init__(self, tests: dict[str, str]) -> None:
        self._tests = tests

    def __missing__(self, kind: str) -> Callable[[Any], Any]:
        made: Callable[[Any], Any] = eval(f"lambda v: {self._tests[kind]}", globals())  # noqa: S307 - see above
        self[kind] = made
        return made


@cache
def predicates(release: str) -> dict[str, Callable[[Any], Any]]:
    """Return the quick test of every primitive type of a release, as functions."""
    return _Predicates(sound(release))


PAGE = "https://hl7.org/fhir/R4/datatypes.html#"


def sound_base64(value: str) -> bool:
    """Return True for base64 without white space, strictly padded and not empty."""
    try:
        return bool(binascii.a2b_base64(value.encode("ascii"), strict_mode=True))
    except ValueError:
        return False


sound_uris: set[str] = set()
"""URIs known to be sound: most of a file's are the few systems and canonicals that all files share."""


def sound_uri(value: str) -> bool:
    """Return True for a URI in sound form, absolute or relative, and remember it."""
    if _uri_form(value) is None:
        return False
    if len(sound_uris) > MOST_REMEMBERED:
        sound_uris.clear()
    sound_uris.add(value)
    return True


def sound_instant(value: str) -> bool:
    """Return True for an instant whose day every month has."""
    return re.fullmatch(f"{YEAR}-{DAY}T{TIME}{ZONE}", value) is not None


def sound_time(value: str) -> bool:
    """Return True for a time of day."""
    return re.fullmatch(TIME, value) is not None


def sound_absolute(value: str) -> bool:
    """Return True for an absolute URI in sound form."""
    return re.fullmatch(rf"{NO_URN}{SCHEME}\S+|(?:{URN_OID}|{URN_UUID})(?:#\S*)?", value) is not None


def sound_integer64(value: str) -> bool:
    """Return True for a 64-bit integer, which JSON has as a string."""
    return re.fullmatch("0|[-+]?[1-9][0-9]{0,18}", value) is not None and -(2**63) <= int(value) < 2**63


def sound_digits(value: Decimal) -> bool:
    """Return True for a decimal of no more digits than R5 allows."""
    return len(value.as_tuple().digits) <= MOST_DIGITS


def sound_oid(value: str) -> bool:
    """Return True for an OID as a URN."""
    return re.fullmatch(URN_OID, value) is not None


def sound_uuid(value: str) -> bool:
    """Return True for a UUID as a URN."""
    return re.fullmatch(URN_UUID, value) is not None


def absolute(uri: str) -> bool:
    """Tell whether a URI begins with a scheme (RFC 3986, 3.1)."""
    return re.match(rf"{SCHEME}.", uri) is not None


def json_type(value: Any) -> str:
    """Return the JSON type of a value, as people call it."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, int | float | Decimal):
        return "a number"
    if isinstance(value, str):
        return "a string"
    return "an array" if isinstance(value, list) else "an object"
