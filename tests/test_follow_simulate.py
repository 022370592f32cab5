"""Invented courses through log, review and revision: no rule of safety is ever broken."""

from __future__ import annotations

import pytest

from fhircare.follow.simulate import live_through, report
from fhircare.planner import make_plan
from tests.builders import record

PLANS = {
    "usual": make_plan(record()),
    "cautious": make_plan(record({"limb.skin": ["skin-graft"]})),
    "experienced": make_plan(record({"prosthesis.first": False})),
}


@pytest.fixture(scope="module")
def courses():
    return [(pace, live_through(plan, seed, 60)) for pace, plan in PLANS.items() for seed in range(10)]


def test_the_plans_have_the_pace_they_are_named_by():
    """The three plans are of three paces."""
    assert {name: plan.wear.pace for name, plan in PLANS.items()} == {name: name for name in PLANS}


def test_no_rule_of_safety_is_broken(courses):
    """No rise after a finding, no stop lifted by itself, no speed from silence, in 30 courses of 60 days."""
    assert [rule for _, lived in courses for rule in lived.broken] == []


def test_every_kind_of_decision_falls(courses):
    """The invented people are troubled enough to meet every decision but an emergency, which is rare."""
    moves = set().union(*(lived.moves for _, lived in courses))

    assert {"go-on", "hold", "step-back", "stop"} <= moves


def test_a_slower_pace_takes_longer(courses):
    """The report tells the decisions and the time to full-day wear by pace."""
    lines = report(courses)
    never = 61
    medians = {}
    for pace in PLANS:
        reached = sorted(lived.full_day_on or never for name, lived in courses if name == pace)
        medians[pace] = reached[len(reached) // 2]

    assert medians["usual"] < never
    assert medians["experienced"] < never
    assert medians["usual"] < medians["cautious"]
    assert lines[-1].endswith("broken: 0")
    assert all(any(f"full-day wear, {pace}: " in line for line in lines) for pace in PLANS)


def test_the_same_seed_is_the_same_course():
    """A course is told by its seed."""
    assert live_through(PLANS["usual"], 7) == live_through(PLANS["usual"], 7)
