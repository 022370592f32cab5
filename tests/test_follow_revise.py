"""From a log to the next revision: what changes, who must approve it, and when nothing changes."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from fhircare.delivery import FreeSlot
from fhircare.errors import LogError, PlanningError
from fhircare.follow.logged import Logged
from fhircare.follow.review import review
from fhircare.follow.revise import revise, revision_of
from fhircare.follow.taking import refuse_impossible
from fhircare.log import LogEntry
from fhircare.planner import make_plan
from tests.builders import record
from tests.test_follow_decide import DAYS, FIRST, PLAN, entry, logged

ACTIVE = replace(PLAN, status="active", intent="plan")


def day(number: int) -> dt.date:
    return FIRST + dt.timedelta(days=number)


def ahead(plan, on):
    return [one for one in plan.wear.days if one.on >= on]


def test_a_plan_that_goes_well_is_not_revised():
    """While every day goes as planned nothing changes but the goal, on the day it is reached."""
    plan, reached = ACTIVE, []
    for number in range(len(DAYS)):
        revision = revise(plan, logged(["good"] * number), day(number))
        if revision:
            plan = revision.plan
            reached.append(number)

    assert plan.wear == ACTIVE.wear
    assert plan.visits == ACTIVE.visits
    assert len(reached) == 1
    assert plan.goals[0].achievement == "achieved"


def test_a_hold_repeats_the_step_and_takes_effect_at_once():
    """After a short day the next day stands on the same step, and the approved plan stays active."""
    revision = revise(ACTIVE, logged(["good", "short"]), day(2))

    plan = revision.plan
    assert (plan.revision, plan.status, plan.intent) == (2, "active", "plan")
    assert ahead(plan, day(2))[0].step == DAYS[1].step
    assert plan.wear.days[:2] == DAYS[:2]
    assert [one.on for one in plan.wear.days] == [day(n) for n in range(len(plan.wear.days))]
    assert revision.used == (day(0), day(1))


def test_a_stop_puts_the_plan_on_hold_without_wear():
    """After a blister no day ahead has wear, the plan is on hold, and the clinic's attention is asked for."""
    revision = revise(ACTIVE, logged(["good", "blister"]), day(2))

    assert revision.plan.status == "on-hold"
    assert not any(one.sessions for one in ahead(revision.plan, day(2)))
    assert "blister" in revision.attention.lower()
    assert revision.plan.visits[0].start.date() <= day(3)


def test_a_release_is_a_proposal_until_approved():
    """After a clinician's release the plan with wear in it is a draft and a proposal, with fewer hours."""
    entries = logged(["good", "good", "blister"])
    held = revise(ACTIVE, entries, day(3)).plan
    freed = [*entries, entry(3, worn="none", released=True)]

    revision = revise(held, freed, day(4))

    assert (revision.plan.status, revision.plan.intent) == ("draft", "proposal")
    assert 0 < ahead(revision.plan, day(4))[0].step <= DAYS[1].step


def test_a_stop_and_its_release_between_two_reviews_still_need_approval():
    """A stop that was released before anybody reviewed it does not slip through as an active plan."""
    entries = [*logged(["good", "good", "blister"]), entry(3, worn="none", released=True)]

    revision = revise(ACTIVE, entries, day(4))

    assert (revision.plan.status, revision.plan.intent) == ("draft", "proposal")
    approved = replace(revision.plan, status="active", intent="plan")
    assert revise(approved, entries, day(4)) is None


@pytest.mark.parametrize(
    "kinds", [["good"], ["short"], ["good", "missing"], ["blister"], ["clot"], ["rash", "rash"], ["stays"]]
)
def test_the_same_log_twice_gives_no_new_revision(kinds):
    """Revising a revised plan with the same log and day changes nothing."""
    entries, on = logged(kinds), day(len(kinds))
    revision = revise(ACTIVE, entries, on)

    assert revise(revision.plan if revision else ACTIVE, entries, on) is None


def test_a_stop_stays_quietly_until_it_is_released():
    """Reviews on later days of a stop give no further revision, even after its last written day."""
    entries = logged(["blister"])
    plan = revise(ACTIVE, entries, day(1)).plan

    for number in (2, 5, 40, 200):
        found = revise(plan, entries, day(number))
        assert found is None or not any(one.sessions for one in ahead(found.plan, day(number)))


def test_a_new_sign_during_a_stop_asks_for_attention_again():
    """An emergency logged while wear is stopped already is a revision of its own."""
    entries = logged(["blister"])
    plan = revise(ACTIVE, entries, day(1)).plan

    revision = revise(plan, [*entries, entry(1, worn="none", signs=("breathing-trouble",))], day(2))

    assert revision.review.decision.move == "emergency"
    assert revision.attention


def test_ply_at_its_limit_brings_a_visit_forward():
    """A log at the clinic's ply threshold proposes a visit within days, instead of the next one planned."""
    at_limit = replace(entry(0), ply_morning=PLAN.socks.adjust_at_ply)

    revision = revise(ACTIVE, [at_limit], day(1))

    first = revision.plan.visits[0]
    assert "socket-adjust" in first.kinds
    assert first.start.date() <= day(4)
    assert first.status == "proposed"


def test_a_weekend_does_not_book_the_same_visit_twice():
    """A stop before a weekend proposes the first day the clinic is open, and not beside another visit."""
    friday = next(n for n in range(14) if day(n).weekday() == 4)
    entries = logged([*["good"] * friday, "blister"])

    revision = revise(ACTIVE, entries, day(friday + 1))

    starts = [visit.start for visit in revision.plan.visits]
    assert len(set(starts)) == len(starts)
    assert any(day(friday + 1) <= start.date() <= day(friday + 3) for start in starts)
    assert revise(revision.plan, entries, day(friday + 1)) is None


def test_a_rising_ply_is_forecast():
    """Ply that rises by one a day is seen to reach the threshold, and a visit is proposed before it does."""
    entries = [replace(entry(n), ply_morning=1 + n) for n in range(6)]

    revision = revise(replace(ACTIVE, visits=()), entries, day(6))

    assert revision.review.trend.per_day == pytest.approx(1)
    assert any("socket-adjust" in visit.kinds for visit in revision.plan.visits)


def test_long_after_the_break_in_a_stop_still_stops():
    """A blister a year later puts the plan on hold, and the schedule has no gap."""
    late = day(365)
    blister = LogEntry(
        on=late,
        written_at=dt.datetime.combine(late, dt.time(20), dt.UTC),
        sessions=(replace(entry(0).sessions[0], skin="blister"),),
    )

    revision = revise(ACTIVE, [*logged(["good"] * len(DAYS)), blister], late + dt.timedelta(days=1))

    assert revision.plan.status == "on-hold"
    days = [one.on for one in revision.plan.wear.days]
    assert days == [days[0] + dt.timedelta(days=n) for n in range(len(days))]


def test_a_reached_goal_is_recorded():
    """Three days running that meet the goal of daily wear make it achieved (common practice, no source)."""
    entries = logged(["good"] * len(DAYS))

    revision = revise(ACTIVE, entries, DAYS[-1].on + dt.timedelta(days=1))

    assert revision.plan.goals[0].achievement == "achieved"


def test_a_fall_on_blood_thinners_is_an_emergency():
    """A fall that hurt nothing is an emergency for a person whose plan says so."""
    plan = make_plan(record({"risks": ["blood-thinner"]}))
    fell = replace(entry(0), falls=1)

    assert revise(replace(plan, status="active"), [fell], day(1)).review.decision.move == "emergency"
    assert revise(ACTIVE, [fell], day(1)).review.decision.move == "hold"


def test_a_plan_that_is_over_is_not_revised():
    """A revoked plan is refused."""
    with pytest.raises(PlanningError, match="no longer in force"):
        revise(replace(PLAN, status="revoked"), [], day(1))


def test_what_cannot_be_about_this_plan_is_refused():
    """A day before delivery and a sign nobody knows are both named."""
    early = replace(entry(0, signs=("hunger",)), on=dt.date(2026, 11, 1))

    with pytest.raises(LogError) as caught:
        refuse_impossible(PLAN, [early])

    assert len(caught.value.faults) == 2


def test_a_cautious_pace_is_kept_when_revised():
    """A plan of two days a step holds a second day before it climbs, also after its revision."""
    plan = make_plan(record({"limb.skin": ["skin-graft"]}))
    assert plan.wear.pace == "cautious"
    days = plan.wear.days
    short = replace(
        entry(0),
        on=days[0].on,
        sessions=tuple(replace(entry(0).sessions[0], minutes=1) for _ in days[0].sessions),
    )

    revised = revise(replace(plan, status="active"), [short], days[1].on).plan

    assert [one.step for one in revised.wear.days[1:4]] == [1, 1, 2]


def slots(*hours):
    return tuple(FreeSlot(start=DAYS_START + dt.timedelta(hours=hour), minutes=60) for hour in hours)


DAYS_START = dt.datetime.combine(day(2), dt.time(), dt.timezone(dt.timedelta(hours=-6)))


def test_a_visit_goes_into_a_free_time_of_the_clinic():
    """With free times given, a visit that a stop asks for is put in the first that serves, in no other."""
    entries = logged(["good", "blister"])

    seen = review(ACTIVE, entries, day(2), slots(-20, 13, 37, 200))

    assert seen.visit.visit.start == DAYS_START + dt.timedelta(hours=13)
    plan = revision_of(seen, Logged.of(entries)).plan
    assert seen.visit.visit in plan.visits
    assert revision_of(review(plan, entries, day(2), slots(13)), Logged.of(entries)) is None


def test_without_a_free_time_in_reach_no_visit_is_made_up():
    """When no free time serves, the visit is left to the clinic, and the same review changes nothing."""
    entries = logged(["good", "blister"])

    seen = review(ACTIVE, entries, day(2), slots(24 * 30))

    assert seen.visit.visit is None
    assert "free slot" in seen.visit.unmet
    plan = revision_of(seen, Logged.of(entries)).plan
    assert plan.visits == ACTIVE.visits
    assert revision_of(review(plan, entries, day(2), slots(24 * 30)), Logged.of(entries)) is None


def test_what_needs_no_wear_goes_on_during_a_stop():
    """Skin care, inspection and cleaning go on while wear is stopped; what needs wear is on hold."""
    held = revise(ACTIVE, logged(["good", "blister"]), day(2)).plan

    on_hold = {task.code for task in held.care.tasks if task.on_hold}
    assert held.stopped_since == day(2)
    assert {"skin-check", "ply-log", "sock-change"} <= on_hold
    assert not on_hold & {
        "skin-check-daily",
        "limb-wash",
        "liner-wash",
        "liner-inspect",
        "socket-wipe",
        "wear-log",
    }


def test_a_proposal_after_a_stop_still_says_that_wear_is_stopped():
    """From the stop to the approval the plan says since when; the approved plan no longer does."""
    entries = logged(["good", "good", "blister"])
    held = revise(ACTIVE, entries, day(3)).plan

    waiting = revise(held, [*entries, entry(3, worn="none", released=True)], day(4)).plan

    assert (waiting.status, waiting.stopped_since) == ("draft", day(3))
    assert any(task.on_hold for task in waiting.care.tasks)
    assert ACTIVE.stopped_since is None
