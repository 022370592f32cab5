"""The lexical form of every primitive type, twice: as a quick test and as an explanation.

``SOUND[type]`` is a Python expression on ``v`` for the generated code. Where it is true the value is
surely right; where it is false, ``fault(type, value)`` looks closely and says what is wrong, or that
nothing is. So the usual value costs one test, and the unusual one (a leap day, a line break in a string)
is still judged exactly.

Rules: the regular expressions of the definitions and the prose of https://hl7.org/fhir/R4/datatypes.html and
https://hl7.org/fhir/R4/json.html.
"""

from __future__ import annotations

import binascii
import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.report import Severity

YEAR = "(?!0000)[0-9]{4}"
# Days that every month has; the last days of a month are left to the close look.
DAY = "(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])"
TIME = r"(?:[01][0-9]|2[0-3]):[0-5][0-9]:(?:[0-5][0-9]|60)(?:\.[0-9]+)?"
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
    "base64Binary": "v.__class__ is str and sound_base64(v)",
    "xhtml": "v.__class__ is str and v",
}


class _Predicates(dict[str, "Callable[[Any], Any]"]):
    """``SOUND`` as functions, each made when first asked for."""

    def __missing__(self, kind: str) -> Callable[[Any], Any]:
        made: Callable[[Any], Any] = eval(f"lambda v: {SOUND[kind]}", globals())  # noqa: S307 - the text above
        self[kind] = made
        return made


PREDICATES = _Predicates()
PAGE = "https://hl7.org/fhir/R4/datatypes.html#"


class Fault(NamedTuple):
    """What is wrong with a value: severity, FHIR issue code, rule key, message and mend."""

    severity: Severity
    code: str
    rule: str
    message: str
    mend: str


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


_TEXTS = frozenset({"string", "markdown"})


def _wrong(kind: str, message: str, mend: str) -> Fault:
    return Fault("error", "value", f"primitive.{kind}", message, mend)


def fault(kind: str, value: Any) -> Fault | None:
    """Look closely at a value of the primitive type ``kind``; None when nothing is wrong with it."""
    wanted = _JSON_TYPE.get(kind, "a string")
    found = json_type(value)
    if found != wanted:
        return Fault(
            "error",
            "structure",
            "json.type",
            f"in JSON, {kind} is {wanted}, not {found}",
            f"write {wanted}",
        )
    if wanted == "a string":
        if not value:
            return Fault(
                "error", "structure", "json.empty", "empty string", "give a value or leave the element out"
            )
        if kind in _TEXTS and not value.strip():
            # "strings SHOULD always contain non-whitespace content" (datatypes.html#string)
            return Fault(
                "warning",
                "value",
                f"primitive.{kind}",
                "a string of white space only",
                "give a value or leave the element out",
            )
    return _CLOSE_LOOK[kind](kind, value)


def _boolean(_kind: str, _value: Any) -> Fault | None:
    return None


def _text(kind: str, value: str) -> Fault | None:
    if re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", value):
        # "strings SHOULD not contain Unicode character points below 32" but these (datatypes.html#string)
        return Fault(
            "warning",
            "value",
            f"primitive.{kind}",
            "A control character in a text.",
            "Only tab, line feed and carriage return should be there.",
        )
    if kind == "markdown" and re.search(r"</?[A-Za-z][A-Za-z0-9]*(?:\s[^<>]*)?/?>", value):
        return Fault(
            "warning",
            "value",
            "markdown.html",
            "HTML in markdown",
            "FHIR's markdown is GitHub flavoured, without HTML",
        )
    return None


def _code(kind: str, value: str) -> Fault | None:
    if sound_code(value):
        return None
    return _wrong(kind, "not a code", "a code has no white space at its ends, and inside single spaces only")


def _id(kind: str, value: str) -> Fault | None:
    if sound_id(value):
        return None
    return _wrong(kind, "not an id", "1 to 64 of the characters A-Z, a-z, 0-9, '-' and '.'")


def _uri(kind: str, value: str) -> Fault | None:
    if sound_uri(value):
        return None
    if any(ch.isspace() for ch in value):
        return _wrong(kind, f"white space in a {kind}", "percent-encode it (%20) or take it out")
    if value.startswith(("oid:", "uuid:")):
        return _wrong(kind, "an OID or UUID without urn:", "begin with urn:oid: or urn:uuid:")
    if value.startswith("urn:oid:"):
        return _wrong(
            kind,
            "not an OID",
            "an OID is urn:oid: and then numbers joined by dots, such as urn:oid:2.16.840.1",
        )
    if re.fullmatch(URN_UUID, value, re.IGNORECASE):
        return Fault("warning", "value", "uuid.case", "a UUID in capitals", "UUIDs are written in lower case")
    return _wrong(
        kind, "not a UUID", "a UUID is urn:uuid: and then 8-4-4-4-12 hexadecimal digits in lower case"
    )


def _oid(kind: str, value: str) -> Fault | None:
    return (
        None
        if sound_oid(value)
        else _wrong(kind, "not an OID", "an OID is urn:oid: and then numbers joined by dots")
    )


def _uuid(kind: str, value: str) -> Fault | None:
    if sound_uuid(value):
        return None
    return _wrong(
        kind, "not a UUID", "a UUID is urn:uuid: and then 8-4-4-4-12 hexadecimal digits in lower case"
    )


def _day_exists(year: str, month: str, day: str) -> bool:
    number, y = int(day), int(year)
    if month == "02":
        return 1 <= number <= (29 if y % 4 == 0 and (y % 100 != 0 or y % 400 == 0) else 28)
    return 1 <= number <= (30 if month in {"04", "06", "09", "11"} else 31)


def _date(kind: str, value: str) -> Fault | None:
    if sound_date(value):
        return None
    parts = re.fullmatch(rf"({YEAR})(?:-(0[1-9]|1[0-2])(?:-([0-3][0-9]))?)?", value)
    if parts is None:
        return _wrong(kind, "not a date", "YYYY, YYYY-MM or YYYY-MM-DD, without a time")
    year, month, day = parts.groups()
    if day is None or _day_exists(year, month, day):
        return None
    return _wrong(kind, "a day that month does not have", "a day of the calendar")


def _moment(kind: str, value: str) -> Fault | None:
    sound = sound_datetime if kind == "dateTime" else sound_instant
    if sound(value):
        return None
    parts = re.match(rf"({YEAR})-(0[1-9]|1[0-2])-([0-3][0-9])", value)
    if parts is not None and not _day_exists(*parts.groups()):
        return _wrong(kind, "a day that month does not have", "a day of the calendar")
    # The last days of a month pass when the same moment on the 28th would.
    if parts is not None and sound(f"{value[:8]}28{value[10:]}"):
        return None
    if re.fullmatch(f"{YEAR}-[01][0-9]-[0-3][0-9]T{TIME}", value):
        return _wrong(kind, "a time without a time zone", "end with Z or an offset such as +01:00")
    if kind == "instant":
        return _wrong(kind, "not an instant", "YYYY-MM-DDThh:mm:ss+zz:zz, to the second at least")
    return _wrong(kind, "not a dateTime", "YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss+zz:zz")


def _time(kind: str, value: str) -> Fault | None:
    return (
        None
        if sound_time(value)
        else _wrong(kind, "not a time", "a time is hh:mm:ss, without a time zone and not 24:00")
    )


def _decimal(kind: str, value: Any) -> Fault | None:
    if isinstance(value, int) or Decimal(value).is_finite():
        return None
    return _wrong(kind, "not a finite number", "a number such as 12.50")


def _integer(kind: str, value: Any) -> Fault | None:
    low, high = _LIMITS[kind]
    if not isinstance(value, int):
        return _wrong(
            kind, f"a number with a fraction or exponent where {kind} is due", "write a whole number"
        )
    if low <= value <= high:
        return None
    return _wrong(kind, f"outside the range of {kind}", f"a whole number from {low} to {high}")


def _base64binary(kind: str, value: str) -> Fault | None:
    # R4's expression allows white space between the groups of four; line breaks after 76 characters are
    # usual.
    if sound_base64("".join(value.split())):
        return None
    return _wrong(kind, "not base64", "groups of four of A-Z, a-z, 0-9, + and /, the last padded with =")


def _xhtml(_kind: str, _value: str) -> Fault | None:
    return None


_LIMITS = {
    "integer": (-2147483648, 2147483647),
    "positiveInt": (1, 2147483647),
    "unsignedInt": (0, 2147483647),
}
_JSON_TYPE = {
    "boolean": "true or false",
    "decimal": "a number",
    "integer": "a number",
    "positiveInt": "a number",
    "unsignedInt": "a number",
}
_CLOSE_LOOK = {
    "boolean": _boolean,
    "string": _text,
    "markdown": _text,
    "code": _code,
    "id": _id,
    "uri": _uri,
    "url": _uri,
    "canonical": _uri,
    "oid": _oid,
    "uuid": _uuid,
    "date": _date,
    "dateTime": _moment,
    "instant": _moment,
    "time": _time,
    "decimal": _decimal,
    "integer": _integer,
    "positiveInt": _integer,
    "unsignedInt": _integer,
    "base64Binary": _base64binary,
    "xhtml": _xhtml,
}
