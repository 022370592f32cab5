"""US Core in the bundles we write: every claim is proven by the check, and what could be claimed is.

In each version that can be chosen, on the examples, on plans without a clinic, a person, a phone, and on
plans that hypothesis makes up. What 9.0.0 changes is in ``test_profiles_next``.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import subprocess
import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings

from fhircare.bundle import to_bundle, us_core
from fhircare.bundle.document import handout_entry
from fhircare.check import _compiler, check
from fhircare.check.walk import Walk
from fhircare.cli import plan as verb
from fhircare.delivery import read_delivery
from fhircare.errors import UnknownRelease
from fhircare.follow.keep import approve
from fhircare.planner import make_plan
from fhircare.spec import terms
from tests.conformance.profiles import VERSIONS
from tests.plans import whole_plan
from tests.strategies_plan import plans
from tests.test_bundle_us_core import RECORDS
from tests.us_core_next import NEXT, held_to

if TYPE_CHECKING:
    from fhircare.plan import Plan

Json = dict[str, Any]

US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/"
ALL = (*VERSIONS, NEXT)
WHOLE = whole_plan()
PLANS: dict[str, Plan] = {
    "whole": WHOLE,
    "bare": replace(WHOLE, clinic=None, professionals=(), order=None, limb=None),
    "nobody": replace(WHOLE, patient=None),
    "no number": replace(WHOLE, patient=WHOLE.patient and replace(WHOLE.patient, identifiers=())),
    "no phones": replace(
        WHOLE, professionals=tuple(replace(p, phone="", email="") for p in WHOLE.professionals)
    ),
} | {path.stem: make_plan(read_delivery(path.read_text(encoding="utf-8"))) for path in RECORDS}
# A prosthesis is not implanted: its profile would be misused, though the check would let it pass. The other
# profiles of Observation are of other things (smoking, ...), or other sides of what is claimed already.
NEVER = {"us-core-implantable-device"}


def faults(bundle: Json, version: str) -> list[tuple[str, str]]:
    """Return what the check of the profiles that resources claim finds in a bundle."""
    report = check(bundle, against=held_to(version))
    return [(i.rule, i.expression) for i in report.issues if us_core.BASE in i.link or "profile." in i.rule]


def unclaimed(bundle: Json, version: str) -> set[tuple[str, str]]:
    """Return the type and profile of each resource that keeps a profile of US Core and claims none."""
    compiler = _compiler("R4")
    library = held_to(version).library(compiler)
    walk = Walk(compiler.definitions, compiler.checker)
    walk.root = bundle
    found = set()
    for entry in bundle["entry"]:
        resource = entry["resource"]
        claims = resource.get("meta", {}).get("profile", [])
        if any(url.startswith(us_core.BASE) for url in claims):
            continue
        for definition in library.sources[0]:
            if definition.get("type") == resource["resourceType"]:
                library.forget()
                problem = library.problem(resource, definition["url"], library.env(resource, resource, walk))
                if problem is None:
                    found.add((resource["resourceType"], definition["url"].rsplit("/", 1)[-1]))
    return found


@pytest.mark.parametrize("version", ALL)
@pytest.mark.parametrize("name", PLANS)
def test_every_claim_is_proven_and_everything_provable_is_claimed(name: str, version: str) -> None:
    """No finding against a profile claimed; no resource without a claim that could have one."""
    bundle = to_bundle(PLANS[name], us_core=version)

    assert faults(bundle, version) == []
    assert {profile for _, profile in unclaimed(bundle, version)} <= NEVER


@pytest.mark.parametrize("version", ALL)
def test_a_handout_that_is_filed_keeps_its_claim(version: str) -> None:
    """A DocumentReference of US Core, in the version of the bundle it was rendered from."""
    at = dt.datetime(2026, 11, 26, 9, tzinfo=dt.UTC)
    for name, plan in PLANS.items():
        bundle = to_bundle(plan, validate=False, us_core=version)
        entry = handout_entry(bundle, b"%PDF-", "application/pdf", title="Handout", language="en", at=at)
        assert entry["resource"]["meta"]["profile"] == us_core.claim("documentreference", version), name
        assert faults({**bundle, "entry": [*bundle["entry"], entry]}, version) == [], name


@pytest.mark.parametrize("version", ALL)
@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(plan=plans())
def test_claims_of_any_plan_are_proven(version: str, plan: Plan) -> None:
    """Whatever is unknown in a plan: no claim of any version goes too far."""
    bundle = to_bundle(plan, validate=False, us_core=version)

    assert us_core.version_of(bundle) == version
    assert faults(bundle, version) == []


def test_every_version_that_can_be_chosen_is_proven_here() -> None:
    """No version is offered that these tests leave out."""
    assert set(us_core.VERSIONS) == set(ALL)


def test_the_version_decides_the_claims_and_nothing_else() -> None:
    """The bundles of all versions are the same but for meta.profile; ``none`` claims nothing of US Core.

    But 9.0.0 retires the code system of assess-plan, so a CarePlan that claims it does without.
    """
    bare = {}
    for version in us_core.CHOICES:
        bundle = to_bundle(WHOLE, validate=False, us_core=version)
        claims = [u for e in bundle["entry"] for u in e["resource"].get("meta", {}).pop("profile", ())]
        told = {url.partition("|")[2] for url in claims if url.startswith(us_core.BASE)}
        assert told == ({version} if version != us_core.NONE else set())
        if version == NEXT:
            plan = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "CarePlan")
            plan["category"][0]["coding"].insert(0, terms.coding("careplan-category", "assess-plan"))
        bare[version] = [
            {**e["resource"], "meta": e["resource"].get("meta") or None} for e in bundle["entry"]
        ]

    assert all(one == bare[us_core.DEFAULT] for one in bare.values())


def test_the_version_can_be_read_back() -> None:
    """So that a plan followed on stays in the version it was written in."""
    for version in us_core.CHOICES:
        assert us_core.version_of(to_bundle(WHOLE, validate=False, us_core=version)) == version


def test_a_plan_followed_on_stays_in_its_version() -> None:
    """Approving a plan writes it again, and claims what the one before claimed."""
    draft = next(plan for name, plan in PLANS.items() if name.startswith("anna"))
    at = dt.datetime(2026, 11, 26, 9, tzinfo=dt.UTC)

    for version in us_core.CHOICES:
        assert draft.prosthetist is not None
        by = str(draft.prosthetist.name)
        approved = approve(to_bundle(draft, validate=False, us_core=version), by, at)
        assert approved is not None
        assert us_core.version_of(approved) == version


def test_the_command_offers_the_versions_there_are() -> None:
    """The words of ``--us-core`` are those of the table."""
    import argparse

    parser = argparse.ArgumentParser()
    verb.arguments(parser)

    assert parser.parse_args(["x"]).us_core == us_core.DEFAULT == "8.0.0"
    for version in us_core.CHOICES:
        assert parser.parse_args(["x", "--us-core", version]).us_core == version
    with pytest.raises(UnknownRelease):
        to_bundle(WHOLE, us_core="5.0.1")


def test_the_same_words_in_every_process(tmp_path):
    """What a finding lists does not hang on the order in which a process happens to keep its sets."""
    category = {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "no-such"}
    wrong = {
        "resourceType": "Observation",
        "meta": {"profile": [f"{US_CORE}us-core-simple-observation"]},
        "status": "final",
        "category": [{"coding": [category]}],
        "code": {"text": "girth"},
        "subject": {"reference": "Patient/p"},
    }
    file = tmp_path / "observation.json"
    file.write_text(json.dumps(wrong))

    def said(seed):
        command = [sys.executable, "-m", "fhircare", "check", str(file)]
        return subprocess.run(
            command, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONHASHSEED": seed}
        ).stdout

    assert "Allowed: " in said("1")
    assert said("1") == said("2") == said("3")
