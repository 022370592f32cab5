"""Ready-made cases: HL7's examples and validator cases, and thirty small faults of our own."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from fhircare.check import Issue, check

DATA = Path(__file__).parent / "data"
EXAMPLES = DATA / "hl7" / "examples" / "r4"
VALIDATOR = DATA / "hl7" / "validator"
OWN_FAULTS = tomllib.loads((EXAMPLES / "own-faults.toml").read_text(encoding="utf-8"))
LEFT_OUT = {
    name: f"{kind}: {why}"
    for kind, names in tomllib.loads((VALIDATOR / "left-out.toml").read_text(encoding="utf-8")).items()
    for name, why in names.items()
}
MANIFEST = json.loads((VALIDATOR / "manifest.json").read_text(encoding="utf-8"))
SMALL = json.loads((DATA / "check-cases.json").read_text(encoding="utf-8"))


def errors(text: bytes | dict[str, Any], release: str = "R4") -> list[Issue]:
    return [i for i in check(text, release=release).issues if i.severity in {"fatal", "error"}]


@pytest.mark.parametrize("file", sorted(EXAMPLES.glob("*.json")), ids=lambda f: f.stem)
def test_an_official_example_has_no_error_but_its_own(file: Path) -> None:
    """HL7's R4 examples pass; those that break R4's own rules are named, with the rule (own-faults.toml)."""
    found = errors(file.read_bytes())
    own = OWN_FAULTS.get(file.name, {"rules": [], "count": 0})
    assert sorted({i.rule for i in found}) == own["rules"], [(i.rule, i.expression) for i in found]
    assert len(found) == own["count"]


def _plain(place: str) -> str:
    """HL7's places as ours: without the comments, with the choice's name as in the JSON."""
    place = re.sub(r"/\*.*?\*/", "", place)
    return re.sub(r"\.ofType\((\w)(\w*)\)", lambda m: m[1].upper() + m[2], place)


# Cases whose places are counted from one, or name the whole Bundle or resource where ours name the element.
ELSEWHERE = {"bundle-document-versioned-references-bad"}


@pytest.mark.parametrize("case", MANIFEST, ids=lambda c: c["name"])
def test_a_case_of_hl7_comes_out_as_expected(case: dict[str, Any]) -> None:
    """Valid or not as HL7's reference validator says (manifest.json), with an error at one of its places."""
    if case["name"] in LEFT_OUT:
        pytest.skip(LEFT_OUT[case["name"]])
    found = errors((VALIDATOR / case["file"]).read_bytes())
    told = [(i.rule, i.expression) for i in found]
    assert bool(found) == bool(case["errors"]), told
    places = [_plain(p) for i in case["issues"] if i["severity"] == "error" for p in i["expression"]]
    broken = any(i.rule.startswith("json.syntax") for i in found)  # where a parser gives up is its own affair
    if places and not broken and case["name"] not in ELSEWHERE:
        assert any(i.expression.startswith(place) for i in found for place in places), (told, places)


def test_the_cases_left_out_are_named_and_counted() -> None:
    """Of HL7's 74 cases 17 are left out: 11 for other packages, 4 for a setting, 2 for a signature."""
    names = {case["name"] for case in MANIFEST}
    assert set(LEFT_OUT) <= names
    assert len(MANIFEST) == 74
    kinds = [why.partition(":")[0] for why in LEFT_OUT.values()]
    assert [kinds.count(kind) for kind in ("external", "setting", "signature")] == [11, 4, 2]


@pytest.mark.parametrize("name", SMALL)
def test_a_small_case_is_found_unless_it_is_right(name: str) -> None:
    """Thirty small inputs with one fault each, of our own, and one that is right."""
    found = errors(SMALL[name])
    assert bool(found) != name.startswith("valid"), [(i.rule, i.expression) for i in found]
    key = re.match(r"[a-z]+-\d+", name)
    if key:
        assert key[0] in {i.rule for i in found}
