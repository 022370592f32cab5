"""The pace policy: checked over every short history, and the choice of pace."""

from __future__ import annotations

import itertools

import pytest

from fhircare.errors import DeliveryError
from fhircare.plan import LEVELS
from fhircare.planner import make_plan
from fhircare.planner.rules import PACES, rules
from fhircare.planner.wear.pace import Climber, DayOutcome, Policy, next_step
from tests.builders import override, record

POLICY = Policy(rungs=4, days_per_step=1, pause_days=1)
SLOW = Policy(rungs=4, days_per_step=2, pause_days=1)

# One day in every way that makes a difference; the step and target are filled in as decided.
KINDS = {
    "good": {"worn": 100, "skin": "carry-on", "pain": 0},
    "short": {"worn": 50, "skin": "carry-on", "pain": 0},
    "sore": {"worn": 100, "skin": "carry-on", "pain": 9},
    "watch": {"worn": 100, "skin": "watch", "pain": 0},
    "stop": {"worn": 100, "skin": "stop", "pain": 0},
    "emergency": {"worn": 10, "skin": "emergency", "pain": 9},
    "no-report": {},
    "no-skin": {"worn": 100, "skin": None, "pain": 0},
    "no-pain": {"worn": 100, "skin": "carry-on", "pain": None},
    "not-worn": {"worn": 0},
    "day-off": {"step": 0},
    "released": {"worn": 0, "released": True},
}


def live(policy, kinds):
    """Return the decisions before each day and after the last, as a person following them would live them."""
    history, decisions = [], []
    for kind in kinds:
        decision = next_step(policy, history)
        decisions.append(decision)
        fields = {"step": decision.step, "target": 100 if decision.step else 0, **KINDS[kind]}
        history.append(DayOutcome(**fields))
    return [*decisions, next_step(policy, history)]


def every_history(length):
    return itertools.product(KINDS, repeat=length)


@pytest.mark.parametrize("policy", [POLICY, SLOW], ids=["one-day", "two-days"])
def test_over_all_short_histories_the_policy_is_careful(policy):
    """All 12 + 144 + 1 728 + 20 736 histories of one to four days keep every rule at once."""
    for length in (1, 2, 3, 4):
        for kinds in every_history(length):
            decisions = live(policy, kinds)
            for day, (before, kind, after) in enumerate(zip(decisions, kinds, decisions[1:], strict=False)):
                where = (kinds, day)
                assert 0 <= after.step <= policy.rungs, where
                assert after.why.endswith("."), where
                # Never more than one rung up, and up only after a day that was good in every way.
                if before.step and after.step > before.step:
                    assert after.step == before.step + 1, where
                    assert kind == "good", where
                    assert after.rule in ("climb", "longest", "all-day"), where
                # A stop holds until a clinician releases it, and never just goes away.
                if kind in ("stop", "emergency"):
                    assert (after.step, after.rule) == (0, "stop"), where
                if before.rule == "stop" and kind != "released":
                    assert (after.step, after.rule) == (0, "stop"), where
                # Nothing else takes wear away altogether.
                if after.step == 0:
                    assert after.rule == "stop", where


def test_after_a_release_wear_begins_lower():
    """Two good days, a stop, a release: not where it stopped but a rung below, or the first."""
    decisions = live(POLICY, ["good", "good", "stop", "released"])

    assert decisions[2].step == 3
    assert (decisions[4].step, decisions[4].rule) == (2, "step-back")


def test_a_long_stop_goes_back_further():
    """The days of a stop are days without wear: each beyond the pause is a rung."""
    decisions = live(POLICY, ["good", "good", "good", "stop", "not-worn", "not-worn", "not-worn", "released"])

    assert decisions[3].step == 4
    assert decisions[-1].step == 1


@pytest.mark.parametrize(
    ("days_off", "step", "rule"),
    [(1, 3, "resume"), (2, 2, "step-back"), (3, 1, "step-back"), (9, 1, "step-back")],
)
def test_days_off_resume_or_go_back(days_off, step, rule):
    """Up to the pause the same rung; each day more is a rung lower, never below the first."""
    decision = live(POLICY, ["good", "good", "good", *["day-off"] * days_off])[-1]

    # Three good days have earned rung 4, but the last rung worn is 3: a day off never climbs.
    assert (decision.step, decision.rule) == (step, rule)


@pytest.mark.parametrize(
    ("kind", "step", "rule"),
    [
        ("short", 2, "hold-short"),
        ("sore", 2, "hold-pain"),
        ("watch", 2, "hold-skin"),
        ("no-skin", 2, "hold-missing"),
        ("no-pain", 2, "hold-missing"),
        ("no-report", 1, "hold-missing"),  # the last rung that was seen to be worn
    ],
)
def test_a_day_that_was_not_good_holds(kind, step, rule):
    """Advance only if the target was met, the skin clear and pain within its limit, all of them reported."""
    decision = live(POLICY, ["good", kind])[-1]

    assert (decision.step, decision.rule) == (step, rule)


def test_two_days_of_watching_go_back_a_rung():
    """A finding that does not settle is answered with less wear."""
    decision = live(POLICY, ["good", "watch", "watch"])[-1]

    assert (decision.step, decision.rule) == (1, "step-back")


def test_a_slower_pace_takes_its_days_on_each_rung():
    """Two good days a rung: 1 1 2 2 3 3 4 4."""
    assert [d.step for d in live(SLOW, ["good"] * 7)] == [1, 1, 2, 2, 3, 3, 4, 4]


def test_a_held_day_starts_the_count_anew():
    """One good day, one with pain: two good days are needed again."""
    assert [d.step for d in live(SLOW, ["good", "sore", "good", "good"])] == [1, 1, 1, 1, 2]


def test_a_worse_day_never_leads_higher():
    """Replace any one day of any short history by a worse one: the decision is never a higher rung."""
    order = ["good", "watch", "stop"]  # by skin, all else equal
    for kinds in itertools.product(order, repeat=4):
        base = _fixed(kinds)
        for day, kind in enumerate(kinds):
            for worse in order[order.index(kind) + 1 :]:
                changed = [*kinds[:day], worse, *kinds[day + 1 :]]
                assert next_step(POLICY, _fixed(changed)).step <= next_step(POLICY, base).step


def _fixed(kinds):
    steps = [1, 2, 3, 4]
    return [DayOutcome(step, 100, **KINDS[kind]) for step, kind in zip(steps, kinds, strict=True)]


def test_the_climber_decides_as_the_policy_does():
    """One day at a time is the same as the whole history at once."""
    for kinds in every_history(3):
        climber, history = Climber(SLOW), []
        for kind in kinds:
            assert climber.decide() == next_step(SLOW, history)
            fields = {"step": climber.decide().step, "target": 100, **KINDS[kind]}
            outcome = DayOutcome(**fields)
            climber.live(outcome)
            history.append(outcome)


def test_the_kinds_cover_every_level_of_skin():
    """The exhaustive test leaves out no level there is."""
    assert {fields.get("skin") for fields in KINDS.values()} - {None} == set(LEVELS)


# --- which pace --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "pace"),
    [
        ({}, "usual"),
        ({"limb.protective_sensation": "reduced"}, "cautious"),
        ({"limb.protective_sensation": "absent"}, "cautious"),
        ({"risks": ["vascular-disease"]}, "cautious"),
        ({"limb.skin": ["fragile-scar"]}, "cautious"),
        ({"limb.skin": ["skin-graft"]}, "cautious"),
        ({"risks": ["swelling"]}, "cautious"),
        ({"risks": ["swelling"], "prosthesis.first": False}, "experienced"),
        ({"prosthesis.first": False}, "experienced"),
        ({"prosthesis.first": False, "wear": {"last_worn_on": "2026-10-01"}}, "return-to-wear"),
        ({"prosthesis.first": False, "wear": {"last_worn_on": "2026-11-14"}}, "experienced"),
        (
            {"prosthesis.first": False, "wear": {"last_worn_on": "2026-10-01"}, "risks": ["diabetes"]},
            "cautious",
        ),
    ],
)
def test_the_record_chooses_the_slowest_pace_it_asks_for(changes, pace):
    """Reduced sensation, vascular disease, fragile skin and first-time swelling are cautious before all."""
    wear = make_plan(record(changes)).wear

    assert wear.pace == pace
    assert wear.pace_why.endswith(".")


def test_a_pace_the_clinician_sets_is_kept_and_says_what_the_record_asks_for():
    """The clinician decides; the plan says what it would have been, and why."""
    wear = make_plan(record({"wear": {"pace": "usual"}, "limb.skin": ["skin-graft"]})).wear

    assert wear.pace == "usual"
    assert wear.pace_why == "The clinician set this pace. The record asks for cautious: a skin graft."


def test_a_pace_set_with_who_and_why_is_recorded():
    """The pace may stand among the overrides, and is recorded with what it would have been."""
    why = override("pace", "cautious", "Was very unsteady today")
    wear = make_plan(record({"wear": {"overrides": [why]}})).wear

    assert wear.pace == "cautious"
    assert [(o.setting, o.value, o.usual, o.reason) for o in wear.overrides] == [
        ("pace", "cautious", "usual", "Was very unsteady today")
    ]


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"overrides": [override("pace", "quick")]}, "is not a pace"),
        ({"pace": "usual", "overrides": [override("pace", "cautious")]}, "is not the pace in wear.pace"),
        ({"overrides": [override("pace", "usual"), override("pace", "usual")]}, "stands twice"),
    ],
)
def test_a_pace_that_cannot_be_is_refused(changes, problem):
    """Named at its field."""
    with pytest.raises(DeliveryError, match=problem):
        make_plan(record({"wear": changes}))


@pytest.mark.parametrize("pace", PACES)
def test_every_pace_reaches_the_whole_day(pace):
    """Each pace ends in a week of whole days at least, within what the schedule allows."""
    plan = make_plan(record({"wear": {"pace": pace}}))

    whole = [day for day in plan.wear.days if any(s.all_day for s in day.sessions)]
    assert len(whole) >= rules().settings["all_day_days"].usual
    assert len(plan.wear.days) >= rules().settings["least_days"].usual
