"""Extensions that R4 defines, each against its own page."""

from __future__ import annotations

from typing import Any

import pytest

from fhircare.check import check

BASE = "http://hl7.org/fhir/StructureDefinition/"
BIRTH_PLACE = (
    f"{BASE}patient-birthPlace"  # https://hl7.org/fhir/R4/extension-patient-birthplace.html: Address 1..1
)
NATIONALITY = (
    f"{BASE}patient-nationality"  # https://hl7.org/fhir/R4/extension-patient-nationality.html: code, period
)


def found(extension: dict[str, Any]) -> set[tuple[str, str]]:
    patient = {"resourceType": "Patient", "extension": [extension]}
    return {(i.expression, i.rule) for i in check(patient).issues if i.severity == "error"}


@pytest.mark.parametrize(
    "extension",
    [
        {"url": BIRTH_PLACE, "valueAddress": {"city": "X"}},
        {"url": NATIONALITY, "extension": [{"url": "code", "valueCodeableConcept": {"text": "X"}}]},
        {"url": f"{BASE}not-of-this-release", "valueString": "x"},
        {"url": "http://example.org/own", "valueString": "x"},
    ],
)
def test_what_fits_its_definition_or_has_none_here_passes(extension: dict[str, Any]) -> None:
    assert found(extension) == set()


@pytest.mark.parametrize(
    ("extension", "expected"),
    [
        ({"url": BIRTH_PLACE, "valueString": "X"}, ("valueString", "extension.value-type")),
        ({"url": NATIONALITY, "valueString": "X"}, ("valueString", "extension.value-type")),
        (
            {"url": NATIONALITY, "extension": [{"url": "codes", "valueCodeableConcept": {"text": "X"}}]},
            ("extension[0].url", "extension.part-unknown"),
        ),
        (
            {"url": NATIONALITY, "extension": [{"url": "code", "valueString": "X"}]},
            ("extension[0].valueString", "extension.value-type"),
        ),
        (
            {"url": NATIONALITY, "extension": [{"url": "code", "valueCodeableConcept": {"text": "X"}}] * 2},
            ("extension[1]", "extension.part-repeats"),
        ),
    ],
)
def test_what_does_not_fit_is_told_at_its_place(extension: dict[str, Any], expected: tuple[str, str]) -> None:
    place, rule = expected
    assert (f"Patient.extension[0].{place}", rule) in found(extension)


@pytest.mark.parametrize("url", [5, None, {}, [], ""])
def test_an_url_that_is_no_text_does_not_stop_the_check(url: Any) -> None:
    assert found({"url": url, "valueString": "x"})
