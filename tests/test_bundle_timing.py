"""A FHIR Timing comes to the days and times that the standard says.

Vectors are HL7's own: the Timing examples and the table "common uses of Timing" of FHIR R4 (4.0.1), datatypes
page and datatypes-examples page. Counts beside them were counted by hand from the calendar.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.bundle.located import Node
from fhircare.bundle.timing import Occurrence, expand, minutes

DAY = dt.date
DAILY: dict[str, Any] = {"frequency": 1, "period": 1, "periodUnit": "d"}


def _expand(timing: dict[str, Any], **told: Any):
    return expand(Node(timing, "Timing"), **told)


def _repeat(**parts: Any) -> dict[str, Any]:
    return {"repeat": parts}


def _period(start: str, end: str = "") -> dict[str, str]:
    return {"start": start, "end": end} if end else {"start": start}


def test_events_are_those_moments_with_their_offsets() -> None:
    """datatypes-examples: three events of January 2012 at +10:00 keep day, time and offset."""
    found = _expand(
        {"event": ["2012-01-07T09:00:00+10:00", "2012-01-14T09:00:00+10:00", "2012-01-22T09:00:00+10:00"]}
    )

    assert [one.on for one in found.occurrences] == [DAY(2012, 1, 7), DAY(2012, 1, 14), DAY(2012, 1, 22)]
    assert {str(one.at) for one in found.occurrences} == {"09:00:00+10:00"}


def test_the_end_of_a_period_is_included() -> None:
    """datatypes-examples: half an hour before breakfast, 2011-12-23 to 2012-01-02, is eleven mornings."""
    span = _period("2011-12-23", "2012-01-02")
    found = _expand(_repeat(boundsPeriod=span, when=["ACM"], offset=30))

    assert len(found.occurrences) == 11
    assert found.occurrences[-1] == Occurrence(DAY(2012, 1, 2), None, "ACM")


def test_the_end_of_a_period_has_its_own_precision() -> None:
    """R4 Period: an end of 2012-02 is the whole month, leap day included."""
    found = _expand(_repeat(boundsPeriod=_period("2012-02-27", "2012-02"), **DAILY))

    assert found.dates == (DAY(2012, 2, 27), DAY(2012, 2, 28), DAY(2012, 2, 29))


def test_a_duration_counts_from_the_first_day() -> None:
    """Table of common uses: TID, for 14 days, is 42 times without clock times, from the context's start."""
    bounds = {"value": 14, "unit": "days", "system": "http://unitsofmeasure.org", "code": "d"}
    timing = _repeat(boundsDuration=bounds, frequency=3, period=1, periodUnit="d")
    found = _expand(timing, start=DAY(2026, 11, 26))

    assert len(found.occurrences) == 42
    assert found.dates[-1] == DAY(2026, 12, 9)
    assert {one.at for one in found.occurrences} == {None}


def test_nothing_is_placed_without_a_first_day() -> None:
    """R4 Timing: bounds are told by the context; when nobody tells, no day is guessed."""
    found = _expand(_repeat(frequency=3, period=1, periodUnit="d"))

    assert found.occurrences == ()
    assert found.remarks == ("has no first day",)


def test_an_open_end_goes_to_the_horizon() -> None:
    """datatypes-examples: BID, start on 7/1/2015 at 1:00 PM, is endless: two a day as far as one looks."""
    span = _period("2015-07-01T13:00:00+10:00")
    found = _expand(
        _repeat(boundsPeriod=span, frequency=2, period=1, periodUnit="d"), horizon=DAY(2015, 7, 10)
    )

    assert found.endless
    assert len(found.occurrences) == 20


def test_once_is_once_and_has_no_day() -> None:
    """Table of common uses: take just once."""
    assert _expand(_repeat(count=1)).occurrences == (Occurrence(None),)


def test_days_of_the_week_filter_days() -> None:
    """Table of common uses: Mon, Wed, Fri Morning; six of them from 2026-11-26 to 2026-12-09."""
    span = _period("2026-11-26", "2026-12-09")
    found = _expand(_repeat(boundsPeriod=span, **DAILY, dayOfWeek=["mon", "wed", "fri"], when=["MORN"]))

    assert len(found.occurrences) == 6
    assert found.dates[0] == DAY(2026, 11, 27)


def test_a_time_of_day_is_that_time() -> None:
    """Table of common uses: every day at 10am."""
    span = _period("2026-11-26", "2026-11-27")
    found = _expand(_repeat(boundsPeriod=span, **DAILY, timeOfDay=["10:00:00"]))

    assert found.occurrences == (
        Occurrence(DAY(2026, 11, 26), dt.time(10)),
        Occurrence(DAY(2026, 11, 27), dt.time(10)),
    )


def test_a_count_ends_it() -> None:
    """Table of common uses: every second day, in the morning, until 20 have been taken."""
    timing = _repeat(frequency=1, period=2, periodUnit="d", when=["MORN"], count=20)
    found = _expand(timing, start=DAY(2026, 11, 26))

    assert len(found.occurrences) == 20
    assert found.dates[-1] == DAY(2027, 1, 3)


def test_meals_are_three() -> None:
    """Table of common uses: for 5 minutes, 10 minutes before meals."""
    span = _period("2026-11-26", "2026-11-26")
    timing = _repeat(boundsPeriod=span, duration=5, durationUnit="min", when=["AC"], offset=10)

    assert len(_expand(timing).occurrences) == 3
    assert minutes(Node(timing["repeat"], "")) == 5


def test_how_often_in_a_week_is_no_calendar() -> None:
    """Table of common uses: three times a week for half an hour names no days, and none are picked."""
    timing = _repeat(duration=Decimal("0.5"), durationUnit="h", frequency=3, period=1, periodUnit="wk")
    found = _expand(timing, start=DAY(2026, 11, 26))

    assert found.occurrences == ()
    assert found.remarks == ("says how often in a period, not on which days",)
    assert minutes(Node(timing["repeat"], "")) == 30


def test_every_21_days_is_every_21_days() -> None:
    """Table of common uses: every 21 days for 1 hour."""
    span = _period("2026-01-01", "2026-03-31")
    found = _expand(_repeat(boundsPeriod=span, frequency=1, period=21, periodUnit="d"))

    assert found.dates == tuple(DAY(2026, 1, 1) + dt.timedelta(days=21 * n) for n in range(5))


def test_every_eight_hours_needs_a_time_to_start_from() -> None:
    """Table of common uses: every 8 hours."""
    eight = {"frequency": 1, "period": 8, "periodUnit": "h"}
    dated = _expand(_repeat(boundsPeriod=_period("2026-11-26", "2026-11-27"), **eight))
    timed = _expand(_repeat(boundsPeriod=_period("2026-11-26T06:00:00-06:00", "2026-11-27"), **eight))

    assert dated.occurrences == ()
    assert [str(one.at)[:5] for one in timed.occurrences] == [
        "06:00",
        "14:00",
        "22:00",
        "06:00",
        "14:00",
        "22:00",
    ]


def test_months_are_calendar_months() -> None:
    """R4 units-of-time: mo is a month, whatever its length; the 31st becomes the last day."""
    span = _period("2026-01-31", "2026-04-30")
    found = _expand(_repeat(boundsPeriod=span, frequency=1, period=1, periodUnit="mo"))

    assert found.dates == (DAY(2026, 1, 31), DAY(2026, 2, 28), DAY(2026, 3, 31), DAY(2026, 4, 30))


@pytest.mark.parametrize(("code", "times"), [("QD", 1), ("BID", 2), ("TID", 3), ("QID", 4), ("AM", 1)])
def test_a_code_alone_is_a_whole_statement(code: str, times: int) -> None:
    """R4 timing-abbreviation: QD, BID, TID, QID and AM say how often in a day."""
    system = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"
    found = _expand(
        {"code": {"coding": [{"system": system, "code": code}]}},
        start=DAY(2026, 11, 26),
        horizon=DAY(2026, 11, 26),
    )

    assert len(found.occurrences) == times


def test_every_three_days_on_friday_is_nonsense() -> None:
    """R4 Timing: a period and days of the week that contradict each other are allowed, and not guessed at."""
    span = _period("2026-11-26", "2026-12-26")
    found = _expand(_repeat(boundsPeriod=span, frequency=1, period=3, periodUnit="d", dayOfWeek=["fri"]))

    assert found.occurrences == ()
    assert found.remarks


def test_events_beside_a_repeat_are_the_answer_and_a_difference_is_said() -> None:
    """R4 Timing.event: the events are an interpretation of the repeat."""
    timing = {"event": ["2026-11-26"], **_repeat(boundsPeriod=_period("2026-11-26", "2026-11-27"), **DAILY)}
    found = _expand(timing)

    assert found.dates == (DAY(2026, 11, 26),)
    assert found.remarks


@given(st.dates(DAY(2000, 1, 1), DAY(2090, 1, 1)), st.integers(0, 60), st.integers(1, 9))
def test_days_are_evenly_apart_and_within_bounds(first: dt.date, length: int, period: int) -> None:
    """Every n-th day from the first, none after the last."""
    last = first + dt.timedelta(days=length)
    span = _period(first.isoformat(), last.isoformat())
    days = _expand(_repeat(boundsPeriod=span, frequency=1, period=period, periodUnit="d")).dates

    assert days == tuple(first + dt.timedelta(days=n) for n in range(0, length + 1, period))


@pytest.mark.parametrize(
    "repeat",
    [
        {"boundsPeriod": {"start": "0001-01-01", "end": "9999-12-31"}, **DAILY},
        {"boundsPeriod": {"start": "9999-12-31"}, "frequency": 1, "period": 999999, "periodUnit": "a"},
        {"boundsPeriod": {"start": "2026-13-45"}, **DAILY},
        {"boundsPeriod": {"start": "2026-01-01T00:00:00Z"}, "frequency": 1, "period": 0, "periodUnit": "s"},
        {
            "boundsPeriod": {"start": "2026-01-01T00:00:00Z"},
            "frequency": 10**9,
            "period": 1,
            "periodUnit": "s",
        },
        {"boundsPeriod": {"start": "9999-12-31T23:00:00Z"}, "frequency": 1, "period": 9, "periodUnit": "h"},
        {"boundsPeriod": {"start": "9999-12-30"}, "dayOfWeek": ["sat"], "period": 1, "periodUnit": "wk"},
        {"frequency": "often", "period": [], "periodUnit": {}, "timeOfDay": ["25:00"], "when": 3},
        {"boundsDuration": {"value": 10**9, "code": "a"}, "boundsPeriod": {"start": "2026-01-01"}, **DAILY},
    ],
)
def test_no_timing_runs_away_or_breaks(repeat: dict[str, Any]) -> None:
    """Timings that are endless, broken or absurd come to a bounded answer."""
    assert len(_expand({"repeat": repeat}).occurrences) <= 4000
