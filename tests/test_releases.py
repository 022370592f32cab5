"""One room knows the releases: it validates through models, tells releases apart, and never guesses."""

from __future__ import annotations

import importlib
import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

import fhircare
from fhircare.bundle import dump, from_bundle, load, to_bundle
from fhircare.errors import BundleError, UnknownRelease
from fhircare.releases import RELEASES, as_dict, detect_release, release, to_models, validate_models
from fhircare.spec import definitions
from tests.plans import whole_plan

BUNDLE = to_bundle(whole_plan())


def test_r4b_may_stand_in_for_r4() -> None:
    """Of each resource type in a plan, R4B has the elements of HL7's R4 4.0.1, no more, no fewer."""
    used = {entry["resource"]["resourceType"] for entry in BUNDLE["entry"]} | {"Bundle", "Composition"}
    r4 = definitions("R4")
    for name in sorted(used):
        model = getattr(importlib.import_module(f"fhir.resources.R4B.{name.lower()}"), name)
        theirs = {field.alias or key for key, field in model.model_fields.items()}
        theirs = {one for one in theirs if not one.startswith("_")} - {"resourceType", "fhir_comments"}
        node = r4.node(name)
        assert node is not None
        base = r4.node("DomainResource" if name != "Bundle" else "Resource")
        assert base is not None
        ours = {choice for element in node.elements.values() for choice in element.names}
        ours |= {choice for element in base.elements.values() for choice in element.names}
        ours |= {"id", "meta", "implicitRules", "language"}
        assert theirs - ours == set(), name
        assert ours - theirs == set(), name


def test_no_other_room_builds_models() -> None:
    """fhir.resources is imported by name at run time, where the import rule cannot see it."""
    house = Path(fhircare.__file__).parent
    naming = re.compile(
        r"^\s*(from|import) fhir\b|import_module\(.*fhir\b|[\"']fhir\.resources", re.MULTILINE
    )
    found = {path for path in house.rglob("*.py") if naming.search(path.read_text(encoding="utf-8"))}

    assert {path.relative_to(house).as_posix() for path in found} == {"releases/models.py"}


def test_models_take_the_bundle_and_the_dict_stays_as_it_was() -> None:
    """Validation builds models and changes nothing: decimals keep 52.50."""
    before = dump(BUNDLE)
    model = to_models(BUNDLE)

    assert model.get_resource_type() == "Bundle"
    assert dump(BUNDLE) == before
    assert "52.50" in before


def test_a_model_is_taken_at_the_door() -> None:
    """A model of fhir.resources reads as the same plan."""
    assert from_bundle(to_models(BUNDLE)) == whole_plan()
    assert as_dict(BUNDLE) is BUNDLE


@pytest.mark.parametrize("thing", [None, 3, "text", [], object()])
def test_what_is_no_resource_is_refused_in_words(thing: Any) -> None:
    """Neither a dict nor a model."""
    with pytest.raises(BundleError, match="is no FHIR resource"):
        as_dict(thing)


def test_what_the_models_refuse_is_named_by_place_and_never_by_value() -> None:
    """Every fault has its FHIRPath; nothing of the patient is in the message."""
    broken = load(dump(BUNDLE))
    patient = next(e for e in broken["entry"] if e["resource"]["resourceType"] == "Patient")
    place = broken["entry"].index(patient)
    patient["resource"]["birthDate"] = "1st of May, secret"
    patient["resource"]["colour"] = "secret"
    with pytest.raises(BundleError) as caught:
        validate_models(broken)

    assert {fault.field for fault in caught.value.faults} == {
        f"Bundle.entry[{place}].resource.birthDate",
        f"Bundle.entry[{place}].resource.colour",
    }
    assert "secret" not in str(caught.value)


def test_a_broken_bundle_of_ours_is_refused_and_a_guest_is_not() -> None:
    """A bundle that says it is ours is held to the models; one from elsewhere is read as far as it goes."""
    broken = load(dump(BUNDLE))
    broken["entry"][0]["resource"]["colour"] = "blue"
    with pytest.raises(BundleError):
        from_bundle(broken)
    del broken["meta"]

    assert from_bundle(broken) == whole_plan()


@pytest.mark.parametrize(
    ("resource", "found"),
    [
        ({"resourceType": "CarePlan", "author": {}}, "R4"),
        ({"resourceType": "CarePlan", "activity": [{"detail": {}}]}, "R4"),
        ({"resourceType": "Goal", "expressedBy": {}}, "R4"),
        ({"resourceType": "DeviceUseStatement", "status": "active"}, "R4"),
        ({"resourceType": "CarePlan", "custodian": {}}, "R5"),
        ({"resourceType": "CarePlan", "activity": [{"plannedActivityReference": {}}]}, "R5"),
        ({"resourceType": "DeviceUsage", "status": "active"}, "R5"),
    ],
)
def test_a_release_is_told_by_what_only_it_has(resource: dict[str, Any], found: str) -> None:
    """Elements of R4 4.0.1 and R5 5.0.0 that the other does not have, as their definitions list them."""
    assert detect_release({"resourceType": "Bundle", "entry": [{"resource": resource}]}) == found
    assert detect_release(resource) == found


def test_ours_is_r4() -> None:
    """Our own bundle is recognized."""
    assert detect_release(BUNDLE) == "R4"


@pytest.mark.parametrize(
    "bundle",
    [
        {"resourceType": "Bundle"},
        {"resourceType": "Bundle", "entry": "junk"},
        {"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "Patient", "id": "x"}}]},
        {"resourceType": "CarePlan", "author": {}, "custodian": {}},
    ],
)
def test_no_release_is_ever_guessed(bundle: dict[str, Any]) -> None:
    """Nothing that tells, or elements of both: UnknownRelease."""
    with pytest.raises(UnknownRelease):
        detect_release(bundle)


def test_an_unknown_release_is_refused() -> None:
    """Only those in the table are spoken."""
    with pytest.raises(UnknownRelease, match="R4"):
        release("R6")
    assert release("R4").version == RELEASES["R4"].version == "4.0.1"


@pytest.mark.parametrize("text", ["", "{", "[]", "3", '{"a": NaN}', "[" * 100_000])
def test_text_that_is_no_bundle_is_refused_in_words(text: str) -> None:
    """Truncated, not an object, not a number FHIR knows, or absurdly deep: BundleError, never a traceback."""
    with pytest.raises(BundleError):
        load(text)


def test_numbers_are_read_with_their_precision() -> None:
    """A decimal is a Decimal, a whole number an int."""
    found = load('{"a": 2.50, "b": 3}')

    assert (found["a"], str(found["a"]), found["b"]) == (Decimal("2.5"), "2.50", 3)
