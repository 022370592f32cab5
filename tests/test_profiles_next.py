"""US Core 9.0.0: each change since 8.0.0 that concerns what we write, beside its source, and what is found.

The profiles are the guide's own sources (HL7/US-Core at commit 85bf4af6e, 2026-04-23, "final qa"; CC0-1.0) as
differentials. A change is first looked up in the sources, so that a test cannot pass for want of it; then a
bundle of ours is harmed in the one way that the change is about, and held against 8.0.0 and 9.0.0.
That every claim of every plan holds in 9.0.0 is proven in ``test_profiles_claims``.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING, Any

import pytest

from fhircare.bundle import to_bundle, us_core
from fhircare.check import check
from fhircare.cli import main
from fhircare.spec.packages import load_package
from tests.conformance.profiles import NEXT, VERSIONS, against, examples, package
from tests.plans import whole_plan
from tests.test_profiles_claims import RECORDS, US_CORE

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

Json = dict[str, Any]
BEFORE = VERSIONS[-1]
SETS = "http://hl7.org/fhir/us/core/ValueSet/"
ASSESS_PLAN = {"system": "http://hl7.org/fhir/us/core/CodeSystem/careplan-category", "code": "assess-plan"}
RETIRED = ("warning", "profile.code-system-retired", "category[0].coding[0].system")


def elements(profile: str, version: str) -> dict[str, Json]:
    """Return what a profile's differential says of its elements, by id."""
    found = load_package(package(version)).get(f"{US_CORE}us-core-{profile}")
    assert found is not None, profile
    return {one["id"]: one for one in found["differential"]["element"]}


def written(version: str) -> Json:
    """Return the bundle of the whole plan, claiming a version."""
    return to_bundle(whole_plan(), validate=False, us_core=version)


def one(bundle: Json, kind: str) -> Json:
    """Return the first resource of a type that claims a profile of US Core."""
    found: Json = next(
        entry["resource"]
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] == kind
        and any(url.startswith(US_CORE) for url in entry["resource"].get("meta", {}).get("profile", ()))
    )
    return found


def said(
    kind: str, version: str, harm: Callable[[Json], object] = lambda _: None
) -> list[tuple[str, str, str]]:
    """Return what is found about profiles in a resource of ours after one harm: severity, rule and place."""
    bundle = written(version)
    resource = one(bundle, kind)
    harm(resource)
    place = next(i for i, entry in enumerate(bundle["entry"]) if entry["resource"] is resource)
    start = f"Bundle.entry[{place}].resource"
    return [
        (issue.severity, issue.rule, issue.expression.removeprefix(start).removeprefix("."))
        for issue in check(bundle, against=against(version)).issues
        if issue.expression.startswith(start) and issue.link.startswith((US_CORE, ASSESS_PLAN["system"]))
    ]


def test_the_sources_are_those_of_the_next_version() -> None:
    """Differentials of 9.0.0, its retired code system among them, and nothing with a snapshot."""
    found = load_package(package(NEXT))
    kinds = Counter(one["resourceType"] for one in found)

    assert (found.name, found.version) == ("hl7.fhir.us.core", NEXT)
    assert kinds["StructureDefinition"] > 60
    assert not any("snapshot" in one for one in found)


def test_its_own_examples_keep_it() -> None:
    """No error in its examples of the types we write; where one rests on another guide's, that is said."""
    assert len(examples(NEXT)) > 60
    for name, example in examples(NEXT).items():
        issues = check(example, against=against(NEXT)).issues
        assert [i for i in issues if i.severity == "error"] == [], name
        partly = {i.rule for i in issues} & {"profile.partly", "profile.unknown"}
        assert partly == ({"profile.partly"} if example["resourceType"] == "QuestionnaireResponse" else set())


def test_a_category_is_optional() -> None:
    """CarePlan.category is 0..*, was 1..* (StructureDefinition-us-core-careplan; FHIR-49309 went before)."""
    assert elements("careplan", BEFORE)["CarePlan.category"]["min"] == 1
    assert elements("careplan", NEXT)["CarePlan.category"]["min"] == 0

    assert said("CarePlan", BEFORE, lambda r: r.pop("category")) == [("error", "profile.min", "category")]
    assert said("CarePlan", NEXT, lambda r: r.pop("category")) == []


def test_the_slice_of_the_category_is_gone() -> None:
    """AssessPlan is no slice any more, so it may be said twice; the preferred set is FHIR's own."""
    assert "CarePlan.category:AssessPlan" in elements("careplan", BEFORE)
    told = elements("careplan", NEXT)
    assert not any(name.startswith("CarePlan.category:") for name in told)
    assert told["CarePlan.category"]["binding"] == {
        "strength": "preferred", "valueSet": "http://hl7.org/fhir/ValueSet/care-plan-category",
    }  # fmt: skip

    def twice(plan: Json) -> None:
        plan["category"] = [{"coding": [ASSESS_PLAN]}, {"coding": [ASSESS_PLAN]}]

    assert ("error", "profile.max", "category[1]") in said("CarePlan", BEFORE, twice)
    assert {rule for _, rule, _ in said("CarePlan", NEXT, twice)} == {"profile.code-system-retired"}


def test_the_code_system_of_assess_plan_is_retired() -> None:
    """CodeSystem-careplan-category.json: retired, deprecated. The check warns; we write it up to 8.0.0."""
    url = ASSESS_PLAN["system"]
    before, after = (load_package(package(version)).get(url) for version in (BEFORE, NEXT))
    assert before is not None
    assert after is not None
    assert (before["status"], after["status"]) == ("active", "retired")

    def add(plan: Json) -> None:
        plan["category"][0]["coding"].insert(0, ASSESS_PLAN)

    assert said("CarePlan", NEXT, add) == [RETIRED]
    assert said("CarePlan", NEXT) == []
    assert ASSESS_PLAN["code"] in {
        c["code"] for c in one(written(BEFORE), "CarePlan")["category"][0]["coding"]
    }
    assert said("CarePlan", BEFORE) == []


def test_contributors_must_keep_their_profiles() -> None:
    """CarePlan.contributor was added, with US Core's profiles as its targets."""
    assert "CarePlan.contributor" in elements("careplan", NEXT)
    (kind,) = elements("careplan", NEXT)["CarePlan.contributor"]["type"]
    assert f"{US_CORE}us-core-practitioner" in kind["targetProfile"]
    assert one(written(NEXT), "CarePlan")["contributor"]

    def nobody(plan: Json) -> None:
        plan["contained"] = [{"resourceType": "Practitioner", "id": "nobody"}]
        plan["contributor"] = [{"reference": "#nobody"}]

    assert ("error", "profile.target", "contributor[0]") in said("CarePlan", NEXT, nobody)


def test_what_the_plan_addresses_must_keep_its_profile() -> None:
    """CarePlan.addresses aims at problems and health concerns of US Core; before, at any Condition."""
    (kind,) = elements("careplan", NEXT)["CarePlan.addresses"]["type"]
    assert kind["targetProfile"] == [f"{US_CORE}us-core-condition-problems-health-concerns"]
    assert "CarePlan.addresses" not in elements("careplan", BEFORE)
    bundle = written(NEXT)
    assert one(bundle, "CarePlan")["addresses"]

    def other(plan: Json) -> None:
        plan["contained"] = [{"resourceType": "Condition", "id": "c", "subject": plan["subject"]}]
        plan["addresses"] = [{"reference": "#c"}]

    assert ("error", "profile.target", "addresses[0]") in said("CarePlan", NEXT, other)
    assert all(rule != "profile.target" for _, rule, _ in said("CarePlan", BEFORE, other))

    for entry in bundle["entry"]:  # so a claim falls when its Condition claims nothing
        if entry["resource"]["resourceType"] == "Condition":
            del entry["resource"]["meta"]["profile"]
    us_core.settle(bundle["entry"])
    plans = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "CarePlan"]
    assert not any(url.startswith(US_CORE) for p in plans for url in p.get("meta", {}).get("profile", ()))


@pytest.mark.parametrize("must", ["status", "intent", "subject"])
def test_a_care_plan_must_have_status_intent_and_subject(must: str) -> None:
    """They are what 9.0.0 asks of each CarePlan (us-core-careplan-intro.md)."""
    bundle = written(NEXT)
    del one(bundle, "CarePlan")[must]

    errors = [i for i in check(bundle, against=against(NEXT)).issues if i.severity == "error"]
    assert any(i.expression.endswith(f".resource.{must}") for i in errors)


def test_a_narrative_is_supported_and_its_status_bound() -> None:
    """CarePlan.text is no longer asked for; where it is there, its status is of a required set."""
    told = elements("careplan", NEXT)
    assert told["CarePlan.text"]["mustSupport"] is True
    assert told["CarePlan.text.status"]["binding"]["strength"] == "required"
    plan = one(written(NEXT), "CarePlan")
    assert plan["text"]["div"]
    assert {"goal", "activity", "addresses"} <= plan.keys()

    found = said("CarePlan", NEXT, lambda r: r["text"].update(status="extensions"))
    assert found == [("error", "profile.binding.required", "text.status")]


def test_devices_have_a_profile_that_a_prosthesis_keeps() -> None:
    """us-core-device is new, of any device: its type is 1..1, and in a UDI the device's identifier."""
    told = elements("device", NEXT)
    assert told["Device.type"]["min"] == told["Device.udiCarrier.deviceIdentifier"]["min"] == 1
    assert load_package(package(BEFORE)).get(f"{US_CORE}us-core-device") is None

    def claimed(version: str) -> int:
        return sum(
            e["resource"]["resourceType"] == "Device"
            and any(url.startswith(US_CORE) for url in e["resource"].get("meta", {}).get("profile", ()))
            for e in written(version)["entry"]
        )

    assert claimed(NEXT) > 3
    assert claimed(BEFORE) == 0
    assert said("Device", NEXT, lambda r: r.pop("type")) == [("error", "profile.min", "type")]
    udi = {"carrierHRF": "(10)no device identifier"}
    assert said("Device", NEXT, lambda r: r.update(udiCarrier=[udi])) == [
        ("error", "profile.min", "udiCarrier[0].deviceIdentifier")
    ]


HARMS: list[tuple[str, Callable[[Json], object], str]] = [
    ("Patient", lambda r: r.pop("identifier"), "profile.min"),
    ("Practitioner", lambda r: r.pop("identifier"), "profile.min"),
    ("PractitionerRole", lambda r: r.pop("telecom"), "pd-1"),
    ("RelatedPerson", lambda r: r.pop("active"), "profile.min"),
    ("Organization", lambda r: r.pop("active"), "profile.min"),
    ("CareTeam", lambda r: r["participant"][0].pop("role"), "profile.min"),
    ("Condition", lambda r: r.update(category=[{"text": "problem"}]), "profile.min"),
    ("ServiceRequest", lambda r: r.pop("code"), "profile.min"),
    ("Observation", lambda r: r.pop("category"), "profile.min"),
    ("Provenance", lambda r: r["agent"][0].pop("onBehalfOf"), "provenance-1"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "harm", "rule"), HARMS, ids=[kind for kind, _, _ in HARMS])
def test_each_profile_that_we_claim_is_asked(kind: str, harm: Callable[[Json], object], rule: str) -> None:
    """A resource harmed in one way is found out in 9.0.0, and is clean before."""
    assert said(kind, NEXT) == []
    assert any(level == "error" and told.startswith(rule) for level, told, _ in said(kind, NEXT, harm))


def test_no_profile_that_we_claim_lacks_in_the_next_version() -> None:
    """Each is defined there under the same canonical."""
    found = load_package(package(NEXT))
    claims = {
        url.partition("|")[0]
        for version in us_core.VERSIONS
        for entry in written(version)["entry"]
        for url in entry["resource"].get("meta", {}).get("profile", ())
        if url.startswith(US_CORE)
    }
    assert len(claims) == 14
    assert [url for url in claims if found.get(url) is None] == []


def test_a_package_on_disk_proves_what_was_planned_for_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """``plan --us-core 9.0.0``, ``check --package``: proven; without the package, said not to be checked."""
    out = tmp_path / "bundle.json"
    assert main(["plan", str(RECORDS[0]), "-o", str(out), "--us-core", NEXT]) == 0
    capsys.readouterr()

    def told(*more: str) -> set[str]:
        main(["check", str(out), "--format", "json", *more])
        rules = {i["details"]["coding"][0]["code"] for i in json.loads(capsys.readouterr().out)["issue"]
                 if i.get("details", {}).get("coding")}  # fmt: skip
        return {rule for rule in rules if rule.startswith("profile.")}

    assert "profile.unknown" in told()
    assert told("--package", str(package(NEXT))) == set()
