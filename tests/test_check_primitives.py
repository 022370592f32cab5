"""Lexical forms, against the regular expressions of HL7's definitions and against Python's own calendar."""

from __future__ import annotations

import base64
import datetime as dt
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.check.lexical import fault
from fhircare.check.primitives import SOUND, predicates
from fhircare.spec import definitions

R4 = definitions("R4")
TEXTUAL = ("date", "dateTime", "instant", "time", "id", "oid", "uuid")


def _published(kind: str) -> str:
    definition = R4.type(kind)
    assert definition is not None
    return definition.regex


def _errs(kind: str, value: object) -> bool:
    found = fault(kind, value)
    return found is not None and found.severity == "error"


def test_every_primitive_of_the_release_has_a_test() -> None:
    """R5 adds integer64 to R4's twenty."""
    assert set(SOUND) == definitions("R5").primitive_types == R4.primitive_types | {"integer64"}


@pytest.mark.parametrize(
    ("kind", "value", "severity"),
    [
        # https://hl7.org/fhir/R5/datatypes.html: a 64-bit range, a JSON string, no leading zeros
        ("integer64", "9223372036854775807", ""),
        ("integer64", "-9223372036854775808", ""),
        ("integer64", "0", ""),
        ("integer64", "9223372036854775808", "error"),
        ("integer64", "007", "error"),
        ("integer64", 7, "error"),
        # "base64Binary content does not include any whitespace", "reading applications should ignore" it
        ("base64Binary", "QUJD", ""),
        ("base64Binary", "QUJD\nQUJD", "warning"),
        # "Decimals in FHIR cannot have more than 18 digits and a decimal point"
        ("decimal", Decimal("12345678901234567.8"), ""),
        ("decimal", Decimal("1.234567890123456789"), "warning"),
        # the published expressions have one to nine digits of a second's fraction
        ("instant", "2026-01-31T08:00:00.123456789Z", ""),
        ("instant", "2026-01-31T08:00:00.1234567891Z", "warning"),
        ("dateTime", "2026-01-31T08:00:00.1234567891Z", "warning"),
        ("time", "08:00:00.123456789", ""),
        ("time", "08:00:00.1234567891", "warning"),
    ],
)
def test_r5_is_narrower_where_its_page_is(kind: str, value: object, severity: str) -> None:
    """The quick test lets by only what the close look finds nothing in."""
    found = fault(kind, value, "R5")
    assert (found.severity if found else "") == severity
    if severity:
        assert not predicates("R5")[kind](value)


@pytest.mark.parametrize("kind", TEXTUAL)
@given(data=st.data())
def test_what_the_published_expression_matches_passes_unless_the_calendar_says_no(
    kind: str, data: st.DataObject
) -> None:
    """The strings come from HL7's own regular expression of the type."""
    value = data.draw(st.from_regex(_published(kind), fullmatch=True))
    day = re.match(r"([0-9]{4})-([0-9]{2})-([0-9]{2})", value)
    exists = True
    if kind in {"date", "dateTime", "instant"} and day:
        try:
            dt.date(*(int(part) for part in day.groups()))
        except ValueError:
            exists = False
    assert _errs(kind, value) == (not exists)


@pytest.mark.parametrize("kind", TEXTUAL)
@given(value=st.text(alphabet="0123456789-+:.TZurnoidx ", max_size=30))
def test_what_the_published_expression_does_not_match_fails(kind: str, value: str) -> None:
    if not re.fullmatch(_published(kind), value):
        assert _errs(kind, value)


@given(
    kind=st.sampled_from(sorted(SOUND)),
    value=st.one_of(st.text(), st.integers(), st.booleans(), st.decimals()),
)
def test_the_quick_test_never_passes_what_the_close_look_refuses(kind: str, value: object) -> None:
    """A sound value costs one test only because that test is never wrong."""
    is_special = isinstance(value, Decimal) and not value.is_finite()  # cannot come out of JSON
    if not is_special and predicates("R4")[kind](value):
        assert not _errs(kind, value)


@given(st.dates(min_value=dt.date(1, 1, 1)))
def test_every_day_of_the_calendar_is_a_date(day: dt.date) -> None:
    assert fault("date", day.isoformat()) is None


@pytest.mark.parametrize(
    ("kind", "good", "bad"),
    [
        # https://hl7.org/fhir/R4/datatypes.html, the table of primitive types, row by row
        ("boolean", [True, False], ["true", 1, 0]),
        ("integer", [0, -5, 2147483647, -2147483648], [2147483648, -2147483649, Decimal("1.0"), "1", True]),
        ("positiveInt", [1, 2147483647], [0, -1, 2147483648]),
        ("unsignedInt", [0, 2147483647], [-1]),
        ("decimal", [Decimal("1.50"), 3, Decimal("1E+3"), 0.5], ["1.5", float("nan"), float("inf"), True]),
        # white space alone and control characters are advised against only: SHOULD
        ("string", ["a", " a", "a\nb", "é", "\U0001f600", "1\xa0m", " ", "\t\n", "a\x00", "a\x0b"], ["", 1]),
        ("code", ["a", "a b"], ["", " a", "a ", "a  b", "a\tb"]),
        ("id", ["a", "A-1.2", "x" * 64], ["", "x" * 65, "a_b", "a/b", "a b"]),
        (
            "uri",
            ["http://a", "urn:oid:1.2.3", "a/b", "#x", "urn:ietf:rfc:3986"],
            ["", "http://a b", "urn:oid:1.02", "oid:1.2"],
        ),
        ("oid", ["urn:oid:2.16.840.1"], ["2.16.840.1", "urn:oid:3.1", "urn:oid:1.", "urn:oid:1"]),
        ("uuid", ["urn:uuid:c757873d-ec9a-4326-a141-556f43239520"], ["c757873d-ec9a-4326-a141-556f43239520"]),
        (
            "date",
            ["2018", "1973-06", "1905-08-23", "2024-02-29"],
            ["2018-1", "18", "2023-02-29", "2018-13", "0000-01-01"],
        ),
        (
            "dateTime",
            [
                "2018",
                "2015-02-07T13:28:17-05:00",
                "2017-01-01T00:00:00.000Z",
                "2024-02-29T00:00:00Z",
                "2016-12-31T23:59:60Z",
            ],
            [
                "2015-02-07T13:28-05:00",
                "2015-02-07T13:28:17",
                "2015-02-07T24:00:00Z",
                "2023-02-29T00:00:00Z",
                "2015-02-07T",
            ],
        ),
        (
            "instant",
            ["2015-02-07T13:28:17.239+02:00"],
            ["2015-02-07", "2015-02-07T13:28:17", "2015-02-30T13:28:17Z"],
        ),
        ("time", ["08:00:00", "23:59:59.99"], ["24:00:00", "08:00", "8:00:00", "08:00:00Z"]),
        ("base64Binary", ["AAAA", "AA==", "AAAA\r\nAAA="], ["", "AAA", "A===", "AA=A", "A-_A"]),
    ],
)
def test_each_row_of_the_table_of_primitive_types(kind: str, good: list[object], bad: list[object]) -> None:
    for value in good:
        assert not _errs(kind, value), value
    for value in bad:
        assert _errs(kind, value), value


@given(st.binary(min_size=1, max_size=200))
def test_whatever_python_encodes_is_base64(content: bytes) -> None:
    assert fault("base64Binary", base64.b64encode(content).decode()) is None
    assert (
        fault("base64Binary", base64.encodebytes(content).decode()) is None
    )  # with line breaks, as mail has them


@given(
    kind=st.sampled_from(sorted(SOUND)), value=st.text(min_size=4, alphabet=st.characters(categories=["L"]))
)
def test_no_finding_repeats_the_value(kind: str, value: str) -> None:
    """A message may be logged; what stands in the file may be a patient's."""
    value += "\u00d8"  # no sentence of ours holds this letter
    found = fault(kind, value)
    if found is not None:
        assert value not in found.message
        assert value not in found.mend
