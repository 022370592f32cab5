"""The check as a whole: what goes in, what comes out, and that nothing is lost on the way."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhircare.check import check, check_lines
from fhircare.errors import UnknownRelease

EXAMPLES = sorted((Path(__file__).parent / "data" / "hl7" / "examples" / "r4").glob("*.json"))
PLAN: dict[str, Any] = {
    "resourceType": "CarePlan",
    "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">A plan</div>'},
    "status": "active",
    "intent": "plan",
    "subject": {"reference": "Patient/p1"},
}


def found(resource: Any) -> list[tuple[str, str, str]]:
    return [(issue.severity, issue.expression, issue.rule) for issue in check(resource).issues]


def test_a_valid_resource_has_no_finding() -> None:
    assert found(PLAN) == []


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_text_and_dicts_give_the_same_findings(path: Path) -> None:
    """Numbers may come as Decimal or as float; the order of findings follows the text or the definition."""
    raw = path.read_bytes()
    from_text = sorted(found(raw))
    assert sorted(found(json.loads(raw))) == from_text
    assert sorted(found(json.loads(raw, parse_float=Decimal))) == from_text
    assert sorted(found(raw.decode())) == from_text


def test_a_model_of_fhir_resources_is_taken_as_it_is() -> None:
    """fhir.resources (R4B models stand in for R4 here) lets an unknown code pass; the check does not."""
    from fhir.resources.R4B.careplan import CarePlan

    assert found(CarePlan(**PLAN)) == []
    nonsense = CarePlan(**{**PLAN, "status": "nonsense"})
    assert found(nonsense) == [("error", "CarePlan.status", "binding.required")]


def test_every_fault_is_found_in_one_run() -> None:
    wrong = {
        **PLAN,
        "status": "nonsense",
        "foo": 1,
        "title": None,
        "goal": [],
        "period": {"start": "2026-02-30"},
        "created": "2026-01-01T10:00:00",
    }
    del wrong["intent"]
    assert {(expression, rule) for _, expression, rule in found(wrong)} == {
        ("CarePlan.status", "binding.required"),
        ("CarePlan.foo", "element.unknown"),
        ("CarePlan.title", "json.null"),
        ("CarePlan.goal", "json.empty"),
        ("CarePlan.period.start", "primitive.dateTime"),
        ("CarePlan.created", "primitive.dateTime"),
        ("CarePlan.intent", "cardinality.min"),
    }


def test_findings_stand_in_the_order_of_the_text_with_line_and_column() -> None:
    text = json.dumps({**PLAN, "status": "nonsense", "foo": 1}, indent=2)
    lines = text.split("\n")
    issues = check(text).issues
    assert [issue.expression for issue in issues] == ["CarePlan.status", "CarePlan.foo"]
    for issue in issues:
        name = issue.expression.rsplit(".", maxsplit=1)[-1]
        assert lines[issue.line - 1][issue.column - 1 :].startswith(f'"{name}"')


def test_the_nearest_allowed_code_is_named_and_the_code_found_is_not() -> None:
    issue = check({**PLAN, "status": "activ"}).issues[0]
    assert "Did you mean active" in issue.mend
    assert "revoked" in issue.mend
    assert "activ " not in f"{issue.message} {issue.mend} "


def test_an_unknown_element_is_told_the_nearest_name() -> None:
    issue = check({**PLAN, "subjekt": {"reference": "Patient/p1"}}).issues[0]
    assert issue.mend == "Did you mean subject?"


@pytest.mark.parametrize(
    ("raw", "rule", "line"),
    [
        (b"", "json.syntax", 1),
        (b'{"resourceType": "Patient",\n "active": tru}', "json.syntax", 2),
        (b'{"resourceType": "Patient",\n\n "multipleBirthInteger": NaN}', "json.syntax", 3),
        (b'{"resourceType": "Patient", "id": "\xff"}', "json.encoding", 1),
        (b'{"resourceType": "Patient", "x": ' + b"[" * 100000 + b"]" * 100000 + b"}", "json.depth", 1),
        (b'{"resourceType": "Patient", "multipleBirthInteger": ' + b"9" * 5000 + b"}", "json.number", 1),
    ],
)
def test_what_is_no_json_is_one_fatal_finding_with_its_place(raw: bytes, rule: str, line: int) -> None:
    (issue,) = check(raw).issues
    assert (issue.severity, issue.rule, issue.line) == ("fatal", rule, line)


def test_a_place_inside_broken_json_is_named_as_far_as_it_is_known() -> None:
    (issue,) = check(b'{"resourceType": "Patient", "name": [{"given": ["A",]}]}').issues
    assert issue.expression == "Patient.name[0].given"


@pytest.mark.parametrize("value", [[], "x", 1, None, True])
def test_a_file_holds_one_object(value: Any) -> None:
    assert [(s, r) for s, _, r in found(json.dumps(value))] == [("fatal", "json.type")]


def test_a_resource_says_its_type() -> None:
    assert found({"status": "active"}) == [("error", "Resource.resourceType", "resource.type-missing")]
    assert found({"resourceType": "Careplan"}) == [
        ("error", "Careplan.resourceType", "resource.type-unknown")
    ]
    assert "CarePlan" in check({"resourceType": "Careplan"}).issues[0].mend


def test_a_name_given_twice_is_found_even_where_colons_stand_in_texts() -> None:
    twice = (
        '{"resourceType": "Patient", "active": true,\n "active" : false, "name": [{"text": "\\": a \\":"}]}'
    )
    (issue,) = [i for i in check(twice).issues if i.severity == "error"]
    assert (issue.expression, issue.rule, issue.line) == ("Patient.active", "json.duplicate", 2)
    once = '{"resourceType": "Patient", "name": [{"text": ": \\": a \\" :"}]}'
    assert [i for i in check(once).issues if i.severity == "error"] == []


@settings(deadline=None)
@given(st.dictionaries(st.text(max_size=5), st.text(max_size=5), max_size=4))
def test_no_name_is_taken_for_a_double(extra: dict[str, str]) -> None:
    text = json.dumps({"resourceType": "Basic", **extra})
    assert "json.duplicate" not in {issue.rule for issue in check(text).issues}


def test_lines_are_checked_one_by_one_as_they_come() -> None:
    """A generator in, a generator out: nothing is read ahead, and a broken line does not stop the others."""
    taken = []

    def lines() -> Any:
        for number, line in enumerate(
            [json.dumps(PLAN).encode(), b"", b"{", json.dumps({**PLAN, "foo": 1}).encode()]
        ):
            taken.append(number)
            yield line + b"\n"

    reports = check_lines(lines(), name="plans.ndjson")
    first = next(reports)
    assert (first.name, first.issues, taken) == ("plans.ndjson:1", [], [0])
    rest = list(reports)
    assert [(r.name, r.issues[0].rule, r.issues[0].line) for r in rest] == [
        ("plans.ndjson:3", "json.syntax", 3),
        ("plans.ndjson:4", "element.unknown", 4),
    ]


def test_a_release_that_is_not_held_is_refused() -> None:
    with pytest.raises(UnknownRelease):
        check(PLAN, release="R3")


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        # https://hl7.org/fhir/R4/json.html#primitive
        ({"_status": {"extension": [{"url": "http://example.org/x", "valueCode": "a"}]}}, None),
        ({"_status": {"id": "a"}}, None),
        ({"_status": {"id": "a", "value": "b"}}, "CarePlan.status.value"),
        ({"_status": {}}, "CarePlan.status"),
        ({"_status": []}, "CarePlan.status"),
        ({"_status": {"extension": [{"url": "http://example.org/x"}]}}, "CarePlan.status.extension[0]"),
        ({"_subject": {"id": "a"}}, "CarePlan._subject"),
        (
            {
                "instantiatesUri": ["urn:a", None],
                "_instantiatesUri": [None, {"id": "a", "extension": [{"url": "http://a", "valueCode": "b"}]}],
            },
            None,
        ),
        ({"instantiatesUri": ["urn:a", None], "_instantiatesUri": [{"id": "a"}]}, "CarePlan.instantiatesUri"),
        ({"instantiatesUri": ["urn:a", None]}, "CarePlan.instantiatesUri[1]"),
        (
            {"instantiatesUri": ["urn:a", None], "_instantiatesUri": [None, None]},
            "CarePlan.instantiatesUri[1]",
        ),
        ({"_instantiatesUri": [{"extension": [{"url": "http://a", "valueCode": "b"}]}]}, None),
        ({"_title": {"id": "only"}}, "CarePlan.title"),
        ({"category": {"text": "x"}}, "CarePlan.category"),
        ({"category": [[{"text": "x"}]]}, "CarePlan.category[0]"),
        ({"title": ["x"]}, "CarePlan.title"),
        ({"title": {"value": "x"}}, "CarePlan.title"),
        ({"note": [{"text": "x", "id": "n1"}]}, None),
        ({"note": [{"id": "n1"}]}, "CarePlan.note[0]"),
        ({"note": [{"text": "x", "_id": {"extension": []}}]}, "CarePlan.note[0]._id"),
        (
            {"note": [{"text": "x", "authorString": "a", "authorReference": {"display": "b"}}]},
            "CarePlan.note[0].authorReference",
        ),
        ({"note": [{"text": "x", "authorInteger": 1}]}, "CarePlan.note[0].authorInteger"),
        ({"extension": [{"url": "relative", "valueCode": "a"}]}, "CarePlan.extension[0].url"),
        ({"extension": [{"url": "http://a", "extension": [{"url": "relative", "valueCode": "a"}]}]}, None),
        ({"identifier": [{"system": "relative", "value": "1"}]}, "CarePlan.identifier[0].system"),
        (
            {"category": [{"coding": [{"system": "relative", "code": "1"}]}]},
            "CarePlan.category[0].coding[0].system",
        ),
        (
            {"category": [{"coding": [{"system": "http://snomed.info/sct", "code": "12345678"}]}]},
            "CarePlan.category[0].coding[0].code",
        ),
        ({"language": "de-AT"}, None),
        ({"language": "german"}, "CarePlan.language"),
        ({"meta": {"tag": [{"system": "http://example.org/own", "code": "anything"}]}}, None),
    ],
)
def test_one_change_is_found_at_its_element_or_is_legal(change: dict[str, Any], expected: str | None) -> None:
    errors = {expression for severity, expression, _ in found({**PLAN, **change}) if severity == "error"}
    assert (expected in errors) if expected else not errors
