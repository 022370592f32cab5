"""How far back a review looks: what it leaves unread could not have changed it."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhircare.bundle import read, to_bundle
from fhircare.bundle.logbook import Resources, log_of, take_log
from fhircare.bundle.recent import without_log
from fhircare.follow.decide import decide
from fhircare.follow.evidence import by_day
from fhircare.follow.keep import looked_back
from fhircare.follow.logged import Logged
from fhircare.follow.review import review
from fhircare.follow.revise import revision_of
from fhircare.log import LogEntry, LogSession
from tests.test_follow_decide import FIRST, KINDS, PLAN, POLICY, entry

ACTIVE = replace(PLAN, status="active", intent="plan")
BARE = to_bundle(ACTIVE, validate=False)
ON_A_DAY = {**KINDS, "released": {"worn": "none", "released": True}, "not worn": {"worn": "none"}}
TROUBLE = sorted({*ON_A_DAY} - {"good"})
SHARED = {"deadline": None, "suppress_health_check": [HealthCheck.function_scoped_fixture]}


def day(number: int) -> dt.date:
    return FIRST + dt.timedelta(days=number)


def written(number: int, kind: str, *, author: str | None = None, later: int = 0) -> LogEntry | None:
    """Return what one author wrote about a day of the course, however long ago the break-in ended."""
    if ON_A_DAY[kind] is None:
        return None
    told = entry(min(number, 5), **ON_A_DAY[kind])
    at = dt.datetime.combine(day(number), dt.time(20), dt.UTC) + dt.timedelta(hours=later)
    return replace(told, on=day(number), written_at=at, author=author or told.author)


@st.composite
def courses(draw, most: int):
    """Long good stretches and silences, with trouble between them: a list of kinds, a day each."""
    found = []
    for kind, times in draw(
        st.lists(
            st.tuples(st.sampled_from(["good", "good", "missing", *TROUBLE]), st.integers(1, 12)),
            min_size=1,
            max_size=12,
        )
    ):
        found += [kind] * times
    return found[:most]


@given(courses(80))
@settings(max_examples=150, **SHARED)
def test_days_beyond_the_window_change_no_decision(monkeypatch, kinds):
    """A decision from the last 30 days, and what stands from before, is that from the whole course."""
    log = [one for number, kind in enumerate(kinds) if (one := written(number, kind))]
    told = {}
    for window in (30, 10_000):
        monkeypatch.setattr("fhircare.follow.decide.WINDOW", window)
        found = decide(ACTIVE, log, day(len(kinds)), POLICY)
        told[window] = (found.move, found.step, found.step_rule, found.signs, found.call, found.sock_change)

    assert told[30] == told[10_000]


@given(courses(30), st.data())
@settings(max_examples=60, **SHARED)
def test_what_is_not_read_from_the_bundle_changes_no_review(monkeypatch, kinds, data):
    """Reviewing with the days that are looked back on gives what reviewing with the whole log gives.

    With corrections, with a second author, and with old days that were written about just now.
    """
    for room in ("decide", "revise", "keep"):
        monkeypatch.setattr(f"fhircare.follow.{room}.WINDOW", 8)
    log = [one for number, kind in enumerate(kinds) if (one := written(number, kind))]
    places = st.integers(0, len(kinds) - 1)
    for place in data.draw(st.lists(places, max_size=3), label="corrected"):
        if kinds[place] != "released" and (
            one := written(place, data.draw(st.sampled_from(TROUBLE)), later=9)
        ):
            log.append(replace(one, written_at=one.written_at + dt.timedelta(hours=len(log))))
    helped = data.draw(st.lists(places, max_size=2, unique=True), label="helped")
    log += [one for place in helped if (one := written(place, "good", author="caregiver"))]
    bundle = take_log(BARE, ACTIVE, log).bundle
    on = day(len(kinds))

    whole, near = Logged.of(log_of(bundle)), looked_back(Resources(bundle), on)
    seen = review(ACTIVE, near, on)

    def told(found):
        return found and (found.plan, found.reason, found.attention, found.used)

    assert seen.decision == review(ACTIVE, whole, on).decision
    assert seen.goals == review(ACTIVE, whole, on).goals
    assert told(revision_of(seen, near)) == told(revision_of(review(ACTIVE, whole, on), whole))


def test_a_year_of_good_days_is_hardly_read():
    """Of 365 days of which all went well, 90 and the first week are read (their evidence is enough)."""
    bundle = take_log(BARE, ACTIVE, [written(n, "good") for n in range(365)]).bundle

    near, asked = looked_back(Resources(bundle), day(365)), [day(n) for n in range(365)]
    days = [one for one in asked if near.evidence(ACTIVE, [one])]

    assert days == [day(n) for n in (*range(7), *range(275, 365))]
    assert read(without_log(Resources(bundle))).plan == ACTIVE


@pytest.mark.parametrize(
    "change",
    [
        {"signs": ("fever",)}, {"falls": 1, "fall_hurt": True}, {"damage": True}, {"swelling": "sudden"},
        {"pain": 7}, {"released": True, "author": "clinic"},
    ],
)  # fmt: skip
def test_an_old_day_that_may_matter_is_read(change):
    """Whatever kind of entry may hold a stop or lift one is read however old it is."""
    odd = replace(written(20, "good"), **change)
    log = [written(n, "good") if n != 20 else odd for n in range(200)]

    bundle = take_log(BARE, ACTIVE, log).bundle

    assert looked_back(Resources(bundle), day(200)).evidence(ACTIVE, [day(20)]) == by_day(ACTIVE, [odd])


def test_a_sign_before_the_first_planned_day_stops_wear():
    """A blister on the day of delivery, before any day was planned, stops the first day of wear."""
    blister = LogEntry(
        on=FIRST - dt.timedelta(days=1),
        written_at=dt.datetime.combine(FIRST, dt.time(1), dt.UTC),
        sessions=(LogSession(minutes=20, skin="blister"),),
    )

    assert decide(ACTIVE, [blister], FIRST, POLICY).move == "stop"


def test_a_correction_takes_the_place_of_what_it_corrects():
    """An index that an entry is corrected in is the index of the log as it then is."""
    log = [written(n, kind) for n, kind in enumerate(["good", "blister", "good", "released"])]
    fixed = replace(written(1, "good"), written_at=log[1].written_at + dt.timedelta(hours=1))
    index = Logged.of(log)

    index.correct(fixed)

    once = Logged.of([log[0], fixed, *log[2:]])
    assert decide(ACTIVE, index, day(4), POLICY) == decide(ACTIVE, once, day(4), POLICY)
    assert index.written_at(day(2)) == fixed.written_at
