"""There and back: R4 → R5 → R4 and R5 → R4 → R5 give what there was, decimals with their precision."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhircare.bundle import dump, load, to_bundle
from fhircare.bundle.document import as_document, handout_entry, with_handout
from fhircare.exchange import give_goals
from fhircare.releases import convert, detect_release, hear, say, validate_models
from tests.courses import STEPS, example_course
from tests.plans import whole_plan
from tests.strategies_fhir import resources
from tests.strategies_plan import plans

ROOT = Path(__file__).parent
EXAMPLES = sorted((ROOT.parent / "examples" / "bundles").glob("*.json"))
HL7 = ROOT / "data" / "hl7" / "examples"
_SLOW = (HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example)

# What our bundles hold, and what bundles from elsewhere hold beside a plan; in both releases.
BOTH = (
    "AllergyIntolerance", "Appointment", "Basic", "BodyStructure", "Bundle", "CarePlan", "CareTeam",
    "ClinicalImpression", "Communication", "CommunicationRequest", "Composition", "Condition", "Consent",
    "DetectedIssue", "Device", "DeviceRequest", "DiagnosticReport", "DocumentReference", "Encounter",
    "EpisodeOfCare", "Flag", "Goal", "HealthcareService", "ImagingStudy", "Immunization", "List", "Location",
    "MedicationAdministration", "MedicationRequest", "MedicationStatement", "NutritionOrder", "Observation",
    "Organization", "Patient", "Practitioner", "PractitionerRole", "Procedure", "Provenance", "Questionnaire",
    "QuestionnaireResponse", "RelatedPerson", "Schedule", "ServiceRequest", "Slot", "Specimen", "Task",
)  # fmt: skip
ONLY_R4 = ("DeviceUseStatement", "DocumentManifest", "Media", "RequestGroup")
ONLY_R5 = ("DeviceAssociation", "DeviceDispense", "DeviceUsage", "NutritionProduct", "RequestOrchestration")


def same(before: dict[str, Any], after: dict[str, Any]) -> bool:
    """Equal to the last zero of a decimal, whatever the order of names."""
    return dump(_sorted(before)) == dump(_sorted(after))


def _sorted(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _sorted(value[name]) for name in sorted(value)}
    return [_sorted(one) for one in value] if isinstance(value, list) else value


def back_again(bundle: dict[str, Any]) -> dict[str, Any]:
    return hear(load(dump(say(bundle, "R5"))), "R5")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_example_comes_back_from_r5_as_it_was(path: Path) -> None:
    """And R5's models take it on the way, and it is known as R5."""
    bundle = load(path.read_text(encoding="utf-8"))
    said = say(bundle, "R5")

    validate_models(said, "R5")
    assert detect_release(said) == "R5"
    assert detect_release(bundle) == "R4"
    assert same(bundle, back_again(bundle))


@pytest.mark.parametrize("step", STEPS)
def test_a_followed_plan_comes_back_with_its_log_and_revisions(step: str) -> None:
    """Diary, findings, revisions and approvals, after every step of a course."""
    bundle = example_course("carla-diabetes-slow")[step]

    validate_models(say(bundle, "R5"), "R5")
    assert same(bundle, back_again(bundle))


def test_documents_goals_and_transactions_come_back() -> None:
    """The plan as a document with its handout, its goals given away, and as a transaction."""
    bundle = to_bundle(whole_plan())
    document = as_document(bundle)
    entry = handout_entry(
        bundle, b"%PDF", "application/pdf", title="T", language="en", at=whole_plan().written_at
    )
    transaction = bundle | {
        "type": "transaction",
        "entry": [
            one | {"request": {"method": "POST", "url": one["resource"]["resourceType"]}}
            for one in bundle["entry"]
        ],
    }
    for made in (document, with_handout(document, entry), give_goals(bundle), transaction):
        validate_models(say(made, "R5"), "R5")
        assert same(made, back_again(made))


@settings(max_examples=30, deadline=None, suppress_health_check=_SLOW)
@given(plans())
def test_any_plan_comes_back(plan: Any) -> None:
    """Plans no planner would make, any part of them absent; R5's models take each."""
    bundle = to_bundle(plan, validate=False)
    said = say(bundle, "R5")

    validate_models(said, "R5")
    assert detect_release(said) == "R5"
    assert same(bundle, hear(said, "R5"))


@settings(max_examples=150, deadline=None, suppress_health_check=_SLOW)
@given(resources("R4", *BOTH, *ONLY_R4))
def test_any_resource_of_r4_comes_back_from_r5(resource: dict[str, Any]) -> None:
    """Whatever R4's definitions allow: nothing is lost, nothing added."""
    assert same(resource, back_again(resource))


@settings(max_examples=150, deadline=None, suppress_health_check=_SLOW)
@given(resources("R5", *BOTH, *ONLY_R5))
def test_any_resource_of_r5_comes_back_from_r4(resource: dict[str, Any]) -> None:
    """Whatever R5's definitions allow, elements that R4 does not have among it."""
    assert same(resource, say(load(dump(hear(resource, "R5"))), "R5"))


@pytest.mark.parametrize("path", sorted((HL7 / "r4").glob("*.json")), ids=lambda path: path.stem)
def test_hl7s_examples_of_r4_come_back_from_r5(path: Path) -> None:
    """HL7's official examples, one of every type; where their own models take them, so do R5's."""
    resource = load(path.read_text(encoding="utf-8"))
    done = convert(resource, "R5", "R4")

    assert [note for note in done.notes if note.outcome != "kept"] == []
    assert same(resource, hear(load(dump(done.resource)), "R5"))


@pytest.mark.parametrize("path", sorted((HL7 / "r5").glob("*.json")), ids=lambda path: path.stem)
def test_hl7s_examples_of_r5_come_back_from_r4(path: Path) -> None:
    """HL7's examples of R5; where one lacks what R5 requires and R4 does not, that is said to be unknown."""
    faults = tomllib.loads((HL7 / "r5" / "own-faults.toml").read_text(encoding="utf-8"))
    resource = load(path.read_text(encoding="utf-8"))
    done = convert(resource, "R4", "R5")

    assert {note.outcome for note in done.notes} <= {"kept", "lost"}
    if "cardinality.min" in faults.get(path.name, {}).get("rules", ()):
        assert {note.text for note in done.lost} == {"would not come back as it was"}
    else:
        assert done.lost == ()
        assert same(resource, say(load(dump(done.resource)), "R5"))


@given(
    st.sampled_from(["R4", "R5"]),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(
                    [
                        "resourceType",
                        "entry",
                        "resource",
                        "meta",
                        "tag",
                        "profile",
                        "extension",
                        "url",
                        "orderDetail",
                        "patient",
                        "fullUrl",
                        "type",
                    ]
                ),
                inner,
                max_size=4,
            )
        ),
        max_leaves=12,
    ),
)
@settings(max_examples=100, deadline=None)
def test_junk_is_carried_and_named_and_never_trips(source: str, junk: Any) -> None:
    """What is not FHIR at all is left as it was, with a note."""
    other = "R5" if source == "R4" else "R4"
    for resource in ({"resourceType": "Bundle", "entry": junk}, {"resourceType": "Device", "patient": junk}):
        assert convert(resource, other, source).to == other
