"""The ladder of wearing time."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.errors import DeliveryError, PlanningError
from fhircare.plan import Override
from fhircare.planner.rules import PACES, rules, settings_for
from fhircare.planner.wear.ladder import Rung, ladder, lengths, split

USUAL = settings_for("usual")


def test_the_usual_ladder_is_the_usual_table():
    """30 minutes twice, 60, then an hour more each to 6 hours, then the day (common practice, no source)."""
    rungs = ladder(USUAL, 14 * 60)

    assert [(r.sessions, r.minutes) for r in rungs] == [
        (2, 30), (2, 60), (2, 120), (2, 180), (2, 240), (2, 300), (2, 360), (1, 840),
    ]  # fmt: skip
    assert [r.all_day for r in rungs] == [False] * 7 + [True]


def test_starting_at_sixty_minutes_reaches_the_same_seventh_rung():
    """The first day may be anything from 30 to 60 minutes; the days after it stay as they are."""
    sixty = settings_for("usual", (Override(setting="first_day_minutes", value="60", reason="r", by="b"),))

    assert lengths(sixty) == [60, 60, 120, 180, 240, 300, 360]


def test_a_long_waking_day_is_reached_in_steps():
    """From 12 hours to 17 the total may rise by 2 hours a step, so two steps lie between."""
    rungs = ladder(USUAL, 17 * 60)

    assert [r.total // 60 for r in rungs[6:]] == [12, 14, 16, 17]
    assert [r.sessions for r in rungs[6:]] == [2, 1, 1, 1]


def test_a_short_waking_day_drops_sessions_that_do_not_fit():
    """12 hours hold two sessions of 5 with an hour of rest, not two of 6."""
    assert [r.minutes for r in ladder(USUAL, 12 * 60)] == [30, 60, 120, 180, 240, 300, 720]


def test_one_session_where_two_do_not_fit():
    """Two sessions of 30 minutes with an hour of rest need two hours."""
    assert ladder(USUAL, 119)[0].sessions == 1
    assert ladder(USUAL, 120)[0].sessions == 2


def test_a_waking_day_shorter_than_the_first_session_has_no_ladder():
    """It says so, and what would mend it."""
    with pytest.raises(
        PlanningError, match="shorter than the first session — give a waking day with at least 30"
    ):
        ladder(USUAL, 29)


def _numbers(name):
    setting = rules().settings[name]
    return st.integers(setting.low, setting.high).map(lambda v: (name, v))


@st.composite
def any_settings(draw):
    names = [
        "first_day_minutes", "second_step_minutes", "daily_increase_minutes", "longest_session_minutes",
        "sessions_a_day", "rest_minutes",
    ]  # fmt: skip
    chosen = draw(st.lists(st.sampled_from(names), unique=True))
    pairs = [draw(_numbers(name)) for name in chosen]
    try:
        return settings_for(
            draw(st.sampled_from(PACES)),
            tuple(Override(setting=n, value=str(v), reason="r", by="b") for n, v in pairs),
        )
    except DeliveryError:
        return settings_for("usual")


@given(any_settings(), st.integers(120, 23 * 60))
def test_the_ladder_rises_and_never_faster_than_the_pace(settings, waking):
    """Totals never fall; no total rises by more than all sessions may; sessions only by the increase."""
    rungs = ladder(settings, waking)

    second = settings["second_step_minutes"] - settings["first_day_minutes"]
    step = max(settings["daily_increase_minutes"], second)
    assert [r.number for r in rungs] == list(range(1, len(rungs) + 1))
    assert rungs[-1].all_day
    assert rungs[-1].total == waking
    for lower, higher in pairwise(rungs):
        assert lower.total <= higher.total
        assert higher.total - lower.total <= rungs[0].sessions * step
        if lower.sessions == higher.sessions == rungs[0].sessions > 1:
            assert higher.minutes - lower.minutes <= step


@given(any_settings(), st.integers(120, 23 * 60))
def test_every_rung_fits_the_waking_day_with_its_rest(settings, waking):
    """Sessions and the rest between them are never longer than the waking day."""
    for rung in ladder(settings, waking):
        assert rung.total + (rung.sessions - 1) * settings["rest_minutes"] <= waking


def rung(minutes, sitting, walking):
    return Rung(
        number=1, sessions=1, minutes=minutes, all_day=False, sitting_percent=sitting, walking_percent=walking
    )


@given(
    st.integers(1, 1200),
    st.integers(0, 100).flatmap(lambda s: st.tuples(st.just(s), st.integers(0, 100 - s))),
)
def test_sitting_standing_and_walking_add_up(minutes, shares):
    """Whatever the shares, the three are whole, not negative, and add up to the session."""
    parts = split(minutes, rung(minutes, *shares))

    assert sum(parts) == minutes
    assert min(parts) >= 0


def test_an_hour_is_split_by_hand():
    """60 min, 65 % sitting, 10 % walking: walking 6 → 5 (down to five), sitting 39 → 40, the rest stands."""
    assert split(60, rung(60, 65, 10)) == (40, 15, 5)


def test_walking_never_falls_on_the_usual_ladder():
    """From rung to rung the person walks as long or longer."""
    for pace in PACES:
        rungs = ladder(settings_for(pace), 14 * 60)
        walked = [r.sessions * split(r.minutes, r)[2] for r in rungs]
        assert walked == sorted(walked)
