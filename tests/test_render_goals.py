"""Goals a therapist gave: their targets in their words, and nobody said to have set what names nobody."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from fhircare.bundle import read
from fhircare.render import render
from tests.courses import example_course

GOAL: dict[str, Any] = {
    "resourceType": "Goal",
    "identifier": [{"system": "https://riverbank-therapy.example/goals", "value": "7"}],
    "lifecycleStatus": "active",
    "description": {"text": "Climb the steps at home"},
}


def pages(*targets: Any) -> dict[str, str]:
    """The patient's and the therapist's page with a goal taken over, on one line each."""
    bundle = copy.deepcopy(example_course("anna-first-locking")["approved"])
    plan = next(one for one in bundle["entry"] if one["resource"]["resourceType"] == "CarePlan")
    patient = next(one for one in bundle["entry"] if one["resource"]["resourceType"] == "Patient")
    goal = {**GOAL, "subject": {"reference": patient["fullUrl"]}, "target": list(targets)}
    bundle["entry"].append({"fullUrl": "urn:uuid:0b9ef6f4-1f3a-4a53-9f2e-5d4f1c0e7a11", "resource": goal})
    plan["resource"]["goal"].append({"reference": "urn:uuid:0b9ef6f4-1f3a-4a53-9f2e-5d4f1c0e7a11"})
    found = read(bundle)
    return {
        reader: " ".join(str(render(found, "txt", reader)).split()) for reader in ("patient", "therapist")
    }


@pytest.mark.parametrize(
    ("detail", "says"),
    [
        ({"detailString": "12 steps with one rail"}, "12 steps with one rail"),
        ({"detailCodeableConcept": {"text": "without a rail"}}, "without a rail"),
        ({"detailQuantity": {"value": 12, "unit": "steps", "comparator": ">="}}, ">= 12 steps"),
    ],
)
def test_a_target_without_a_known_measure_is_told_as_it_was_said(detail: Any, says: str) -> None:
    """FHIR R4 Goal.target: measure, detail[x] and due stand on both pages, though nothing can be compared."""
    told = pages({"measure": {"text": "Stairs climbed"}, **detail, "dueDate": "2027-02-01"})

    for page in told.values():
        line = page.split("Climb the steps at home")[1][:200]
        assert "Stairs climbed" in line
        assert says in line
        assert "February 1, 2027" in line


def test_a_goal_that_names_nobody_is_nobodys() -> None:
    """Who set a goal is said only where Goal.expressedBy does."""
    page = pages()["therapist"]

    assert "Climb the steps at home;" in page
    assert "(set by the person)" in page.split("Climb the steps at home")[0]


@pytest.mark.parametrize("target", ["x", {"measure": "x", "detailString": 3, "dueDate": {}}, {}])
def test_a_target_of_no_shape_breaks_nothing(target: Any) -> None:
    """Pages are made of bundles that nobody checked."""
    assert "Climb the steps at home" in pages(target)["patient"]
