"""What comes out: an OperationOutcome, a SARIF log, text for people, each as its own standard asks."""

from __future__ import annotations

import json
from typing import Any

import pytest
from fhir.resources.R4B.operationoutcome import OperationOutcome

from fhircare.check import check
from fhircare.check.command import Tally, run
from fhircare.check.report import Issue, Report
from fhircare.check.text import as_text, resource_of

PLAN = b'{"resourceType": "CarePlan",\n "status": "nonsense",\n "intent": "plan",\n "subject": {}}\n'
GOOD = (
    b'{"resourceType": "Basic", "code": {"text": "x"}, "text": {"status": "generated", '
    b'"div": "<div xmlns=\\"http://www.w3.org/1999/xhtml\\">x</div>"}}'
)


def pieces(inputs: list[tuple[str, Any]], **words: Any) -> tuple[str, Tally]:
    tally = Tally()
    return "".join(run(inputs, tally, **words)), tally


def test_the_outcome_is_valid_by_our_own_check_and_by_the_models() -> None:
    """https://hl7.org/fhir/R4/operationoutcome.html."""
    for raw in (PLAN, GOOD, b"{"):
        outcome = check(raw).as_operation_outcome()
        assert OperationOutcome(**json.loads(json.dumps(outcome)))
        assert [i for i in check(outcome).issues if i.severity != "warning"] == []


def test_each_issue_has_its_expression_its_line_and_its_rule() -> None:
    issue = check(PLAN).at_least("error").as_operation_outcome()["issue"][0]
    assert issue["expression"] == ["CarePlan.status"]
    assert issue["details"]["coding"] == [{"code": "binding.required"}]
    assert [e["valueInteger"] for e in issue["extension"]] == [2, 2]


def test_several_files_give_one_outcome_a_line_in_order() -> None:
    text, tally = pieces([("a", GOOD), ("b", PLAN), ("c", b"{")], form="json", level="error")
    outcomes = [json.loads(line) for line in text.splitlines()]
    assert [o["issue"][0]["severity"] for o in outcomes] == ["information", "error", "fatal"]
    assert (tally.resources, tally.exit_code) == (3, 1)


def test_a_broken_file_does_not_hide_the_others() -> None:
    text, tally = pieces([("broken.json", b"{"), ("plan.json", PLAN), ("good.json", GOOD)])
    assert "broken.json" in text
    assert "plan.json" in text
    assert "good.json" not in text
    assert (tally.resources, tally.errors, tally.warnings) == (3, 3, 1)
    assert text.endswith("3 resources checked as FHIR R4: 3 errors, 1 warning\n")


def test_lines_and_documents_may_be_mixed() -> None:
    lines = iter([GOOD + b"\n", b"\n", PLAN.replace(b"\n", b" ")])
    text, tally = pieces([("lines.ndjson", lines), ("plan.json", PLAN)])
    assert tally.resources == 3
    assert "lines.ndjson:3" in text


@pytest.mark.parametrize(("level", "expected"), [("error", 2), ("warning", 3), ("information", 3)])
def test_the_level_is_the_least_severity_told(level: Any, expected: int) -> None:
    text, _ = pieces([("a", PLAN)], form="sarif", level=level)
    assert len(json.loads(text)["runs"][0]["results"]) == expected


def test_sarif_has_what_its_schema_requires() -> None:
    """SARIF 2.1.0 (OASIS), sections 3.13, 3.14, 3.27 and 3.30."""
    log = json.loads(pieces([("folder name/plan.json", PLAN)], form="sarif")[0])
    assert log["version"] == "2.1.0"
    (one,) = log["runs"]
    assert one["tool"]["driver"]["name"] == "fhircare"
    rules = {rule["id"] for rule in one["tool"]["driver"]["rules"]}
    for result in one["results"]:
        assert result["ruleId"] in rules
        assert result["level"] in {"error", "warning", "note"}
        assert result["message"]["text"]
        place = result["locations"][0]["physicalLocation"]
        assert place["artifactLocation"]["uri"] == "folder%20name/plan.json"
        assert place["region"]["startLine"] >= 1
        assert place["region"]["startColumn"] >= 1


def test_a_sarif_log_without_findings_is_whole() -> None:
    log = json.loads(pieces([("a", GOOD)], form="sarif")[0])
    assert log["runs"][0]["results"] == []


@pytest.mark.parametrize(
    ("expression", "resource"),
    [
        ("Patient.name[0].given", "Patient"),
        ("Bundle.entry[3].resource.period.start", "Bundle.entry[3].resource"),
        ("Bundle.entry[3].fullUrl", "Bundle"),
        ("Bundle.entry[3].resource.contained[0].id", "Bundle.entry[3].resource.contained[0]"),
        ("Bundle.entry[3].resource", "Bundle.entry[3].resource"),
        ("Provenance.entity[0].resourceType", "Provenance"),
        ("", ""),
    ],
)
def test_findings_are_grouped_by_the_resource_they_are_in(expression: str, resource: str) -> None:
    assert resource_of(expression) == resource


def test_text_shows_line_element_problem_rule_mend_and_page() -> None:
    text = as_text(Report(check(PLAN).at_least("error").issues, "plan.json"))
    assert text.splitlines()[:3] == [
        "plan.json",
        "  CarePlan",
        "          2:2  error    status: Not a code of RequestStatus.  [binding.required]",
    ]
    assert "active" in text
    assert "https://hl7.org/fhir/R4/careplan-definitions.html#CarePlan.status" in text


def test_a_report_is_fine_when_nothing_is_an_error() -> None:
    warning = Issue("warning", "value", "X", "r", "m")
    assert Report([warning]).ok
    assert not Report([warning, warning._replace(severity="fatal")]).ok
    assert Report([warning]).at_least("error").issues == []
