"""The decision about the next day: total, safe and monotone, over all short histories."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhircare.follow.decide import MOVES, decide
from fhircare.log import LogEntry, LogSession
from fhircare.planner import make_plan
from fhircare.planner.wear.pace import Policy
from tests.builders import record

PLAN = make_plan(record())
DAYS = PLAN.wear.days
FIRST = DAYS[0].on
POLICY = Policy(rungs=max(day.step for day in DAYS))


def entry(
    day: int, *, worn: str = "all", skin="clear", faded=None, pain=0, released=None, signs=()
) -> LogEntry:
    """Return what was logged on a day of the schedule, counted from 0."""
    planned = DAYS[day]
    sessions = tuple(
        LogSession(minutes=s.minutes if worn == "all" else s.minutes // 2, skin=skin, faded_after=faded)
        for s in planned.sessions
        if worn != "none"
    )
    return LogEntry(
        on=planned.on,
        written_at=dt.datetime.combine(planned.on, dt.time(20), dt.UTC),
        author="clinic" if released else "patient",
        sessions=sessions,
        pain=pain,
        signs=signs,
        released=released,
    )


# One day, from the best to the worst; None is a day without a report.
GOOD = {}
KINDS = {
    "good": GOOD,
    "faded": {"skin": "redness", "faded": 20},
    "short": {"worn": "half"},
    "pain": {"pain": 5},
    "no pain told": {"pain": None},
    "nobody looked": {"skin": None},
    "missing": None,
    "untimed": {"skin": "redness"},
    "rash": {"skin": "rash"},
    "stays": {"skin": "redness", "faded": 31},
    "blister": {"skin": "blister"},
    "clot": {"signs": ("breathing-trouble",)},
}
STOPS = ("stays", "blister")
WORSE = [
    ("good", "faded"), ("faded", "untimed"), ("faded", "stays"), ("good", "short"), ("good", "pain"),
    ("good", "missing"), ("good", "nobody looked"), ("good", "rash"), ("rash", "blister"),
    ("blister", "clot"), ("untimed", "stays"), ("short", "missing"), ("missing", "blister"),
]  # fmt: skip


def logged(kinds):
    return [entry(day, **KINDS[kind]) for day, kind in enumerate(kinds) if KINDS[kind] is not None]


def after(kinds):
    return decide(PLAN, logged(kinds), FIRST + dt.timedelta(days=len(kinds)), POLICY)


ALL = [kinds for length in (1, 2, 3) for kinds in itertools.product(KINDS, repeat=length)]


def test_good_days_climb_the_ladder_of_the_plan():
    """A person for whom all goes well stands each day where the plan put them."""
    for day in range(1, len(DAYS)):
        decision = after(["good"] * day)

        assert (decision.move, decision.step) == ("go-on", DAYS[day].step)


@pytest.mark.parametrize(
    ("kind", "move", "call"),
    [
        ("good", "go-on", "none"),
        ("faded", "go-on", "none"),
        ("short", "hold", "none"),
        ("pain", "hold", "none"),
        ("nobody looked", "hold", "none"),
        ("missing", "hold", "none"),
        ("untimed", "hold", "same-day"),
        ("rash", "hold", "same-day"),
        ("stays", "stop", "same-day"),
        ("blister", "stop", "same-day"),
        ("clot", "emergency", "emergency-number"),
    ],
)
def test_each_kind_of_day_has_its_decision(kind, move, call):
    """What one day means for the next (levels: common practice, no source)."""
    decision = after(["good", kind])

    assert (decision.move, decision.call) == (move, call)


def test_every_history_has_one_decision():
    """All histories of up to three days are decided, each with a sentence for both readers."""
    for kinds in ALL:
        decision = after(kinds)

        assert decision.move in MOVES
        assert decision.patient
        assert decision.clinic
        assert (decision.step == 0) == (decision.move in ("stop", "emergency"))


def test_wear_never_rises_after_a_finding_that_is_not_resolved():
    """After a day with a skin finding the next day is never above it."""
    for kinds in ALL:
        if kinds[-1] in ("untimed", "rash", *STOPS, "clot"):
            assert after(kinds).step <= DAYS[len(kinds) - 1].step, kinds


def test_a_stop_ends_only_with_a_clinicians_release():
    """Good days after a stop do not end it; the clinic's release does, and then fewer hours than before."""
    for kinds in ALL:
        if any(kind in (*STOPS, "clot") for kind in kinds):
            assert after(kinds).step == 0, kinds

    stopped = logged(["good", "good", "blister", "missing"])
    freed = [*stopped, entry(3, worn="none", released=True)]

    decision = decide(PLAN, freed, FIRST + dt.timedelta(days=4), POLICY)
    assert decision.move in ("step-back", "hold")
    assert 0 < decision.step <= DAYS[2].step


def test_a_worse_day_is_never_more_permissive():
    """Replacing any day by a worse one never leads to a higher step or a freer move."""
    for kinds in ALL:
        for place, kind in enumerate(kinds):
            for better, worse in WORSE:
                if kind == better:
                    changed = (*kinds[:place], worse, *kinds[place + 1 :])
                    one, two = after(kinds), after(changed)
                    assert two.step <= one.step, (kinds, changed)
                    assert MOVES.index(two.move) <= MOVES.index(one.move) or two.step <= one.step


def test_missing_days_never_speed_up():
    """A good day that nobody reported never leads to more wear, and silence never climbs."""
    for kinds in ALL:
        for place, kind in enumerate(kinds):
            if kind == "good":
                changed = (*kinds[:place], "missing", *kinds[place + 1 :])
                assert after(changed).step <= after(kinds).step, changed
        if kinds[-1] == "missing":
            assert after(kinds).step <= max(after(kinds[:-1]).step, DAYS[0].step), kinds


def test_a_second_opinion_never_makes_a_day_better():
    """When patient and caregiver disagree the graver entry counts."""
    good, bad = entry(0), entry(0, skin="blister")

    for pair in ([good, bad], [bad, good]):
        assert decide(PLAN, pair, FIRST + dt.timedelta(days=1), POLICY).move == "stop"


@pytest.mark.parametrize(
    ("signs", "change"),
    [(("too-far-in",), 1), (("not-all-the-way-in",), -1), (("too-far-in", "not-all-the-way-in"), 0), ((), 0)],
)
def test_socks_change_by_one_ply(signs, change):
    """Sinking in asks for one ply more, standing too tall for one less (common practice, no source)."""
    assert after_signs(signs).sock_change == change


def after_signs(signs):
    return decide(PLAN, [entry(0, signs=signs)], FIRST + dt.timedelta(days=1), POLICY)


def test_what_is_only_told_does_not_hold_the_step():
    """Sweat is told, and the step goes on."""
    decision = after_signs(("sweat",))

    assert (decision.move, decision.signs) == ("go-on", ("sweat",))


def test_silence_after_the_break_in_says_nothing():
    """A year after the break-in nobody is sent back because they wrote nothing down."""
    everything = logged(["good"] * len(DAYS))

    decision = decide(PLAN, everything, DAYS[-1].on + dt.timedelta(days=365), POLICY)

    assert (decision.move, decision.step) == ("go-on", DAYS[-1].step)


def test_a_stop_stands_however_long_ago_it_was():
    """Two hundred good days after a blister that no clinician released, the leg is still not to be worn."""
    top = entry(len(DAYS) - 1)
    days = [
        dataclasses.replace(
            top, on=FIRST + dt.timedelta(days=n), written_at=top.written_at + dt.timedelta(days=n)
        )
        for n in range(1, 201)
    ]
    blister = entry(0, skin="blister")
    on = FIRST + dt.timedelta(days=201)

    assert decide(PLAN, [blister, *days], on, POLICY).move == "stop"
    freed = dataclasses.replace(days[0], sessions=(), author="clinic", released=True)
    assert decide(PLAN, [blister, freed, *days], on, POLICY).move == "go-on"


@given(st.lists(st.sampled_from(sorted(KINDS)), min_size=len(DAYS) // 2, max_size=len(DAYS) - 1))
@settings(max_examples=60, deadline=None)
def test_no_long_history_raises_wear_after_a_finding(kinds):
    """Any history of two weeks and more keeps the rules that the short ones are walked through for."""
    decision = after(kinds)

    before = DAYS[len(kinds) - 1]
    assert decision.move in MOVES
    if kinds[-1] in ("untimed", "rash", *STOPS, "clot"):
        assert decision.step <= before.step
    if any(kind in (*STOPS, "clot") for kind in kinds):
        assert decision.step == 0


@given(st.lists(st.sampled_from(sorted(KINDS)), min_size=1, max_size=10), st.data())
@settings(max_examples=100, deadline=None)
def test_a_worse_day_in_a_long_history_is_never_more_permissive(kinds, data):
    """Monotone beyond the exhaustive walk: one day made worse never leads to a higher step."""
    place = data.draw(st.integers(0, len(kinds) - 1))
    worse = [bad for good, bad in WORSE if good == kinds[place]]
    if worse:
        changed = [*kinds[:place], data.draw(st.sampled_from(worse)), *kinds[place + 1 :]]
        assert after(changed).step <= after(kinds).step


def test_no_suspect_is_missed():
    """Whatever a day shows, when it holds a sign to stop at it is among the suspects."""
    from typing import get_args

    from fhircare.follow.evidence import by_day, is_suspect, sign_levels
    from fhircare.log import Skin

    logs = [entry(0, skin=skin, faded=90 if skin == "redness" else None) for skin in get_args(Skin)]
    logs += [entry(0, signs=(sign,)) for sign in sign_levels(PLAN)]
    logs += [
        dataclasses.replace(entry(0), **change)
        for change in ({"pain": 7}, {"falls": 1, "fall_hurt": True}, {"damage": True}, {"swelling": "sudden"})
    ]
    for one in logs:
        (day,) = by_day(PLAN, [one]).values()
        assert day.level not in ("stop", "emergency") or is_suspect(one), one
