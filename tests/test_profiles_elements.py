"""What a profile may ask of an element, each by a small profile: kept, and broken in one way.

The meaning of each is that of https://hl7.org/fhir/R4/elementdefinition-definitions.html.
"""

from __future__ import annotations

from typing import Any

import pytest

from fhircare.check import Against, check
from fhircare.spec.packages import Package
from tests.test_profiles_slicing import BASE, LENGTH, coded, element, found, observation, profile

Json = dict[str, Any]
MM = {"system": "http://unitsofmeasure.org", "code": "mm"}
COLOURS = {
    "resourceType": "CodeSystem", "url": "http://example.org/codes", "version": "1", "status": "active",
    "content": "complete", "concept": [
        {"code": "warm", "concept": [{"code": "red"}, {"code": "orange"}]}, {"code": "blue"},
    ],
}  # fmt: skip
WARM = {
    "resourceType": "ValueSet", "url": "http://example.org/warm", "name": "Warm", "status": "active",
    "compose": {"include": [{
        "system": "http://example.org/codes",
        "filter": [{"property": "concept", "op": "is-a", "value": "warm"}],
    }], "exclude": [{"system": "http://example.org/codes", "concept": [{"code": "orange"}]}]},
}  # fmt: skip
ELSEWHERE = {
    "resourceType": "ValueSet", "url": "http://example.org/elsewhere", "name": "Elsewhere",
    "status": "active",
    "compose": {"include": [{"system": "http://example.org/not-here"}]},
}  # fmt: skip


def bound(strength: str, value_set: str = "warm") -> Json:
    binding = {"strength": strength, "valueSet": f"http://example.org/{value_set}"}
    return profile("Observation", element("Observation.code", binding=binding))


def asks(element_id: str, **told: Any) -> Json:
    return profile("Observation", element(element_id, **told))


def bare(code: Any) -> Json:
    return observation(code=code)


CASES: list[tuple[str, Json, Json, Json, tuple[str, str]]] = [
    ("min", asks("Observation.subject", min=1), observation(subject={"reference": "Patient/1"}),
     observation(),
     ("profile.min", "Observation.subject")),
    ("max", asks("Observation.note", max="1"), observation(note=[{"text": "a"}]),
     observation(note=[{"text": "a"}, {"text": "b"}]), ("profile.max", "Observation.note[1]")),
    ("max 0", asks("Observation.note", max="0"), observation(), observation(note=[{"text": "a"}]),
     ("profile.max", "Observation.note[0]")),
    ("fixed code", asks("Observation.status", fixedCode="final"), observation(),
     observation(status="amended"),
     ("profile.fixed", "Observation.status")),
    ("fixed is exact", asks("Observation.code", fixedCodeableConcept=coded("a")), bare(coded("a")),
     bare(coded("a") | {"text": "more"}), ("profile.fixed", "Observation.code")),
    ("pattern lets more be", asks("Observation.code", patternCodeableConcept=coded("a")),
     bare(coded("a") | {"text": "more"}), bare(coded("b")), ("profile.pattern", "Observation.code")),
    ("max length", asks("Observation.code.text", maxLength=3), observation(), bare({"text": "four"}),
     ("profile.length", "Observation.code.text")),
    ("least quantity", asks("Observation.valueQuantity", minValueQuantity=MM | {"value": 2}),
     observation(valueQuantity={"value": 1} | MM | {"code": "cm"}),
     observation(valueQuantity={"value": 1} | MM),
     ("profile.range", "Observation.valueQuantity")),
    ("greatest date", asks("Observation.effectiveDateTime", maxValueDateTime="2026-06-01"),
     observation(effectiveDateTime="2026-05-31"), observation(effectiveDateTime="2026-06-02"),
     ("profile.range", "Observation.effectiveDateTime")),
    ("fewer types", asks("Observation.value[x]", type=[{"code": "Quantity"}, {"code": "string"}]),
     observation(valueString="x"), observation(valueBoolean=True),
     ("profile.type", "Observation.valueBoolean")),
    ("fewer targets", asks("Observation.subject", type=[{"code": "Reference", "targetProfile": [
        "http://hl7.org/fhir/StructureDefinition/Patient"]}]),
     observation(subject={"reference": "Patient/1"}), observation(subject={"reference": "Location/1"}),
     ("profile.target", "Observation.subject")),
    ("required", bound("required"), bare(coded("red")), bare(coded("blue")),
     ("profile.binding.required", "Observation.code.coding[0].code")),
    ("required, left out by exclude", bound("required"), bare(coded("warm")), bare(coded("orange")),
     ("profile.binding.required", "Observation.code.coding[0].code")),
    ("required wants a code", bound("required"), bare(coded("red")), bare({"text": "red"}),
     ("profile.binding.required", "Observation.code")),
    ("extensible", bound("extensible"), bare(coded("x", "http://example.org/other")), bare(coded("blue")),
     ("profile.binding.extensible", "Observation.code.coding[0].code")),
    ("rule", asks("Observation.code", constraint=[{
        "key": "t-1", "severity": "error", "human": "A text is there", "expression": "text.exists()"}]),
     observation(), bare(coded("a")), ("t-1", "Observation.code")),
    ("rule with memberOf", asks("Observation.code", constraint=[{
        "key": "t-2", "severity": "error", "human": "Warm", "expression": "memberOf('http://example.org/warm')"}]),
     bare(coded("red")), bare(coded("blue")), ("t-2", "Observation.code")),
]  # fmt: skip


@pytest.mark.parametrize(("right", "wrong"), [pytest.param(r, (d, w, e), id=n) for n, d, r, w, e in CASES])
def test_what_is_asked_of_an_element(right: Json, wrong: tuple[Json, Json, tuple[str, str]]) -> None:
    """What keeps the profile has no finding; what breaks it has one, at the element."""
    definition, broken, (rule, place) = wrong
    support = (COLOURS, WARM, ELSEWHERE)

    assert found(right, definition, *support) == []
    assert [(r, p) for _, r, p in found(broken, definition, *support)] == [(rule, place)]


def test_a_code_that_cannot_be_looked_up_is_told_not_judged() -> None:
    """A value set that draws on a code system nobody gave is said to be out of reach, once."""
    twice = observation(code=coded("x", "http://example.org/not-here"))

    assert found(twice, bound("required", "elsewhere"), ELSEWHERE) == [
        ("information", "profile.binding.untold", "Observation.code")
    ]
    assert found(twice, bound("required", "nowhere")) == [
        ("information", "profile.binding.untold", "Observation.code")
    ]


def test_what_cannot_be_told_is_told_though_somebody_asked_before() -> None:
    """A reference asks whether its target keeps a profile, and tells nothing; the target's own claim does."""
    binding = {"strength": "required", "valueSet": "http://example.org/elsewhere"}
    patient = profile("Patient", element("Patient.maritalStatus", binding=binding), name="bound")
    definition = asks("Observation.subject", type=[{"code": "Reference", "targetProfile": [patient["url"]]}])
    url = "urn:uuid:00000000-0000-4000-8000-00000000000"
    claimed = {
        "meta": {"profile": [patient["url"]]},
        "maritalStatus": coded("x", "http://example.org/not-here"),
    }
    entries = [
        {"fullUrl": f"{url}1", "resource": observation(subject={"reference": f"{url}2"})},
        {"fullUrl": f"{url}2", "resource": {"resourceType": "Patient"} | claimed},
    ]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}

    assert found(bundle, definition, patient, ELSEWHERE) == [
        ("information", "profile.binding.untold", "Bundle.entry[1].resource.maritalStatus")
    ]


def test_a_differential_lies_over_the_profile_it_is_based_on() -> None:
    """What the base profile asks is asked too, and what both say the later one decides."""
    base = profile("Observation", element("Observation.subject", min=1), element("Observation.note", max="1"))
    later = profile("Observation", element("Observation.note", max="0"), name="later")
    later["baseDefinition"] = base["url"]

    told = found(observation(note=[{"text": "a"}]), later, base)

    assert {(rule, place) for _, rule, place in told} == {
        ("profile.min", "Observation.subject"), ("profile.max", "Observation.note[0]")
    }  # fmt: skip


def test_a_base_that_is_not_held_is_named() -> None:
    """The profile is said to be checked in part, with the reason."""
    later = profile("Observation", element("Observation.note", max="0"))
    later["baseDefinition"] = BASE + "missing"
    report = check(observation(), against=Against([later["url"]], [Package({"version": "1"}, [later])]))

    (issue,) = [one for one in report.issues if one.rule == "profile.partly"]
    assert BASE + "missing" in issue.message


def test_a_nested_profile_is_checked_inside() -> None:
    """The profile of an extension, named by the type of its slice, is held to the content."""
    holder = profile(
        "Observation",
        element("Observation.component.extension:length", min=1, type=[
            {"code": "Extension", "profile": [LENGTH["url"]]}]),
    )  # fmt: skip
    wrong = {"url": LENGTH["url"], "valueString": "long"}
    resource = observation(component=[{"code": {"text": "c"}, "valueString": "1", "extension": [wrong]}])

    assert found(resource, holder, LENGTH) == [
        ("error", "profile.type", "Observation.component[0].extension[0].valueString")
    ]


def claims(resource: Json, *definitions: Json) -> list[tuple[str, str, str]]:
    """Return what is found in a resource without asking for a profile by name."""
    report = check(resource, against=Against((), [Package({"name": "t", "version": "1"}, definitions)]))
    return [(one.severity, one.rule, one.expression) for one in report.issues if "profile" in one.rule]


def test_an_extension_is_checked_wherever_it_stands() -> None:
    """Its value, and its place: a length belongs on a component."""
    quantity = {"value": 1} | MM
    length = {"url": LENGTH["url"], "valueQuantity": quantity}
    part = {"code": {"text": "c"}, "valueString": "1", "extension": [length]}

    assert claims(observation(component=[part]), LENGTH) == []
    assert claims(observation(extension=[length]), LENGTH) == [
        ("error", "profile.extension.context", "Observation.extension[0]")
    ]
    assert claims(observation(extension=[{"url": LENGTH["url"] + "-unknown"}]), LENGTH) == []


def test_a_modifier_extension_without_a_definition() -> None:
    """It may change what the resource means, so whoever holds the resource to a profile is told."""
    modified = observation(modifierExtension=[{"url": "urn:x", "valueBoolean": True}])
    definition = asks("Observation.note", max="1")

    assert claims(modified, definition) == []
    assert claims(modified | {"meta": {"profile": [definition["url"]]}}, definition) == [
        ("error", "profile.modifier-unknown", "Observation.modifierExtension[0]")
    ]


def test_claims() -> None:
    """A claim is checked in the version it names; an unknown one is told, one of another type is an error."""
    definition = asks("Observation.subject", min=1)

    def claimed(url: str) -> list[tuple[str, str, str]]:
        return claims(observation(meta={"profile": [url]}), definition)

    missing = ("error", "profile.min", "Observation.subject")
    unknown = ("information", "profile.unknown", "Observation.meta.profile[0]")
    other = ("error", "profile.other-type", "Observation.meta.profile[0]")
    assert claimed(definition["url"]) == claimed(definition["url"] + "|1") == [missing]
    assert claimed(definition["url"] + "|2") == claimed(BASE + "nobody") == [unknown]
    assert claimed("http://hl7.org/fhir/us/core/StructureDefinition/us-core-goal") == [other]
    assert claimed("http://hl7.org/fhir/StructureDefinition/Patient") == [other]
    assert claimed("http://hl7.org/fhir/StructureDefinition/Observation") == []


def test_a_target_in_the_file_must_keep_its_profile() -> None:
    """A reference to a resource of the file is followed; the finding stands at the reference."""
    patient = profile("Patient", element("Patient.birthDate", min=1), name="born")
    definition = asks("Observation.subject", type=[{"code": "Reference", "targetProfile": [patient["url"]]}])

    def bundle(**more: Any) -> Json:
        entries = [
            {"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000001",
             "resource": {"resourceType": "Patient"} | more},
            {"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000002",
             "resource": observation(subject={"reference": "urn:uuid:00000000-0000-4000-8000-000000000001"})},
        ]  # fmt: skip
        return {"resourceType": "Bundle", "type": "collection", "entry": entries}

    assert found(bundle(birthDate="1960"), definition, patient) == []
    assert found(bundle(), definition, patient) == [
        ("error", "profile.target", "Bundle.entry[1].resource.subject")
    ]
