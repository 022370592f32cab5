"""Partial dates and time zones: FHIRPath 2.0.0 section 6.2, and what FHIR's Periods need of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.check.fhirpath.build import compile_expression
from fhircare.check.fhirpath.dates import boundary, compare
from tests.rule_pairs import MODEL, File


@pytest.mark.parametrize(
    ("left", "right", "order"),
    [
        ("2012", "2013", -1),
        ("2012-03", "2012-03", 0),
        ("2012-03", "2012-03-04", None),  # section 6.2: equal as far as both go
        ("2012-04", "2012-03-04", 1),
        ("2012-03-04T10:00:00Z", "2012-03-04T11:00:00+01:00", 0),
        ("2012-03-04T10:00:00+01:00", "2012-03-04T10:00:00+02:00", 1),
        ("2012-03-04T10:00:00Z", "2012-03-04T10:00:00.000Z", 0),  # seconds and fractions are one precision
        ("2012-03-04T10:00:00.5Z", "2012-03-04T10:00:00.25Z", 1),
        ("2012-03-04T10:00Z", "2012-03-04T10:00:30Z", None),
        ("2015-01", "2015-03-04T10:00:00Z", -1),
        ("2015-03-04", "2015-03-04T10:00:00Z", None),
        ("2015-03-05", "2015-03-04T23:00:00-05:00", None),  # it is already the fifth in Greenwich
        ("2015-03-07", "2015-03-04T23:00:00-05:00", 1),
        ("2015-12-31T23:59:60Z", "2016-01-01T00:00:00Z", -1),  # a leap second
        ("0001-01-01T00:00:00+14:00", "2000-01-01T00:00:00Z", None),  # before the calendar begins
        ("T", "2012", None),
        ("", "", None),
        ("abcd", "2012", None),
        (None, "2012", None),
        ("12:00", "14:00:00", -1),
        ("12:00", "12:00:00", None),
    ],
)
def test_two_values_compare(left: str | None, right: str | None, order: int | None) -> None:
    """Before, same, after, or undecided."""
    assert compare(left, right) == order
    assert compare(right, left) == (None if order is None else -order)


moments = st.datetimes(
    min_value=datetime(1900, 1, 1),  # noqa: DTZ001 - the strategy adds the zone
    max_value=datetime(2100, 1, 1),  # noqa: DTZ001
    timezones=st.integers(-12 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes))),
)


def written(moment: datetime) -> str:
    return moment.isoformat()


@given(moments, moments)
def test_full_instants_compare_as_the_standard_library_does(left: datetime, right: datetime) -> None:
    """Python's own aware datetimes are the oracle."""
    assert compare(written(left), written(right)) == (left > right) - (left < right)


@given(moments, st.sampled_from([4, 7, 10]), moments)
def test_a_partial_date_decides_only_what_holds_in_every_zone(
    whole: datetime, size: int, other: datetime
) -> None:
    """A date without time is a span of at least a day, in a zone we do not know."""
    date = written(whole)[:size]
    order = compare(date, written(other))
    low = datetime.fromisoformat(f"{date}-01-01"[:10] if size < 10 else date).replace(tzinfo=UTC)
    if order == 1:
        assert other < low
    elif order == -1:
        assert other > low


@given(moments)
def test_boundaries_enclose(moment: datetime) -> None:
    """lowBoundary is never after, highBoundary never before, the value they bound."""
    for size in (4, 7, 10):
        text = written(moment)[:size]
        assert compare(boundary(text, high=False), boundary(text, high=True)) == -1


def test_boundaries_of_a_month() -> None:
    """FHIRPath STU, boundary functions: @2014-01 to the millisecond, with the outermost zones."""
    assert boundary("2014-02", high=False) == "2014-02-01T00:00:00.000+14:00"
    assert boundary("2014-02", high=True) == "2014-02-28T23:59:59.999-12:00"
    assert boundary("2014-12", high=True) == "2014-12-31T23:59:59.999-12:00"
    assert boundary("nonsense", high=True) is None


PER_1 = "start.hasValue().not() or end.hasValue().not() or (start <= end)"


@pytest.mark.parametrize(
    ("start", "end", "kept"),
    [
        ("2015-01", "2015-03-04T10:00:00Z", True),
        ("2015-03-04", "2015-03-04", True),
        ("2015-03", "2015-03-04", True),
        ("2015-03-04T10:00:00+01:00", "2015-03-04T10:00:00+02:00", False),
        ("2015-03-04T10:00:00+02:00", "2015-03-04T10:00:00+01:00", True),
        ("2016", "2015-03-04", False),
        ("2015-03-04", None, True),
        (None, None, True),
        ("not a date", "2015", True),  # its form has a finding of its own
    ],
)
def test_a_period_begins_before_it_ends(start: str | None, end: str | None, *, kept: bool) -> None:
    """per-1 of the R4 definitions."""
    period = {name: value for name, value in (("start", start), ("end", end)) if value is not None}
    assert compile_expression(PER_1, "Period", MODEL)(period, File({}, {}), None) is kept
