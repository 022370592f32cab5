"""Our own profiles: valid definitions that our bundles keep, each rule of which something breaks."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings

from fhircare.bundle import to_bundle
from fhircare.bundle.profiles import claims, profile_of
from fhircare.check import Against, check
from fhircare.spec import terms
from fhircare.spec.packages import load_packages
from tests.guide import CORE, PUBLISHED, guide
from tests.strategies_plan import plans

if TYPE_CHECKING:
    from fhircare.plan import Plan

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "fhircare" / "profiles"
CASES = ROOT / "tests" / "data" / "profiles"
BASE = "https://fhircare.github.io/fhir"
FAULTS: dict[str, dict[str, dict[str, str]]] = tomllib.loads((CASES / "faults.toml").read_text("utf-8"))
OURS = Against([], load_packages(FOLDER).packages)


def _definitions(kind: str) -> list[dict[str, Any]]:
    return [json.loads(path.read_text("utf-8")) for path in sorted(FOLDER.glob(f"{kind}-*.json"))]


PROFILES = [one["id"] for one in _definitions("StructureDefinition") if one["type"] != "Extension"]


def _errors(resource: dict[str, Any] | bytes, against: Against = OURS) -> list[tuple[str, str]]:
    issues = check(resource, against=against).issues
    return [(one.rule, one.expression) for one in issues if one.severity in {"error", "fatal"}]


# ------------------------------------------------------------------ the definitions themselves


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*-*.json")), ids=lambda path: path.stem)
def test_every_definition_is_a_valid_resource_of_r4(path: Path) -> None:
    """StructureDefinitions, ValueSets and CodeSystems pass the check of the standard without a word."""
    assert [(one.rule, one.expression) for one in check(path.read_bytes()).issues] == []


def test_every_definition_stands_under_its_canonical() -> None:
    """File name, id and canonical agree; a profile is a differential on R4's own type."""
    for path in FOLDER.glob("*-*.json"):
        one = json.loads(path.read_text("utf-8"))
        assert path.name == f"{one['resourceType']}-{one['id']}.json"
        assert one["url"] == f"{BASE}/{one['resourceType']}/{one['id']}"
        if one["resourceType"] == "StructureDefinition":
            assert one["derivation"] == "constraint"
            assert one["fhirVersion"] == "4.0.1"
            assert one["baseDefinition"] == f"http://hl7.org/fhir/StructureDefinition/{one['type']}"
            assert "snapshot" not in one


def test_code_systems_are_the_terms_we_write() -> None:
    """Each code system holds the codes and displays of ``spec/terms.toml``, and no other."""
    for one in _definitions("CodeSystem"):
        held = terms.systems()[one["id"]]
        assert one["url"] == held["uri"]
        assert {concept["code"]: concept["display"] for concept in one["concept"]} == held["codes"]


def test_value_sets_take_only_codes_that_are_there() -> None:
    """A code of ours in a value set stands in the code system it names; every binding leads to a set."""
    codes = {
        one["url"]: {concept["code"] for concept in one["concept"]} for one in _definitions("CodeSystem")
    }
    sets = {one["url"] for one in _definitions("ValueSet")}
    for one in _definitions("ValueSet"):
        for include in one["compose"]["include"]:
            if include["system"].startswith(BASE):
                assert {c["code"] for c in include.get("concept", [])} <= codes[include["system"]]
    for one in _definitions("StructureDefinition"):
        for element in one["differential"]["element"]:
            assert "binding" not in element or element["binding"]["valueSet"] in sets


def test_the_list_of_extensions_is_short_and_each_says_why() -> None:
    """Two extensions of ours, no other stands in a bundle, and each tells which standard way falls short."""
    held = {one["url"]: one for one in _definitions("StructureDefinition") if one["type"] == "Extension"}
    assert set(held) == {
        f"{BASE}/StructureDefinition/{name}" for name in ("order-parameter", "warranty-until")
    }
    for one in held.values():
        assert "R5" in one["purpose"]
        assert "xtension" in one["purpose"]
    written = set()
    for path in (ROOT / "examples" / "bundles").glob("*.json"):
        written |= {url for url in _urls(json.loads(path.read_text("utf-8"))) if url.startswith("http")}
    assert {url for url in written if url.startswith(BASE)} == set(held)
    assert {url for url in written if not url.startswith(BASE)} <= {CORE + name for name in PUBLISHED}
    code = "".join(path.read_text("utf-8") for path in (ROOT / "fhircare" / "bundle").glob("*.py"))
    assert [name for name in PUBLISHED if name not in code] == []


def _urls(value: Any) -> set[str]:
    if isinstance(value, list):
        return {url for one in value for url in _urls(one)}
    if not isinstance(value, dict):
        return set()
    own = {str(one["url"]) for one in value.get("extension", []) if isinstance(one, dict)}
    return own | {url for one in value.values() for url in _urls(one)}


# ------------------------------------------------------------------ what keeps them, what breaks them


def test_each_profile_has_a_resource_that_keeps_it_and_some_that_break_it() -> None:
    """Every profile has its folder, every file in it its expected finding, and no finding lacks its file."""
    assert {path.name for path in CASES.iterdir() if path.is_dir()} == set(PROFILES) == set(FAULTS)
    for name in PROFILES:
        broken = {path.stem.removeprefix("fails-") for path in (CASES / name).glob("fails-*.json")}
        assert broken == set(FAULTS[name])
        assert len(broken) > 5


@pytest.mark.parametrize("name", PROFILES)
def test_a_resource_that_keeps_its_profile_has_no_finding(name: str) -> None:
    """The resource claims the profile, and neither the profile nor R4 finds anything."""
    content = (CASES / name / "passes.json").read_bytes()

    assert f"{BASE}/StructureDefinition/{name}" in json.loads(content)["meta"]["profile"]
    assert [one.rule for one in check(content, against=OURS).issues] == []


@pytest.mark.parametrize(
    ("name", "fault"), [(name, fault) for name, faults in FAULTS.items() for fault in faults]
)
def test_a_resource_breaks_its_profile_for_one_reason(name: str, fault: str) -> None:
    """One error, of the rule and at the place that are told; without the profile there is none."""
    content = (CASES / name / f"fails-{fault}.json").read_bytes()
    told = FAULTS[name][fault]
    unclaimed = json.loads(content)
    del unclaimed["meta"]["profile"]

    assert _errors(content) == [(told["rule"], told["at"])]
    extension = fault == "warranty-text" or fault.startswith("parameter-")  # held to its own definition
    assert (_errors(unclaimed) == []) is not extension


# ------------------------------------------------------------------ what we write keeps them


def _claiming(bundle: dict[str, Any]) -> set[str]:
    """Let every resource claim what ``profile_of`` says of it; return the profiles claimed."""
    for entry in bundle["entry"]:
        meta = entry["resource"].setdefault("meta", {})
        meta["profile"] = list(dict.fromkeys([*meta.get("profile", []), *claims(entry["resource"])]))
        if not meta["profile"]:
            del meta["profile"]
    return {profile_of(entry["resource"]) for entry in bundle["entry"]} - {""}


@pytest.mark.parametrize("path", sorted((ROOT / "examples" / "bundles").glob("*.json")), ids=lambda p: p.stem)
def test_the_examples_keep_every_profile(path: Path) -> None:
    """Each example bundle has resources of all seven profiles, and all of them keep theirs."""
    bundle = json.loads(path.read_text("utf-8"))

    assert _claiming(bundle) == set(PROFILES)
    assert _errors(bundle) == []


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(plans())
def test_any_plan_keeps_what_it_claims(plan: Plan) -> None:
    """Whatever a plan holds or lacks: a claim that is made is borne out."""
    bundle = to_bundle(plan, validate=False)
    _claiming(bundle)

    assert [one for one in _errors(bundle) if one[0].startswith(("profile.", "fcp"))] == []


# ------------------------------------------------------------------ the guide


def test_the_guide_is_what_the_definitions_say() -> None:
    """The committed page is the one that is made: ``make guide``."""
    assert (ROOT / "docs" / "guide.md").read_text("utf-8") == guide()


def test_the_guide_tells_every_rule_once() -> None:
    """Each profile has a table with a row for each element it sets, and links that lead somewhere."""
    page = guide()
    for one in _definitions("StructureDefinition"):
        assert page.count(f"`{one['url']}`") == 1
    anchors = {line.split('"')[1] for line in page.splitlines() if line.startswith('<a id="')}
    titles = {line.lstrip("# ") for line in page.splitlines() if line.startswith("## ")}
    made = {"".join(c for c in t.lower() if c.isalnum() or c in " -").replace(" ", "-") for t in titles}
    links = {part.partition(")")[0] for part in page.split("](#")[1:]}
    assert links <= anchors | made
