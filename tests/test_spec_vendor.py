"""The distilled definitions: what they hold is what the package says, and they can be made again."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import pytest

from fhircare.spec import definitions, expand, vendor

ROOT = Path(__file__).parent.parent
DATA = ROOT / "fhircare" / "spec" / "r4"


def _head(name: str) -> dict[str, object]:
    with (DATA / name).open("rb") as stream:
        found: dict[str, object] = json.loads(stream.readline())
        return found


@pytest.mark.parametrize("name", ["types.jsonl", "codes.jsonl"])
def test_each_file_names_the_package_it_was_made_from(name: str) -> None:
    """Source, version, licence and hash stand in the data and are the same in SOURCES.md."""
    head = _head(name)
    assert (head["package"], head["version"], head["licence"]) == ("hl7.fhir.r4.core", "4.0.1", "CC0-1.0")
    assert str(head["sha256"]) in (ROOT / "fhircare" / "spec" / "SOURCES.md").read_text(encoding="utf-8")


def test_the_same_package_gives_the_same_bytes(tmp_path: Path) -> None:
    """Needs HL7's package: FHIRCARE_R4_PACKAGE names it."""
    package = os.environ.get("FHIRCARE_R4_PACKAGE")
    if not package:
        pytest.skip("FHIRCARE_R4_PACKAGE does not name HL7's R4 package")
    assert hashlib.sha256(Path(package).read_bytes()).hexdigest() == _head("types.jsonl")["sha256"]
    for made in vendor.distil(tmp_path, [Path(package)]):
        assert made.read_bytes() == (DATA / made.name).read_bytes()


def test_every_r4_type_is_held() -> None:
    """4.0.1 has 146 concrete resource types and 20 primitive types: counted in HL7's package."""
    r4 = definitions("R4")
    assert len(r4.resource_types) == 146
    assert len(r4.primitive_types) == 20
    assert {"Timing", "Dosage", "ElementDefinition", "SubstanceAmount"} <= r4.complex_types


def test_an_element_is_as_its_page_says() -> None:
    """https://hl7.org/fhir/R4/careplan-definitions.html."""
    plan = definitions("R4").node("CarePlan")
    assert plan is not None
    status, goal = plan.elements["status"], plan.elements["goal"]
    assert (status.min, status.max, status.types[0].code) == (1, 1, "code")
    assert status.binding is not None
    assert status.binding.strength == "required"
    assert (goal.is_list, goal.types[0].targets) == (True, frozenset({"Goal"}))
    assert plan.elements["activity"].node == "CarePlan.activity"


def test_a_choice_names_every_variant() -> None:
    """https://hl7.org/fhir/R4/goal-definitions.html#Goal.start_x_."""
    goal = definitions("R4").node("Goal")
    assert goal is not None
    assert list(goal.elements["start[x]"].names) == ["startDate", "startCodeableConcept"]


def test_a_content_reference_leads_to_its_node() -> None:
    """https://hl7.org/fhir/R4/questionnaire-definitions.html#Questionnaire.item.item."""
    item = definitions("R4").node("Questionnaire.item")
    assert item is not None
    assert item.elements["item"].node == "Questionnaire.item"


def test_inherited_invariants_are_found_through_the_base() -> None:
    """https://hl7.org/fhir/R4/domainresource.html: dom-2 to dom-6; CarePlan adds cpl-3, on activity."""
    r4 = definitions("R4")
    plan, activity = r4.node("CarePlan"), r4.node("CarePlan.activity")
    assert plan is not None
    assert activity is not None
    assert [c.key for c in plan.constraints] == ["dom-2", "dom-3", "dom-4", "dom-5", "dom-6"]
    assert [c.key for c in activity.constraints] == ["cpl-3"]


@pytest.mark.parametrize(
    ("url", "some", "not_in"),
    [
        # https://hl7.org/fhir/R4/valueset-administrative-gender.html
        ("http://hl7.org/fhir/ValueSet/administrative-gender", {"male", "unknown"}, "m"),
        # https://hl7.org/fhir/R4/valueset-event-timing.html: FHIR's own times and those of v3 TimingEvent
        ("http://hl7.org/fhir/ValueSet/event-timing", {"MORN", "ACM", "PCV"}, "NOON2"),
        # https://hl7.org/fhir/R4/valueset-days-of-week.html
        ("http://hl7.org/fhir/ValueSet/days-of-week", {"mon", "sun"}, "Mon"),
        # https://hl7.org/fhir/R4/valueset-units-of-time.html: UCUM codes, listed
        ("http://hl7.org/fhir/ValueSet/units-of-time", {"s", "min", "h", "d", "wk", "mo", "a"}, "year"),
    ],
)
def test_value_sets_are_expanded(url: str, some: set[str], not_in: str) -> None:
    """Each against the expansion on its page of the specification."""
    found = definitions("R4").value_set(url)
    assert found is not None
    assert some <= found.codes
    assert not_in not in found.codes


def test_a_set_of_a_system_we_cannot_hold_is_open() -> None:
    """https://hl7.org/fhir/R4/valueset-mimetypes.html is all of BCP 13."""
    found = definitions("R4").value_set("http://hl7.org/fhir/ValueSet/mimetypes")
    assert found is not None
    assert found.open == {"urn:ietf:bcp:13"}


def test_filters_select_by_hierarchy() -> None:
    """is-a takes a concept and all below it (https://hl7.org/fhir/R4/valueset-filter-operator.html)."""
    system = {
        "url": "urn:x",
        "content": "complete",
        "concept": [{"code": "a", "concept": [{"code": "b", "concept": [{"code": "c"}]}]}, {"code": "d"}],
    }

    def codes(op: str) -> set[str]:
        rule = {"property": "concept", "op": op, "value": "b"}
        value_set = {"url": "urn:s", "compose": {"include": [{"system": "urn:x", "filter": [rule]}]}}
        expansion = expand.Terminology([system], [value_set]).expand("urn:s")
        assert expansion is not None
        return expansion[0]["urn:x"]

    assert codes("is-a") == {"b", "c"}
    assert codes("descendent-of") == {"c"}
    assert codes("is-not-a") == {"a", "d"}


def test_excluded_codes_are_left_out_and_sets_are_cut_with_sets() -> None:
    """https://hl7.org/fhir/R4/valueset.html#compositions."""
    system = {"url": "urn:x", "content": "complete", "concept": [{"code": "a"}, {"code": "b"}, {"code": "c"}]}
    small = {
        "url": "urn:small",
        "compose": {"include": [{"system": "urn:x", "concept": [{"code": "a"}, {"code": "b"}]}]},
    }
    cut = {"url": "urn:cut", "compose": {"include": [{"system": "urn:x", "valueSet": ["urn:small"]}]}}
    less = {
        "url": "urn:less",
        "compose": {"include": [{"system": "urn:x"}], "exclude": [{"valueSet": ["urn:small"]}]},
    }
    terminology = expand.Terminology([system], [small, cut, less])
    assert terminology.expand("urn:cut") == ({"urn:x": {"a", "b"}}, set())
    assert terminology.expand("urn:less") == ({"urn:x": {"c"}}, set())


def test_an_unknown_release_is_refused_by_name() -> None:
    from fhircare.errors import UnknownRelease

    with pytest.raises(UnknownRelease, match="R2"):
        definitions("R2")
