"""Where sessions go within one day, against every way there is."""

from __future__ import annotations

import datetime as dt
import itertools
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.planner.rules import rules
from fhircare.planner.wear.day import Clock, DayFrame, Span, place

CHICAGO = ZoneInfo("America/Chicago")
PLAIN = Clock(dt.date(2026, 11, 17), CHICAGO)


def at(hour, minute=0):
    return hour * 60 + minute


def spans(busy):
    return tuple(Span(start, start + minutes) for start, minutes in busy)


stretches = st.lists(
    st.tuples(st.integers(at(6), at(21)), st.sampled_from([15, 45, 60, 150, 300])), max_size=3
).map(spans)


@given(
    st.integers(at(6), at(10)),
    st.integers(at(12), at(22)),
    stretches,
    stretches,
    st.integers(1, 2),
    st.sampled_from([30, 60, 120, 240]),
    st.sampled_from([30, 60]),
    st.sampled_from([0, 60, 150]),
)
def test_the_placement_is_the_best_of_all_there_are(
    opens, closes, busy, therapy, count, minutes, rest, through
):
    """Tried against every combination of starts: none that is allowed is better; None only when none is."""
    day = DayFrame(Span(opens, closes), busy, therapy)

    found = place(day, count, minutes, rest=rest, through=through, clock=PLAIN)

    every = [
        starts
        for starts in itertools.combinations(candidates(day, minutes), count)
        if all(b - a >= minutes + rest for a, b in itertools.pairwise(starts))
        and all(clear(day, start, minutes, through) for start in starts)
    ]
    if found is None:
        assert not every
    else:
        assert all(span.minutes == minutes for span in found)
        assert worth(day, [span.start for span in found], minutes) == min(
            worth(day, s, minutes) for s in every
        )


def candidates(day, minutes):
    quarters = range(-(-day.window.start // 15) * 15, day.window.end - minutes + 1, 15)
    edge = [day.window.start] if day.window.start + minutes <= day.window.end else []
    return sorted({*quarters, *edge})


def clear(day, start, minutes, through):
    end = start + minutes
    for span in day.busy:
        apart = end <= span.start or start >= span.end
        across = start <= span.start and end >= span.end and span.minutes <= through
        if not apart and not across:
            return False
    return True


def worth(day, starts, minutes):
    """Therapy covered first, busy hours avoided next, then near the best starts."""
    total = 0
    best = [time.hour * 60 + time.minute for time in rules().best_starts[len(starts)]]
    for start, wanted in zip(starts, best, strict=True):
        session = Span(start, start + minutes)
        total -= 144_000 * sum(session.overlap(span) for span in day.therapy)
        total += 14_400 * any(session.overlap(span) for span in day.busy)
        total += abs(start - wanted)
    return total


def test_a_busy_stretch_is_run_through_only_when_worn_that_long_before():
    """Three hours of work in a window of five: nothing of four hours fits unless 180 minutes were worn."""
    day = DayFrame(Span(at(9), at(14)), busy=(Span(at(10), at(13)),))

    assert place(day, 1, 240, rest=60, through=179, clock=PLAIN) is None
    assert place(day, 1, 240, rest=60, through=180, clock=PLAIN) == (Span(at(9), at(13)),)


@pytest.mark.parametrize(
    ("busy", "whole"),
    [
        ((), (at(8), at(21))),
        (((at(7), 120),), (at(9), at(21))),  # busy over the start: put on when it ends
        (((at(20), 120),), (at(8), at(20))),  # busy over the end: taken off when it begins
        (((at(12), 60),), (at(8), at(21))),  # busy within: worn through
        (((at(7), 900),), None),
    ],
)
def test_the_whole_day_leaves_out_busy_hours_at_its_ends(busy, whole):
    """It is put on and taken off when that can be done."""
    found = DayFrame(Span(at(8), at(21)), spans(busy)).whole()

    assert found == (None if whole is None else (Span(*whole),))


# --- the clock ---------------------------------------------------------------------------------------------
# Daylight saving in the United States runs from the second Sunday of March to the first of November, at 2:00
# (Energy Policy Act of 2005).


@pytest.mark.parametrize(
    ("on", "time", "minute"),
    [
        (dt.date(2027, 3, 14), dt.time(1), 60),
        (dt.date(2027, 3, 14), dt.time(3), 120),
        (dt.date(2027, 3, 14), dt.time(9), 480),
        (dt.date(2026, 11, 1), dt.time(1), 60),
        (dt.date(2026, 11, 1), dt.time(2), 180),
        (dt.date(2026, 11, 1), dt.time(9), 600),
        (dt.date(2026, 11, 2), dt.time(9), 540),
    ],
)
def test_clock_times_are_minutes_of_real_time(on, time, minute):
    """Nine o'clock is the eighth hour of the short day and the tenth of the long one."""
    clock = Clock(on, CHICAGO)

    assert clock.minute(time) == minute
    assert clock.time(minute) == time


def test_a_day_that_begins_at_one_o_clock_is_reckoned_from_there():
    """In Santiago midnight of 2026-09-06 does not exist: the day begins at 1:00 (tz database, Chile)."""
    clock = Clock(dt.date(2026, 9, 6), ZoneInfo("America/Santiago"))

    assert clock.minute(dt.time(9)) == 480
    assert clock.time(480) == dt.time(9)


def test_no_session_starts_in_the_hour_that_comes_twice():
    """1:30 comes twice on 2026-11-01: the second cannot be written as a clock time, so it is not used."""
    clock = Clock(dt.date(2026, 11, 1), CHICAGO)

    assert clock.unmistakable(90)
    assert not clock.unmistakable(150)
    found = place(DayFrame(Span(125, 200)), 1, 15, rest=60, through=0, clock=clock)
    assert found is not None
    assert found[0].start == 180
