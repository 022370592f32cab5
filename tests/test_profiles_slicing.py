"""Slicing, one discriminator at a time: each case stands beside the words of the standard that decide it.

Quotations are of https://hl7.org/fhir/R4/profiling.html (sections Slicing and Discriminator), which is CC0.
"""

from __future__ import annotations

from typing import Any

import pytest

from fhircare.check import Against, check
from fhircare.spec.packages import Package

BASE = "http://example.org/fhir/StructureDefinition/"
Json = dict[str, Any]


def profile(kind: str, *elements: Json, name: str = "tested", **more: Any) -> Json:
    """Return a profile on a type, by its differential."""
    return {
        "resourceType": "StructureDefinition", "url": BASE + name, "version": "1", "name": name, "type": kind,
        "kind": "resource", "abstract": False, "derivation": "constraint",
        "baseDefinition": f"http://hl7.org/fhir/StructureDefinition/{kind}",
        "differential": {"element": [{"id": kind, "path": kind}, *elements]},
    } | more  # fmt: skip


def element(element_id: str, **told: Any) -> Json:
    """Return an element by its id, with path and slice name made from it."""
    path = ".".join(step.partition(":")[0] for step in element_id.split("."))
    last = element_id.rsplit(".", 1)[-1]
    named = {"sliceName": last.partition(":")[2]} if ":" in last else {}
    return {"id": element_id, "path": path, **named, **told}


def sliced(element_id: str, *by: tuple[str, str], rules: str = "open", ordered: bool = False) -> Json:
    """Return the element that says how it is sliced."""
    discriminators = [{"type": kind, "path": path} for kind, path in by]
    return element(element_id, slicing={"discriminator": discriminators, "rules": rules, "ordered": ordered})


def found(resource: Json, *definitions: Json) -> list[tuple[str, str, str]]:
    """Return severity, rule and place of what the first definition finds in a resource."""
    package = Package({"name": "tested", "version": "1"}, definitions)
    report = check(resource, against=Against([definitions[0]["url"]], [package]))
    return [
        (issue.severity, issue.rule, issue.expression)
        for issue in report.issues
        if issue.rule.startswith("profile.") or issue.rule.startswith("t-")
    ]


def observation(**more: Any) -> Json:
    return {"resourceType": "Observation", "status": "final", "code": {"text": "x"}} | more


def coded(code: str, system: str = "http://example.org/codes") -> Json:
    return {"coding": [{"system": system, "code": code}]}


VALUE = profile(
    "Observation",
    sliced("Observation.component", ("value", "code.coding.code")),
    element("Observation.component:left", min=1, max="1"),
    element("Observation.component:left.code.coding.code", min=1, fixedCode="left"),
    element("Observation.component:left.valueQuantity", min=1),
)
PATTERN = profile(
    "Observation",
    sliced("Observation.category", ("pattern", "$this")),
    element("Observation.category:lab", min=1, max="1", patternCodeableConcept=coded("lab")),
)
EXISTS = profile(
    "Patient",
    sliced("Patient.identifier", ("exists", "system")),
    element("Patient.identifier:global", max="1"),
    element("Patient.identifier:global.system", min=1),
    element("Patient.identifier:global.assigner", min=1),
    element("Patient.identifier:local"),
    element("Patient.identifier:local.system", max="0"),
    element("Patient.identifier:local.type", min=1),
)
TYPE = profile(
    "Observation",
    sliced("Observation.value[x]", ("type", "$this"), rules="closed"),
    element("Observation.value[x]:valueQuantity", type=[{"code": "Quantity"}]),
    element("Observation.value[x]:valueQuantity.unit", min=1),
    element("Observation.value[x]:valueString", type=[{"code": "string"}], maxLength=3),
)
RESOLVED = profile(
    "CareTeam",
    sliced("CareTeam.participant", ("type", "member.resolve()")),
    element("CareTeam.participant:organization", min=1),
    element(
        "CareTeam.participant:organization.member",
        type=[
            {"code": "Reference", "targetProfile": ["http://hl7.org/fhir/StructureDefinition/Organization"]}
        ],
    ),
)
NAMED = profile("Organization", element("Organization.name", min=1), name="named")
PROFILED = profile(
    "CareTeam",
    sliced("CareTeam.contained", ("profile", "$this")),
    element("CareTeam.contained:named", min=1, type=[{"code": "Organization", "profile": [NAMED["url"]]}]),
)
LENGTH = profile(
    "Extension",
    element("Extension.url", fixedUri=BASE + "length"),
    element("Extension.value[x]", min=1, type=[{"code": "Quantity"}]),
    name="length",
    context=[{"type": "element", "expression": "Observation.component"}],
)
EXTENDED = profile(
    "Observation",
    sliced("Observation.component", ("value", f"extension('{BASE}length').value.code")),
    element("Observation.component:metric", min=1),
    sliced("Observation.component:metric.extension", ("value", "url")),
    element(
        "Observation.component:metric.extension:length",
        type=[{"code": "Extension", "profile": [LENGTH["url"]]}],
    ),
    element("Observation.component:metric.extension:length.value[x].code", fixedCode="mm"),
    element("Observation.component:metric.interpretation", min=1),
)
OF_TYPE = profile(
    "Observation",
    sliced("Observation.component", ("value", "value.ofType(CodeableConcept).coding.code")),
    element("Observation.component:yes", min=1),
    element("Observation.component:yes.value[x]", type=[{"code": "CodeableConcept"}]),
    element("Observation.component:yes.value[x].coding.code", fixedCode="Y"),
)


def component(code: str, **more: Any) -> Json:
    return {"code": coded(code)} | more


def with_length(unit: str, **more: Any) -> Json:
    quantity = {"value": 1, "system": "http://unitsofmeasure.org", "code": unit}
    return component(
        "x", extension=[{"url": BASE + "length", "valueQuantity": quantity}], valueString="1", **more
    )


def team(*members: str) -> Json:
    return {"resourceType": "CareTeam", "participant": [{"member": {"reference": one}} for one in members]}


ORGANIZATION = {"resourceType": "Organization", "id": "o", "name": "Clinic"}

CASES: dict[str, tuple[Json, tuple[Json, ...], list[tuple[str, str, str]]]] = {
    # "value: The slices have different values in the nominated element"
    "value: the slice is there": (
        observation(component=[component("left", valueQuantity={"value": 1}), component("right")]),
        (VALUE,), []),
    "value: the slice is missing": (
        observation(component=[component("right")]), (VALUE,),
        [("error", "profile.min", "Observation.component")]),
    "value: what is asked of the slice": (
        observation(component=[component("left")]), (VALUE,),
        [("error", "profile.min", "Observation.component[0].value")]),
    "value: the slice is there twice": (
        observation(component=[component("left", valueQuantity={"value": 1})] * 2), (VALUE,),
        [("error", "profile.max", "Observation.component[1]")]),
    # "pattern: The slices have different values ..., as determined by testing them against the applicable
    # ElementDefinition.pattern[x]"
    "pattern: held": (
        observation(category=[coded("lab") | {"text": "more"}, coded("other")]), (PATTERN,), []),
    "pattern: not held": (
        observation(category=[coded("other")]), (PATTERN,),
        [("error", "profile.min", "Observation.category")]),
    # "exists: The slices are differentiated by the presence or absence of the nominated element"
    "exists: each in its slice": (
        {"resourceType": "Patient", "identifier": [
            {"system": "urn:x", "value": "1", "assigner": {"display": "A"}}, {"type": {"text": "t"}}]},
        (EXISTS,), []),
    "exists: what is asked where it is there": (
        {"resourceType": "Patient", "identifier": [{"system": "urn:x", "value": "1"}]}, (EXISTS,),
        [("error", "profile.min", "Patient.identifier[0].assigner")]),
    "exists: what is asked where it is not": (
        {"resourceType": "Patient", "identifier": [{"value": "1"}]}, (EXISTS,),
        [("error", "profile.min", "Patient.identifier[0].type")]),
    # "type: The slices are differentiated by type of the nominated element"
    "type: a quantity": (observation(valueQuantity={"value": 1, "unit": "mm"}), (TYPE,), []),
    "type: what is asked of a quantity": (
        observation(valueQuantity={"value": 1}), (TYPE,),
        [("error", "profile.min", "Observation.valueQuantity.unit")]),
    "type: what is asked of a string": (
        observation(valueString="long"), (TYPE,), [("error", "profile.length", "Observation.valueString")]),
    "type: closed to others": (
        observation(valueBoolean=True), (TYPE,),
        [("error", "profile.slice.closed", "Observation.valueBoolean")]),
    # "resolve(): the target of the reference"
    "type of a target: by its reference": (team("Practitioner/1", "Organization/1"), (RESOLVED,), []),
    "type of a target: contained": (team("#o") | {"contained": [ORGANIZATION]}, (RESOLVED,), []),
    "type of a target: missing": (
        team("Practitioner/1"), (RESOLVED,), [("error", "profile.min", "CareTeam.participant")]),
    # "profile: The slices are differentiated by conformance of the nominated element to a specified profile"
    "profile: kept": (team("#o") | {"contained": [ORGANIZATION]}, (PROFILED, NAMED), []),
    "profile: not kept": (
        team("#o") | {"contained": [{"resourceType": "Organization", "id": "o", "active": True}]},
        (PROFILED, NAMED), [("error", "profile.min", "CareTeam.contained")]),
    # "extension(url): the extension with this url"
    "extension: the slice is there": (
        observation(component=[with_length("mm", interpretation=[{"text": "i"}])]), (EXTENDED, LENGTH), []),
    "extension: what is asked of the slice": (
        observation(component=[with_length("mm")]), (EXTENDED, LENGTH),
        [("error", "profile.min", "Observation.component[0].interpretation")]),
    "extension: another unit": (
        observation(component=[with_length("cm")]), (EXTENDED, LENGTH),
        [("error", "profile.min", "Observation.component")]),
    # "ofType(X)"
    "ofType: held": (
        observation(component=[component("x", valueCodeableConcept=coded("Y"))]), (OF_TYPE,), []),
    "ofType: another code": (
        observation(component=[component("x", valueCodeableConcept=coded("N"))]), (OF_TYPE,),
        [("error", "profile.min", "Observation.component")]),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_each_kind_of_discriminator(case: str) -> None:
    """The slice takes what its discriminator says, and nothing else."""
    resource, definitions, expected = CASES[case]

    assert found(resource, *definitions) == expected


def two(rules: str, *, ordered: bool = False) -> Json:
    """Return a profile with the slices a and b of category."""
    return profile(
        "Observation",
        sliced("Observation.category", ("value", "coding.code"), rules=rules, ordered=ordered),
        element("Observation.category:a", max="1"),
        element("Observation.category:a.coding.code", fixedCode="a"),
        element("Observation.category:b", max="1"),
        element("Observation.category:b.coding.code", fixedCode="b"),
    )


@pytest.mark.parametrize(
    ("rules", "ordered", "codes", "expected"),
    [
        # "closed: No additional content is allowed other than that described by the slices in this profile"
        ("closed", False, "ba", []),
        ("closed", False, "bxa", [("error", "profile.slice.closed", "Observation.category[1]")]),
        # "open: Additional content is allowed anywhere in the list"
        ("open", False, "xba", []),
        # "openAtEnd: Additional content is allowed, but only at the end of the list"
        ("openAtEnd", False, "bax", []),
        ("openAtEnd", False, "bxa", [("error", "profile.slice.end", "Observation.category[2]")]),
        # "If the matching elements have to occur in the same order as defined in the profile"
        ("open", True, "xayb", []),
        ("open", True, "ba", [("error", "profile.slice.order", "Observation.category[1]")]),
    ],
)
def test_rules_of_slicing(rules: str, ordered: Any, codes: str, expected: list[Any]) -> None:
    """Open, closed, open at the end, and ordered."""
    assert (
        found(observation(category=[coded(code) for code in codes]), two(rules, ordered=ordered)) == expected
    )


def test_a_slice_within_a_slice() -> None:
    """A slice a/b divides what is in the slice a."""
    reslice = profile(
        "Observation",
        sliced("Observation.category", ("value", "coding.system")),
        element("Observation.category:a"),
        element("Observation.category:a.coding.system", fixedUri="http://example.org/codes"),
        {
            "id": "Observation.category:a", "path": "Observation.category",
            "slicing": {"discriminator": [{"type": "value", "path": "coding.code"}], "rules": "open"},
        },
        element("Observation.category:a/b", min=1),
        element("Observation.category:a/b.coding.code", fixedCode="b"),
    )  # fmt: skip

    assert found(observation(category=[coded("b"), coded("c")]), reslice) == []
    assert found(observation(category=[coded("c"), coded("b", "urn:elsewhere")]), reslice) == [
        ("error", "profile.min", "Observation.category")
    ]


def test_an_item_in_two_slices_is_told() -> None:
    """Slices that do not exclude each other are found out by the item that is in both."""
    both = observation(category=[{"coding": [{"code": "a"}, {"code": "b"}]}])

    assert ("error", "profile.slice.several", "Observation.category[0]") in found(both, two("open"))


def test_slicing_that_cannot_be_asked_is_named() -> None:
    """Without a discriminator that tells the slices apart, the profile is said to be checked in part."""
    blind = profile(
        "Observation",
        sliced("Observation.category", ("value", "text")),
        element("Observation.category:a", min=1),
    )

    assert found(observation(), blind) == [("information", "profile.partly", "Observation")]
