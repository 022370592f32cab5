"""Vital signs, against R4's page of them: https://hl7.org/fhir/R4/observation-vitalsigns.html."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fhircare.check import check

EXAMPLE = Path(__file__).parent / "data" / "hl7" / "examples" / "r4" / "observation-example.json"


def weight() -> dict[str, Any]:
    """HL7's own example: a body weight of 185 pounds."""
    made: dict[str, Any] = json.loads(EXAMPLE.read_text(encoding="utf-8"))
    return made


def found(resource: dict[str, Any]) -> set[tuple[str, str]]:
    return {(i.expression, i.rule) for i in check(resource).issues if i.rule.startswith("v")}


def test_the_standards_example_holds() -> None:
    assert found(weight()) == set()


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("category", ("Observation.category", "vital.category")),
        ("subject", ("Observation.subject", "vital.subject")),
        ("effectiveDateTime", ("Observation.effective", "vital.effective")),
        ("valueQuantity", ("Observation", "vs-2")),
    ],
)
def test_what_the_profile_asks_for_is_missed(name: str, expected: tuple[str, str]) -> None:
    without = weight()
    del without[name]
    assert found(without) == {expected}


def test_a_weight_in_metres_is_told_its_units() -> None:
    wrong = weight()
    wrong["valueQuantity"]["code"] = "m"
    assert found(wrong) == {("Observation.valueQuantity.code", "vital.unit")}


def test_other_codes_are_left_alone() -> None:
    other = {**weight(), "code": {"coding": [{"system": "http://loinc.org", "code": "72514-3"}]}}
    del other["category"]
    assert found(other) == set()


def test_the_parts_of_a_blood_pressure_are_held_to_mmhg() -> None:
    def part(code: str, unit: str) -> dict[str, Any]:
        value = {"value": 120, "system": "http://unitsofmeasure.org", "code": unit}
        return {"code": {"coding": [{"system": "http://loinc.org", "code": code}]}, "valueQuantity": value}

    pressure = {**weight(), "code": {"coding": [{"system": "http://loinc.org", "code": "85354-9"}]}}
    del pressure["valueQuantity"]
    pressure["component"] = [part("8480-6", "mm[Hg]"), part("8462-4", "cm[H2O]")]
    assert found(pressure) == {("Observation.component[1].valueQuantity.code", "vital.unit")}
