"""The check of R5: HL7's resources and cases, what is new in it, and how a file's release is told."""

from __future__ import annotations

import copy
import json
import re
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from fhircare.check import Issue, check, check_lines
from fhircare.check.compile import Compiler
from fhircare.check.coverage import coverage
from fhircare.check.safety import rules
from fhircare.releases import say
from fhircare.spec import definitions, recognise

ROOT = Path(__file__).parent.parent
HL7 = ROOT / "tests" / "data" / "hl7"
EXAMPLES, VALIDATOR = HL7 / "examples" / "r5", HL7 / "validator-r5"
R5 = definitions("R5")
OWN_FAULTS = tomllib.loads((EXAMPLES / "own-faults.toml").read_text(encoding="utf-8"))
MANIFEST = json.loads((VALIDATOR / "manifest.json").read_text(encoding="utf-8"))
LEFT_OUT = {
    name: f"{kind}: {why}"
    for kind, names in tomllib.loads((VALIDATOR / "left-out.toml").read_text(encoding="utf-8")).items()
    for name, why in names.items()
}
WHO = {"reference": "Patient/p"}
PLAN = {"resourceType": "CarePlan", "status": "active", "intent": "plan", "subject": WHO}


def errors(found: Any) -> list[Issue]:
    return [i for i in check(found, release="R5").issues if i.severity in {"fatal", "error"}]


def told(found: Any) -> set[tuple[str, str]]:
    return {(i.rule, i.expression) for i in errors(found)}


# --------------------------------------------------------------------------------------- HL7's own


@pytest.mark.parametrize("file", sorted(EXAMPLES.glob("*.json")), ids=lambda f: f.stem)
def test_an_official_example_has_no_error_but_its_own(file: Path) -> None:
    """Examples and definitions of HL7 pass; those that break R5's own rules are named (own-faults.toml)."""
    found = errors(file.read_bytes())
    own = OWN_FAULTS.get(file.name, {"rules": [], "count": 0})
    assert sorted({i.rule for i in found}) == own["rules"], [(i.rule, i.expression) for i in found]
    assert len(found) == own["count"]


@pytest.mark.parametrize("case", MANIFEST, ids=lambda c: c["name"])
def test_a_case_of_hl7_comes_out_as_expected(case: dict[str, Any]) -> None:
    """Valid or not as HL7's reference validator says of its R5 cases, with an error at one of its places."""
    if case["name"] in LEFT_OUT:
        pytest.skip(LEFT_OUT[case["name"]])
    found = errors((VALIDATOR / case["file"]).read_bytes())
    seen = [(i.rule, i.expression) for i in found]
    assert bool(found) == bool(case["errors"]), seen
    places = [re.sub(r"/\*.*?\*/", "", p) for i in case["issues"] for p in i["expression"]]
    if places:
        assert any(i.expression.startswith(place) for i in found for place in places), (seen, places)


def test_the_cases_left_out_are_named_and_counted() -> None:
    """Of 29 cases of R5 without files of their own 8 are left out."""
    assert set(LEFT_OUT) <= {case["name"] for case in MANIFEST}
    assert (len(MANIFEST), len(LEFT_OUT)) == (29, 8)


# ------------------------------------------------------------------------------------- definitions


def test_every_r5_type_is_held_and_compiles() -> None:
    """5.0.0 has 158 concrete resource types and 21 primitive types: counted in HL7's package."""
    assert (len(R5.resource_types), len(R5.primitive_types)) == (158, 21)
    assert {
        "CodeableReference",
        "Availability",
        "ExtendedContactDetail",
        "VirtualServiceDetail",
    } <= R5.complex_types
    compiler = Compiler(R5)
    for name in R5.type_names():
        if name not in R5.primitive_types:
            compile(compiler.source(name), name, "exec")


def test_bound_value_sets_have_the_codes_of_hl7s_expansions() -> None:
    """``hl7.fhir.r5.expansions`` 5.0.0: codes of each system; what cannot be held is open."""
    expansions = json.loads((HL7 / "expansions-r5.json").read_text(encoding="utf-8"))
    for url, systems in expansions.items():
        held = R5.value_set(url)
        assert held is not None
        counted = {system: len(codes) for system, codes in held.systems.items() if codes}
        assert counted == {s: n for s, n in systems.items() if s not in held.open}, url
    assert len(expansions) == 410


@pytest.mark.parametrize("name", sorted(R5.resource_types))
def test_the_elements_are_those_of_independent_models(name: str) -> None:
    """fhir.resources' R5 models, resource by resource: names, and whether an element repeats."""
    from fhir.resources import get_fhir_model_class

    node = R5.node(name)
    assert node is not None
    ours = {key: e.is_list for e in node.elements.values() for key in e.names}
    theirs = {
        field.alias or key: "List" in str(field.annotation)
        for key, field in get_fhir_model_class(name).model_fields.items()
        if not key.endswith("__ext") and key not in {"resource_type", "fhir_comments"}
    }
    assert {k: v for k, v in ours.items() if k != "id"} == {k: v for k, v in theirs.items() if k != "id"}


def test_every_invariant_of_the_definitions_is_in_the_coverage_and_enforced() -> None:
    """314 keys in 5.0.0; left out are eleven bindings to sets that no package holds (DICOM's, LOINC's)."""
    stated = {
        constraint.key
        for name in R5.type_names()
        for node in getattr(R5.type(name), "nodes", {}).values()
        for those in (node.constraints, *(e.constraints for e in node.elements.values()))
        for constraint in those
    }
    covered = coverage("R5")
    assert len(stated) == 314
    assert stated <= {rule.rule for rule in covered}
    left_out = [rule for rule in covered if rule.how.startswith("not enforced")]
    assert {rule.rule.partition(".")[0] for rule in left_out} == {"binding"}
    assert len(left_out) == 11
    homes = ("dicom.nema.org", "loinc.org", "terminology.hl7.org/ValueSet/EncounterClass")
    assert [rule.what for rule in left_out if not any(home in rule.what for home in homes)] == []


# ------------------------------------------------------------------------------------ what is new


def test_a_codeable_reference_is_held_to_the_types_and_codes_of_its_element() -> None:
    """https://hl7.org/fhir/R5/careplan-definitions.html#CarePlan.addresses allows Condition alone."""
    wrong = {**PLAN, "addresses": [{"reference": {"reference": "Patient/p"}}]}
    assert told(wrong) == {("reference.target", "CarePlan.addresses[0].reference.reference")}
    assert told({**PLAN, "addresses": [{"reference": {"reference": "Condition/c"}}]}) == set()
    assert told({**PLAN, "addresses": [{"concept": {"text": "x"}}]}) == set()
    inside = {
        "url": "http://example.org/x",
        "valueCodeableReference": {"reference": {"reference": "Patient/p"}},
    }
    assert told({**PLAN, "extension": [inside]}) == set()


def test_an_integer64_is_a_string_in_json() -> None:
    """https://hl7.org/fhir/R5/datatypes.html#integer64; Attachment.size is one, of the data's bytes."""

    def document(size: Any) -> dict[str, Any]:
        attachment = {"contentType": "text/plain", "data": "aGVsbG8=", "size": size}
        return {
            "resourceType": "DocumentReference",
            "status": "current",
            "content": [{"attachment": attachment}],
        }

    place = "DocumentReference.content[0].attachment.size"
    assert told(document("5")) == set()
    assert told(document(5)) == {("json.type", place)}
    assert told(document("6")) == {("attachment.size", place)}


def test_opening_hours_and_contacts_are_checked_inside() -> None:
    """https://hl7.org/fhir/R5/metadatatypes.html#Availability and #ExtendedContactDetail."""
    hours = {"daysOfWeek": ["mon"], "availableStartTime": "08:00:00"}
    role = {"resourceType": "PractitionerRole", "availability": [{"availableTime": [hours]}]}
    assert told(role) == set()
    role["availability"][0]["availableTime"] = [{**hours, "daysOfWeek": ["monday"]}]  # type: ignore[index]
    assert {r for r, _ in told(role)} == {"binding.required"}
    contact = {"telecom": [{"value": "555"}]}
    assert told({"resourceType": "Organization", "name": "A", "contact": [contact]}) == {
        ("cpt-2", "Organization.contact[0].telecom[0]")
    }


ENTRY = {"fullUrl": "urn:uuid:c757873d-ec9a-4326-a141-556000000001", "resource": PLAN}
BARE = {"resource": PLAN}


def _bundle(kind: str, **members: Any) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, **members}


def _outcome(*severities: str) -> dict[str, Any]:
    issues = [{"severity": severity, "code": "value"} for severity in severities]
    return {"resourceType": "OperationOutcome", "issue": issues}


@pytest.mark.parametrize(
    ("wrong", "rule", "place", "right"),
    [
        # https://hl7.org/fhir/R5/bundle.html, invariants
        (
            _bundle("collection", entry=[BARE]),
            "bdl-15",
            "Bundle.entry[0].fullUrl",
            _bundle("collection", entry=[ENTRY]),
        ),
        (
            _bundle("searchset"),
            "bdl-18",
            "Bundle.link",
            _bundle("searchset", link=[{"relation": "self", "url": "http://example.org/CarePlan"}]),
        ),
        (
            _bundle("subscription-notification", entry=[ENTRY]),
            "bdl-13",
            "Bundle",
            _bundle("collection", entry=[ENTRY]),
        ),
        (
            _bundle("collection", issues=PLAN),
            "resource.type",
            "Bundle.issues",
            _bundle(
                "collection",
                issues={
                    "resourceType": "OperationOutcome",
                    "issue": [
                        {"severity": "warning", "code": "value"},
                        {"severity": "information", "code": "value"},
                    ],
                },
            ),
        ),
        (
            _bundle(
                "collection",
                issues={
                    "resourceType": "OperationOutcome",
                    "issue": [{"severity": "error", "code": "value"}],
                },
            ),
            "bdl-16",
            "Bundle",
            _bundle("collection"),
        ),
    ],
    ids=["bdl-15", "bdl-18", "bdl-13", "issues", "bdl-16"],
)
def test_r5s_rules_of_bundles(wrong: dict[str, Any], rule: str, place: str, right: dict[str, Any]) -> None:
    """Each broken rule at its place, beside a bundle that keeps it."""
    assert (rule, place) in told(wrong)
    assert told(right) == set()


def test_links_lead_to_the_pages_of_r5() -> None:
    issues = check({**PLAN, "status": "x", "foo": 1, "period": []}, release="R5").issues
    assert len(issues) > 3
    assert all("/R4/" not in issue.link for issue in issues)


# --------------------------------------------------------------------------------- which release


@pytest.mark.parametrize("release", ["R4", "R5"])
def test_no_official_example_is_taken_for_the_other_release(release: str) -> None:
    """Told, or not to be told; forty of each are told. Two R5 ones describe a server and a guide of R4."""
    about_r4 = {"capabilitystatement-example", "implementationguide-example"} if release == "R5" else set()
    files = sorted(EXAMPLES.with_name(release.lower()).glob("*.json"))
    files = [file for file in files if file.stem not in about_r4]
    found = [recognise.recognise(json.loads(file.read_bytes())) for file in files]
    assert set(found) <= {release, None}
    assert found.count(release) >= 40


def test_the_marks_are_those_of_the_definitions() -> None:
    """``marks.json`` is made of the definitions; written again it is the same."""
    assert recognise.differences() == json.loads(Path(recognise._FILE).read_text(encoding="utf-8"))


def test_the_report_says_which_release_and_whether_anything_told() -> None:
    """A CarePlan with R5's custodian is R5; a Patient is either, and taken for R4, which is said."""
    told_r5 = check({**PLAN, "custodian": {"reference": "Practitioner/p"}})
    assert (told_r5.release, told_r5.assumed, told_r5.ok) == ("R5", False, True)
    assert check({**PLAN, "author": {"reference": "Practitioner/p"}}).release == "R4"
    either = check({"resourceType": "Patient", "active": True})
    assert (either.release, either.assumed) == ("R4", True)
    assert (
        "which nothing in it tells"
        in either.at_least("error").as_operation_outcome()["issue"][0]["details"]["text"]
    )
    asked = check({"resourceType": "Patient", "active": True}, release="R5")
    assert (asked.release, asked.assumed) == ("R5", False)


def test_lines_of_both_releases_are_each_checked_as_what_they_are() -> None:
    one = {**PLAN, "custodian": {"reference": "Practitioner/p"}}
    two = {**PLAN, "author": {"reference": "Practitioner/p"}}
    lines = [json.dumps(line).encode() for line in (one, two)]
    assert [(r.release, r.ok) for r in check_lines(lines)] == [("R5", True), ("R4", True)]


# -------------------------------------------------------------------------------- plans of ours


BUNDLES = sorted((ROOT / "examples" / "bundles").glob("*.json"))


def _said(file: Path) -> dict[str, Any]:
    return say(json.loads(file.read_text(encoding="utf-8"), parse_float=Decimal), "R5")


@pytest.mark.parametrize("file", BUNDLES, ids=lambda f: f.stem)
def test_a_plan_of_ours_in_r5_conforms_and_is_safe(file: Path) -> None:
    """No error or warning, of the standard or of ours."""
    report = check(_said(file))
    assert report.release == "R5"
    assert [i for i in report.issues if i.severity != "information"] == []


def test_the_safety_rules_are_asked_of_r5_and_name_its_places() -> None:
    """The prosthetist's phone taken out of an R5 plan: found as in R4, at a place that the file has."""
    bundle = _said(BUNDLES[0])
    clinic = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Organization")
    del clinic["contact"]
    found = [i for i in check(bundle).issues if i.source == "safety"]
    assert found
    assert {i.rule.removeprefix("safety.") for i in found} <= set(rules())
    for issue in found:
        at: Any = bundle
        for name, index in re.findall(r"\.([A-Za-z]+)|\[(\d+)\]", issue.expression):
            missing = isinstance(at, dict) and name and name not in at
            if missing:
                break
            at = at[name] if name else at[int(index)]


def test_a_plan_that_cannot_be_heard_is_said_to_be_unasked() -> None:
    """A CarePlan's activity that is text: never passed over in silence."""
    bundle = copy.deepcopy(_said(BUNDLES[0]))
    plan = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "CarePlan")
    plan["activity"] = "x"
    plan["category"].append(7)
    found = {i.rule for i in check(bundle, release="R5").issues if i.source == "safety"}
    assert found


# ---------------------------------------------------------------------------------------- oracle


@pytest.mark.java
def test_every_disagreement_with_the_reference_validator_is_explained() -> None:
    """HL7's reference validator with its own R5 definitions: the same examples are right and wrong."""
    from tests.conformance.oracles import REFERENCE

    if REFERENCE.absent():
        pytest.skip(REFERENCE.absent())
    files = sorted(EXAMPLES.glob("*.json"))
    explained = tomllib.loads((EXAMPLES / "reference.toml").read_text(encoding="utf-8"))
    answers = REFERENCE.judge(files, release="R5")
    differs = {}
    for file in files:
        theirs = [t for t in answers[file] if t.severity in {"error", "fatal"}]
        if bool(theirs) != bool(errors(file.read_bytes())):
            differs[file.name] = [f"{t.rule} {t.expression}: {t.message[:90]}" for t in theirs]
    assert {name: said for name, said in differs.items() if name not in explained} == {}
    assert all(len(answers[EXAMPLES / name]) > 0 for name in OWN_FAULTS)
