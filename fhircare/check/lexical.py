"""The close look at a primitive value that the quick test (``primitives``) did not let by.

Rules: the regular expressions of the definitions and the prose of https://hl7.org/fhir/R4/datatypes.html and
https://hl7.org/fhir/R4/json.html; what R5 warns of beyond them (https://hl7.org/fhir/R5/datatypes.html) is
``_NEWER``.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.primitives import (
    MOST_DIGITS,
    TIME,
    URN_UUID,
    YEAR,
    json_type,
    sound_base64,
    sound_code,
    sound_date,
    sound_datetime,
    sound_digits,
    sound_id,
    sound_instant,
    sound_integer64,
    sound_oid,
    sound_time,
    sound_uri,
    sound_uuid,
)

if TYPE_CHECKING:
    from fhircare.check.report import Severity


class Fault(NamedTuple):
    """What is wrong with a value: severity, FHIR issue code, rule key, message and mend."""

    severity: Severity
    code: str
    rule: str
    message: str
    mend: str


_TEXTS = frozenset({"string", "markdown"})


def _wrong(kind: str, message: str, mend: str) -> Fault:
    return Fault("error", "value", f"primitive.{kind}", message, mend)


def fault(kind: str, value: Any, release: str = "R4") -> Fault | None:
    """Look closely at a value of the primitive type ``kind``; None when nothing is wrong with it."""
    found = _fault(kind, value)
    if found is None and release != "R4" and kind in _NEWER:
        return _NEWER[kind](kind, value)
    return found


def _fault(kind: str, value: Any) -> Fault | None:
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


def _integer64(kind: str, value: str) -> Fault | None:
    if sound_integer64(value):
        return None
    if re.fullmatch("[-+]?[1-9][0-9]*", value):
        return _wrong(kind, "outside the range of integer64", "a whole number of 64 bits, with its sign")
    return _wrong(kind, "not a whole number", 'digits without leading zeros, as a string: "1024"')


def _unspaced(kind: str, value: str) -> Fault | None:
    # "base64Binary content does not include any whitespace or line feeds, but reading applications should
    # ignore whitespace characters" (R5, datatypes.html#base64Binary)
    if not any(character.isspace() for character in value):
        return None
    mend = "Write it in one line: readers should skip white space, and need not."
    return Fault("warning", "value", f"primitive.{kind}", "White space in base64.", mend)


def _fraction(kind: str, value: str) -> Fault | None:
    # R5's expressions, which are informative, have nine digits.
    if re.search(r"\.[0-9]{10}", value) is None:
        return None
    mend = "At most nine digits after the second's point."
    return Fault("warning", "value", f"primitive.{kind}", "A second finer than a nanosecond.", mend)


def _digits(kind: str, value: Any) -> Fault | None:
    # "Decimals in FHIR cannot have more than 18 digits and a decimal point" (R5, datatypes.html#decimal); the
    # expression beside it, informative, lets more by.
    if sound_digits(Decimal(str(value))):  # a float, from a dict, as it would be written
        return None
    mend = f"At most {MOST_DIGITS} digits."
    return Fault("warning", "value", f"primitive.{kind}", "A decimal of too many digits.", mend)


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
    "integer64": _integer64,
    "base64Binary": _base64binary,
    "xhtml": _xhtml,
}
# What R5 warns of beyond R4.
_NEWER = {
    "base64Binary": _unspaced,
    "dateTime": _fraction,
    "instant": _fraction,
    "time": _fraction,
    "decimal": _digits,
}
