"""US Core 9.0.0: what each change since 8.0.0 means for what we write, and what the check finds.

``us_core_next`` lays the changes, each with its source, over the package of 8.0.0. A bundle of ours is harmed
in the one way that a change is about, and held against both. Where the guide's own sources have been fetched
(``python -m tests.conformance --prepare``), the table and our claims are held against them too. That every
claim of every plan holds in 9.0.0 is proven in ``test_profiles_claims``.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from fhircare.bundle import to_bundle, us_core
from fhircare.check import Against, check
from fhircare.cli import main
from fhircare.spec.packages import load_package
from tests.conformance import next_sources
from tests.conformance.profiles import package
from tests.plans import whole_plan
from tests.test_profiles_claims import PLANS, RECORDS
from tests.test_profiles_packages import tgz
from tests.us_core_next import (
    BEFORE,
    CHANGES,
    CORE,
    DEVICE,
    NEXT,
    RETIRED,
    US_CORE,
    held_to,
    next_files,
    next_package,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from fhircare.spec.packages import Package

Json = dict[str, Any]
ASSESS_PLAN = {"system": "http://hl7.org/fhir/us/core/CodeSystem/careplan-category", "code": "assess-plan"}
WARNED = ("warning", "profile.code-system-retired", "category[0].coding[0].system")


def elements(profile: str, version: str) -> dict[str, Json]:
    """Return what a profile's snapshot says of its elements, by id."""
    found = (next_package() if version == NEXT else load_package(package(version))).get(US_CORE + profile)
    assert found is not None, profile
    view = found.get("snapshot") or found["differential"]
    return {one["id"]: one for one in view["element"]}


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
        for issue in check(bundle, against=held_to(version)).issues
        if issue.expression.startswith(start) and issue.link.startswith((US_CORE, ASSESS_PLAN["system"]))
    ]


def test_the_changes_are_laid_over_the_version_before() -> None:
    """The same profiles and one more, all of 9.0.0, and each change found where it was made."""
    before, after = load_package(package(BEFORE)), next_package()

    assert {one["url"] for one in after} - {one["url"] for one in before} == {f"{US_CORE}device"}
    assert {one["version"] for one in after} == {NEXT}
    for change in CHANGES:
        told = elements(change.profile, NEXT).get(change.element)
        assert elements(change.profile, BEFORE).get(change.element) != told, change
        assert (told is None) == (not change.told), change
        assert change.source
        assert told is None or all(told.get(key) == value for key, value in change.told.items()), change


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
    before, after = (held.get(url) for held in (load_package(package(BEFORE)), next_package()))
    assert before is not None
    assert after is not None
    assert (before["status"], after["status"]) == ("active", "retired")

    def add(plan: Json) -> None:
        plan["category"][0]["coding"].insert(0, ASSESS_PLAN)

    assert said("CarePlan", NEXT, add) == [WARNED]
    assert said("CarePlan", NEXT) == []
    assert ASSESS_PLAN["code"] in {
        c["code"] for c in one(written(BEFORE), "CarePlan")["category"][0]["coding"]
    }
    assert said("CarePlan", BEFORE) == []


def test_contributors_must_keep_their_profiles() -> None:
    """CarePlan.contributor was added, with US Core's profiles as its targets."""
    assert "CarePlan.contributor" in elements("careplan", NEXT)
    (kind,) = elements("careplan", NEXT)["CarePlan.contributor"]["type"]
    assert f"{US_CORE}practitioner" in kind["targetProfile"]
    assert one(written(NEXT), "CarePlan")["contributor"]

    def nobody(plan: Json) -> None:
        plan["contained"] = [{"resourceType": "Practitioner", "id": "nobody"}]
        plan["contributor"] = [{"reference": "#nobody"}]

    assert ("error", "profile.target", "contributor[0]") in said("CarePlan", NEXT, nobody)


def test_what_the_plan_addresses_must_keep_its_profile() -> None:
    """CarePlan.addresses aims at problems and health concerns of US Core; before, at any Condition."""
    (kind,) = elements("careplan", NEXT)["CarePlan.addresses"]["type"]
    assert kind["targetProfile"] == [f"{US_CORE}condition-problems-health-concerns"]
    (before,) = elements("careplan", BEFORE)["CarePlan.addresses"]["type"]
    assert before["targetProfile"] == [f"{CORE}Condition"]
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

    errors = [i for i in check(bundle, against=held_to(NEXT)).issues if i.severity == "error"]
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
    assert load_package(package(BEFORE)).get(f"{US_CORE}device") is None

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
    found = next_package()
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
    assert told("--package", str(tgz(tmp_path / "next.tgz", next_files()))) == set()


# ------------------------------------------------------------------------------ beside the guide's sources


@pytest.fixture(scope="module")
def guide() -> Package:
    """The guide's sources; skipped where nobody has fetched them."""
    if next_sources.absent():
        pytest.skip(next_sources.absent())
    return next_sources.sources()


def plain(element: Json) -> Json:
    """Return what an element of a differential asks, without texts for people and marks."""
    told = {
        key: element[key]
        for key in ("min", "max", "sliceName", "slicing", "patternCodeableConcept", "patternIdentifier")
        if key in element
    }
    if "type" in element:
        kept = ("code", "profile", "targetProfile")
        told["type"] = [{key: kind[key] for key in kept if key in kind} for kind in element["type"]]
    if "constraint" in element:
        told["constraint"] = [(rule["key"], rule["expression"]) for rule in element["constraint"]]
    if "binding" in element:
        more = {
            (one["url"], part["valueCanonical"])
            for one in element["binding"].get("extension", ())
            for part in (one, *one.get("extension", ()))
            if "valueCanonical" in part
        }
        told["binding"] = (element["binding"]["strength"], element["binding"].get("valueSet"), more)
    return told


def test_the_table_is_what_the_sources_say_and_no_more(guide: Package) -> None:
    """Every change in a profile that we claim is in the table, and stands so in the sources."""
    before = load_package(package(BEFORE))
    changed = {(change.profile, change.element): change.told for change in CHANGES}
    found = set()
    for profile in (*us_core.AIMS, "patient", "practitioner", "organization", "location"):
        if profile == "device":
            continue
        views = [held.get(US_CORE + profile)["differential"]["element"] for held in (before, guide)]  # type: ignore[index]
        old, new = ({one["id"]: plain(one) for one in view} for view in views)
        for name in {*old, *new}:
            if old.get(name, {}) != new.get(name, {}):
                found.add((profile, name))
                said = changed.get((profile, name), {})
                gone = {key for key, value in said.items() if value is None}
                kept = {k: v for k, v in old.get(name, {}).items() if k not in gone} if said else {}
                told = kept | plain({k: v for k, v in said.items() if v is not None})
                assert new.get(name, {}) == told or profile == "location", (profile, name)

    assert found - {("location", "Location.type")} == changed.keys()
    assert {key: plain(one) for key, one in _by_id(DEVICE).items() if plain(one)} == {
        key: plain(one) for key, one in _by_id(guide.get(DEVICE["url"]) or {}).items() if plain(one)
    }
    for url in RETIRED:
        assert (guide.get(url) or {})["status"] == "retired"


def _by_id(definition: Json) -> dict[str, Json]:
    return {one["id"]: one for one in definition["differential"]["element"]}


def test_every_claim_is_proven_by_the_sources_too(guide: Package) -> None:
    """No finding against the guide's own profiles in any of the plans."""
    against = Against((), [guide])
    for name, plan in PLANS.items():
        bundle = to_bundle(plan, validate=False, us_core=NEXT)
        found = [
            i for i in check(bundle, against=against).issues if US_CORE in i.link or "profile." in i.rule
        ]
        assert found == [], name
