"""The whole plan: what it carries, what it refuses, and that it is the same each time."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from fhircare.delivery import read_delivery
from fhircare.errors import DeliveryError, PlanningError
from fhircare.planner import make_plan
from tests.builders import override, record
from tests.strategies import delivery_records

RECORDS = sorted((Path(__file__).parent.parent / "examples" / "records").glob("*.yaml"))


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(delivery_records())
def test_a_record_always_makes_the_same_plan(delivery):
    """The same record, the same plan; and its facts are carried on unchanged."""
    try:
        plan = make_plan(delivery)
    except PlanningError:
        return
    assert make_plan(delivery) == plan
    for part in (
        "number",
        "clinic",
        "patient",
        "professionals",
        "order",
        "limb",
        "prosthesis",
        "socks",
        "shoes",
    ):
        assert getattr(plan, part) == getattr(delivery, part)


def test_a_plan_is_a_draft_and_a_proposal():
    """The tool proposes; a clinician approves."""
    plan = make_plan(record())

    assert (plan.status, plan.intent, plan.revision) == ("draft", "proposal", 1)


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_every_example_record_makes_a_whole_plan(path):
    """Wear, care, advice, signs, visits and goals are all there, and every choice says why."""
    plan = make_plan(read_delivery(path.read_text(encoding="utf-8")))

    assert plan.wear.days
    assert plan.visits
    assert plan.goals
    assert plan.care.tasks
    assert plan.care.signs
    assert all(part.why for part in (*plan.care.tasks, *plan.care.advice, *plan.visits, *plan.wear.days))


def test_the_four_examples_take_the_paces_they_are_there_to_show():
    """A first wearer, an experienced one, a person with diabetes, an older person with vascular disease."""
    paces = [make_plan(read_delivery(p.read_text(encoding="utf-8"))).wear.pace for p in RECORDS]

    assert paces == ["usual", "experienced", "cautious", "cautious"]


def test_what_the_record_asks_for_wrongly_is_refused_before_anything_is_planned():
    """An override, a topic and a region that cannot be: each a fault of the record, with its field."""
    for changes, field in (
        ({"wear": {"overrides": [override("redness_minutes", 0)]}}, "wear.overrides[0].value"),
        ({"leave_out": [{"code": "caution.stop", "reason": "r", "by": "b"}]}, "leave_out[0].code"),
        ({"clinic.holiday_region": "XX"}, "clinic.holiday_region"),
        ({"clinic.holiday_country": "XX", "clinic.holiday_region": ""}, "clinic.holiday_country"),
    ):
        with pytest.raises(DeliveryError) as caught:
            make_plan(record(changes))
        assert [fault.field for fault in caught.value.faults] == [field]


def test_wear_starts_when_the_clinician_says():
    """A start set later than the day after delivery is kept."""
    plan = make_plan(record({"wear": {"starts_on": "2026-11-20"}}))

    assert plan.wear.days[0].on == dt.date(2026, 11, 20)
    assert all(task.first == dt.date(2026, 11, 20) for task in plan.care.tasks)
