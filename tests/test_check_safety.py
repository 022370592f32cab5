"""Our own safety layer: what a plan must have, and what must not differ between two places of its bundle."""

from __future__ import annotations

import copy
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings

from fhircare.bundle import to_bundle
from fhircare.check import check
from fhircare.check.coverage import coverage
from fhircare.check.safety import rules
from fhircare.check.safety.names import NAMES
from fhircare.check.safety.rules import CAUTIONS, EVERYBODY, FLOOR, LEVELS
from fhircare.check.safety.write_names import names
from fhircare.check.sarif import as_sarif
from fhircare.check.text import as_text
from fhircare.errors import FhircareError
from fhircare.planner import make_plan
from tests.builders import record
from tests.safety_faults import FAULTS, Bundle, drop, drop_activity, resource
from tests.strategies import delivery_records

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check import Issue
    from fhircare.delivery import DeliveryRecord

BUNDLE = to_bundle(make_plan(record()), validate=False)
ROOM = Path(__file__).parent.parent / "fhircare" / "check" / "safety"


def safety(bundle: Bundle) -> list[Issue]:
    return [issue for issue in check(bundle).issues if issue.source == "safety"]


@pytest.mark.parametrize(
    ("rule", "change"), FAULTS, ids=[f"{i}-{rule}" for i, (rule, _) in enumerate(FAULTS)]
)
def test_a_fault_is_found_by_its_rule(rule: str, change: Callable[[Bundle], Any]) -> None:
    """Each change breaks its rule; the finding says how to mend it, and nothing of the patient."""
    bundle = copy.deepcopy(BUNDLE)
    change(bundle)

    found = safety(bundle)

    assert f"safety.{rule}" in {issue.rule for issue in found}
    for issue in found:
        assert issue.mend
        assert not {"Marsh", "1970-05-01", "+1-815"} & set(re.split(r"[ ,.]", issue.message + issue.mend))


def test_a_plan_of_ours_is_sound() -> None:
    """A plan as the planner makes it has no finding of any kind."""
    assert check(BUNDLE).issues == []


def _above_limit(made: DeliveryRecord) -> bool:
    return made.socks is not None and made.socks.ply_at_delivery >= made.socks.adjust_at_ply


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(delivery_records())
def test_no_plan_that_can_be_made_alarms(made: DeliveryRecord) -> None:
    """Whatever the delivery record, its plan has no finding but that its ply already asks for the clinic."""
    try:
        plan = make_plan(made)
    except FhircareError:
        return

    found = {issue.rule for issue in safety(to_bundle(plan, validate=False))}

    assert found == ({"safety.socks.limit"} if _above_limit(made) else set())


# ------------------------------------------------------------------ whose plan it is


def test_a_plan_from_elsewhere_never_alarms() -> None:
    """Without our category nothing is asked of a CarePlan, whatever it lacks."""
    bundle = copy.deepcopy(BUNDLE)
    resource(bundle, "CarePlan")["category"].pop()
    drop_activity(bundle, "warning-signs")

    assert safety(bundle) == []
    assert safety(resource(BUNDLE, "CarePlan")) == []


def test_a_part_of_a_plan_is_not_told_what_it_lacks() -> None:
    """A search that found only the CarePlan is no plan without signs."""
    plan = next(entry for entry in BUNDLE["entry"] if entry["resource"]["resourceType"] == "CarePlan")
    alone = {"resourceType": "Bundle", "type": "searchset", "entry": [plan]}

    said = {issue.rule for issue in safety(alone)}
    assert not {rule for rule in said if rule.endswith((".none", ".missing", ".clinic", ".prosthetist"))}


def test_findings_are_told_apart_from_the_standards() -> None:
    """In text, in SARIF and in the list of rules it is plain which rules are ours."""
    bundle = copy.deepcopy(BUNDLE)
    drop(bundle, "warning-signs", "blister")
    report = check(bundle)

    assert "Rules that begin with safety are fhircare's own" in as_text(report)
    assert '"tags":["safety"]' in "".join(as_sarif([report], "1"))
    ours = [rule for rule in coverage() if rule.where == "plans made by fhircare"]
    assert {rule.rule for rule in ours} == {f"safety.{key}" for key in rules()}


def test_a_finding_names_line_and_column(tmp_path: Path) -> None:
    """Given as text, a finding has its place in the file."""
    import simplejson

    bundle = copy.deepcopy(BUNDLE)
    resource(bundle, "Flag")["status"] = "inactive"
    text = simplejson.dumps(bundle, use_decimal=True, indent=2)

    issue = next(i for i in check(text).issues if i.rule == "safety.flag.status")
    assert text.splitlines()[issue.line - 1][issue.column - 1 :] == '"status": "inactive",'


# ------------------------------------------------------------------ the tables


def test_every_rule_is_used_and_every_use_is_a_rule() -> None:
    """No rule stands in the table for nothing, and none is missing from it."""
    source = "".join(path.read_text() for path in ROOM.glob("*.py"))
    used = set(re.findall(r'(?:say|missing)\(\s*"([a-z]+\.[a-z-]+)"', source))

    assert used == set(rules())
    for rule in rules().values():
        assert all((rule.message, rule.mend, rule.source))


def test_the_names_of_codes_are_those_of_the_table_of_terms() -> None:
    """When the table of terms changes, names.py is to be written again: write_names says how."""
    assert (ROOM / "names.py").read_text(encoding="utf-8") == names()
    assert NAMES["https://fhircare.github.io/fhir/CodeSystem/sign-level"][1].keys() == set(LEVELS)


def test_no_sign_of_a_plan_is_milder_than_its_floor() -> None:
    """The signs and cautions that every plan must have are those that the planner gives to everybody."""
    plan = make_plan(record())
    levels = {sign.code: sign.level for sign in plan.care.signs}

    assert set(EVERYBODY) <= set(levels)
    assert set(CAUTIONS) <= {advice.code for advice in plan.care.advice}
    assert [
        c for c, level in levels.items() if LEVELS.index(level) < LEVELS.index(FLOOR.get(c, "carry-on"))
    ] == []
