"""FHIRPath as its specification has it: cases by the section of FHIRPath 2.0.0, or page of FHIR R4."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from fhircare.check.fhirpath.build import compile_expression, compile_values
from fhircare.check.fhirpath.runtime import EvaluationError
from fhircare.check.fhirpath.syntax import FhirPathError, parse
from tests.rule_pairs import MODEL, File

PATIENT: dict[str, Any] = {
    "resourceType": "Patient",
    "id": "p",
    "active": True,
    "name": [
        {"use": "official", "family": "Muster", "given": ["Ada", "Bea"]},
        {"use": "usual", "given": ["Adi"]},
    ],
    "_birthDate": {"extension": [{"url": "http://example.org/unknown", "valueCode": "asked"}]},
    "telecom": [{"system": "phone", "value": "555-0100"}, {"system": "email", "value": "ada@example.org"}],
    "multipleBirthInteger": 2,
}
OBSERVATION: dict[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "code": {
        "coding": [
            {"system": "http://example.org", "code": "a"},
            {"system": "http://example.org", "code": "b"},
        ]
    },
    "valueQuantity": {
        "value": Decimal("4.0"),
        "unit": "cm",
        "system": "http://unitsofmeasure.org",
        "code": "cm",
    },
    "effectiveDateTime": "2026-03-04",
    "component": [{"code": {"text": "x"}, "valueQuantity": {"value": Decimal(3)}}],
}


def values(expression: str, resource: dict[str, Any] = PATIENT, context: str = "") -> list[Any]:
    return compile_values(expression, context or resource["resourceType"], MODEL)(
        resource, File(resource, resource), None
    )


def holds(expression: str, resource: dict[str, Any] = PATIENT) -> bool:
    return compile_expression(expression, resource["resourceType"], MODEL)(
        resource, File(resource, resource), None
    )


CASES = [
    # 4.1 path selection
    ("name.given", ["Ada", "Bea", "Adi"]),
    ("Patient.name.family", ["Muster"]),
    ("name.text", []),
    # 4.5 singleton evaluation
    ("active and name.where(use = 'usual').exists()", [True]),
    ("active and {}", []),
    # 5.1 existence
    ("name.empty()", [False]),
    ("name.exists(use = 'usual')", [True]),
    ("name.all(given.exists())", [True]),
    ("name.all(family.exists())", [False]),
    ("name.given.count()", [3]),
    ("('a' | 'b' | 'a').count()", [2]),
    ("name.given.isDistinct()", [True]),
    ("name.use.subsetOf('official' | 'usual' | 'old')", [True]),
    ("(true | false).allTrue()", [False]),
    ("(true | false).anyTrue()", [True]),
    # 5.2 filtering and projection
    ("name.where(use = 'official').given.first()", ["Ada"]),
    ("name.select(given.first())", ["Ada", "Adi"]),
    ("telecom.select(system & ':' & value).first()", ["phone:555-0100"]),
    # 5.3 subsetting
    ("name[1].given", ["Adi"]),
    ("name[7]", []),
    ("name.given.last()", ["Adi"]),
    ("name.given.tail()", ["Bea", "Adi"]),
    ("name.given.skip(1).take(1)", ["Bea"]),
    ("name.given.intersect('Adi' | 'X')", ["Adi"]),
    ("name.given.exclude('Adi')", ["Ada", "Bea"]),
    # 5.4 combining
    ("name.use.combine(name.use).count()", [4]),
    ("(name.use | name.use).count()", [2]),
    # 5.5 conversion
    ("'12'.toInteger() + 1", [13]),
    ("'x'.toInteger()", []),
    ("multipleBirth.ofType(integer).toString()", ["2"]),
    ("iif(active, 'yes', 'no')", ["yes"]),
    ("iif({}, 'yes', 'no')", ["no"]),
    # 5.6 strings
    ("'abcdefg'.substring(3)", ["defg"]),
    ("'abcdefg'.substring(1, 2)", ["bc"]),
    ("'abcdefg'.substring(7)", []),
    ("'abcdefg'.indexOf('bc')", [1]),
    ("'abcdefg'.startsWith('ab')", [True]),
    ("'abcdefg'.endsWith('fg')", [True]),
    ("'abc'.contains('d')", [False]),
    ("'a.b'.replaceMatches('\\\\..*', '')", ["a"]),
    ("'abcdefg'.replace('cde', '123')", ["ab123fg"]),
    ("'Abc'.upper() & 'Abc'.lower() & 'abc'.length().toString()", ["ABCabc3"]),
    ("'http://a'.matches('^https?://')", [True]),
    # 6.1 equality
    ("1 = 1.0", [True]),
    ("'a' = 'A'", [False]),
    ("'a' ~ 'A'", [True]),
    ("('a' | 'b') ~ ('B' | 'A')", [True]),
    ("1.2 / 1.8 ~ 0.67", [True]),
    ("4 'g' ~ 4000 'mg'", [True]),
    ("1 ~ 'a'", [False]),
    ("@T12:00 = @2012", [False]),
    ("name.given = ('Ada' | 'Bea' | 'Adi')", [True]),
    ("name.given = ('Bea' | 'Ada' | 'Adi')", [False]),
    ("name.text = 'x'", []),
    ("name.text != 'x'", []),
    ("@2012 = @2013", [False]),
    ("@2012 = @2012-01", []),
    ("@2012-01-01T10:00:00Z = @2012-01-01T11:00:00+01:00", [True]),
    ("4 'cm' = 40 'mm'", [True]),
    # 6.2 comparison
    ("2 > 1.5", [True]),
    ("'abc' < 'abd'", [True]),
    ("@2018-03-01 >= @2018-03-01", [True]),
    ("@2018-03 >= @2018-03-01", []),
    ("@T12:00 < @T14", [True]),
    ("4 'm' > 4 'cm'", [True]),
    ("4 'm' > 4 's'", []),
    # 6.3 types
    ("multipleBirth is integer", [True]),
    ("multipleBirth is boolean", [False]),
    ("deceased is boolean", []),
    ("(multipleBirth as integer) + 1", [3]),
    ("multipleBirth.ofType(boolean)", []),
    ("Patient.is(DomainResource)", [True]),
    ("%resource.is(Observation)", [False]),
    # 6.4 collections
    ("'usual' in name.use", [True]),
    ("name.use contains 'old'", [False]),
    ("name.text in ('a' | 'b')", []),
    # 6.5 logic, three-valued: and, or, xor, implies
    ("(false and {}) = false", [True]),
    ("true or {}", [True]),
    ("true xor {}", []),
    ("{} implies true", [True]),
    ("{} implies false", []),
    ("false implies {}", [True]),
    ("true implies {}", []),
    ("active.not()", [False]),
    # 6.6 arithmetic
    ("1 + 2 * 3", [7]),
    ("7 div 2", [3]),
    ("-7 mod 2", [-1]),
    ("1 / 0", []),
    ("1 - 3", [-2]),
    ("'a' + 'b'", ["ab"]),
    ("1 / 2", [Decimal("0.5")]),
    # FHIR R4 fhirpath.html: extensions and values of primitives
    ("birthDate.exists()", [True]),
    ("birthDate.hasValue()", [False]),
    ("birthDate.extension.value", ["asked"]),
    ("birthDate.extension('http://example.org/unknown').exists()", [True]),
    ("birthDate = @2001-01-01", []),
    ("active.hasValue()", [True]),
    ("name.given.hasValue()", [False]),
    ("descendants().given", ["Ada", "Bea", "Adi"]),
    ("children().use", ["official", "usual"]),
    ("%ucum", ["http://unitsofmeasure.org"]),
    ("%resource.id = %context.id", [True]),
    ("name.trace('x').count()", [2]),
]


@pytest.mark.parametrize(("expression", "expected"), CASES, ids=[expression for expression, _ in CASES])
def test_an_expression_gives_what_the_specification_says(expression: str, expected: list[Any]) -> None:
    """Values, in order."""
    assert values(expression) == expected


def test_a_choice_is_navigated_by_its_name_and_type() -> None:
    """``value`` finds valueQuantity; a type it has not is empty (R4 fhirpath.html, polymorphic items)."""
    assert values("value.ofType(Quantity).unit", OBSERVATION) == ["cm"]
    assert values("value.unit", OBSERVATION) == ["cm"]
    assert values("(value as string)", OBSERVATION) == []
    assert values("component.value.value", OBSERVATION) == [Decimal(3)]
    assert values("effective is dateTime and (effective is Period).not()", OBSERVATION) == [True]


def test_resources_are_told_by_their_type() -> None:
    """Items of a Bundle and contained resources are of the type they name."""
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"fullUrl": "urn:uuid:1", "resource": PATIENT}, {"resource": OBSERVATION}],
    }
    assert values("entry.resource.ofType(Patient).id", bundle) == ["p"]
    assert values("entry.first().resource.is(Patient)", bundle) == [True]
    assert values("entry.resource.is(Patient)", {**bundle, "entry": []}) == []


@pytest.mark.parametrize(
    ("reference", "found"),
    [
        ("#c", True),  # R4 references.html, contained resources
        ("#d", False),
        ("Practitioner/1", True),  # by the type the literal reference names
        ("http://example.org/fhir/Practitioner/1/_history/2", True),
        ("Patient/1", False),
        ("urn:uuid:11111111-1111-4111-8111-111111111111", False),
    ],
)
def test_resolve_knows_contained_resources_and_types_of_literal_references(
    reference: str, *, found: bool
) -> None:
    """What is outside the file is still known by type."""
    team = {
        "resourceType": "CareTeam",
        "contained": [{"resourceType": "Practitioner", "id": "c"}],
        "participant": [{"member": {"reference": reference}}],
    }
    assert values("participant.member.resolve().ofType(Practitioner).exists()", team) == [found]


def test_an_invariant_that_is_empty_is_kept() -> None:
    """Only false breaks a rule: bdl-8 is empty of an entry without fullUrl, and such entries are legal."""
    assert holds("name.text.startsWith('x')")
    assert not holds("name.first().family.startsWith('x')")


def test_more_items_than_an_operator_takes_is_an_error() -> None:
    """Section 4.5: singleton evaluation signals an error."""
    with pytest.raises(EvaluationError):
        values("name.given > 'a'")


@pytest.mark.parametrize(
    ("expression", "problem"),
    [
        ("name.nickname", "no element nickname"),
        ("name.shuffle()", "function shuffle() is not supported"),
        ("now() > birthDate", "function now() is not supported"),
        ("%factory", "environment variable %factory"),
        ("name.where()", "does not take 0 arguments"),
        ("name.ofType(Nonsense)", "Nonsense is no type"),
        ("name and", "a value expected"),
        ("name ! x", "begins nothing known"),
        ("name)", "the end expected"),
        ("id.matches(language)", "constant regular expression"),
        ("descendants().is(string)", "cannot be told"),
        ("name > 3", "is not defined"),
    ],
)
def test_what_cannot_be_compiled_is_said_with_the_expression(expression: str, problem: str) -> None:
    """Nothing is left out silently."""
    with pytest.raises(FhirPathError) as caught:
        values(expression)
    assert problem in str(caught.value)
    assert expression in str(caught.value)


def test_precedence_is_the_specifications() -> None:
    """The grammar of FHIRPath 2.0.0, from tight to loose: . * + | < is = in and or implies."""
    assert parse("a implies b or c and d") == parse("a implies (b or (c and d))")
    assert parse("a in b | c") == parse("a in (b | c)")
    assert parse("a = b < c") == parse("a = (b < c)")
    assert parse("a | b is C") == parse("(a | b) is C")
    assert parse("a = b is C") == parse("a = (b is C)")
    assert parse("a is B and c") == parse("(a is B) and c")
    assert parse("-a.b + c * d") == parse("(-(a.b)) + (c * d)")
