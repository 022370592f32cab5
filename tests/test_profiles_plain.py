"""The quick test of a profile beside the visit, which alone says what a profile means: both say the same.

The visit is held to the standard's words in the other modules of this name, and to HL7's validator.
"""

from __future__ import annotations

import copy
import json
import random
from pathlib import Path
from typing import Any

import pytest

from fhircare.check import Against, check
from fhircare.check.profiles import claims
from fhircare.check.profiles.library import Library
from tests.conformance.profiles import against, examples, mutants

Json = dict[str, Any]
ROOT = Path(__file__).parent.parent
BUNDLES = sorted((ROOT / "examples" / "bundles").glob("*.json"))
CASES = sorted((ROOT / "tests" / "data" / "profiles").rglob("*.json"))
ODD: tuple[Any, ...] = (None, [], [None], {}, "x", 7, [{}], {"coding": None}, [{"url": ["x"], "system": 1}],
       {"coding": [{"system": ["x"], "code": "c"}]}, {"coding": [{"system": "x", "code": {}}]})  # fmt: skip
"""What stands where something else is due."""


def odd(resource: Json, chance: random.Random) -> Json:
    """Return a resource with one of its members, or one within, made odd."""
    mutant = copy.deepcopy(resource)
    holder = mutant
    while True:
        key = chance.choice([key for key in holder if key != "resourceType"] or ["x"])
        inner = holder.get(key)
        inner = inner[0] if isinstance(inner, list) and inner else inner
        if not isinstance(inner, dict) or chance.random() < 0.5:
            break
        holder = inner
    if chance.random() < 0.2:
        holder[f"_{key}"] = {"extension": [{"url": "urn:x", "valueBoolean": True}]}
    else:
        holder[key] = copy.deepcopy(chance.choice(ODD))
    return mutant


def kept() -> list[tuple[str, Json, Against]]:
    """Return resources that claim profiles, ours and US Core's: one of each kind, then US Core's examples."""
    found: list[tuple[str, Json, Against]] = []
    counted: dict[str, int] = {}
    for entry in json.loads(BUNDLES[0].read_text(encoding="utf-8"))["entry"]:
        resource = entry["resource"]
        claimed = str((resource["resourceType"], resource.get("meta", {}).get("profile")))
        counted[claimed] = counted.get(claimed, 0) + 1
        if counted[claimed] == 1:
            found.append((claimed, resource, Against()))
    found += [(path.stem, json.loads(path.read_text(encoding="utf-8")), Against()) for path in CASES]
    asked = ["http://hl7.org/fhir/us/core/StructureDefinition/us-core-patient"]
    held = Against(asked, against("8.0.0").packages)
    return [*found, *((name, one, held) for name, one in sorted(examples("8.0.0").items())[::2])]


@pytest.fixture
def visited(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Checks a resource by visits alone."""

    def check_by_visits(resource: Json, held: Against) -> list[Any]:
        with monkeypatch.context() as patched:
            patched.setattr(Library, "plain", lambda *_: lambda _value, _env: False)
            return check(resource, against=held, release="R4").issues

    return check_by_visits


def test_both_find_the_same(visited: Any) -> None:
    """In resources that keep their profiles, with one fault each, and with what no structure allows."""
    compared = faulty = 0
    chance = random.Random(20261125)  # noqa: S311 - a fixed seed, nothing secret
    for name, resource, held in kept():
        hurt = list(mutants(resource))
        for mutant in [resource, *chance.sample(hurt, 2), *(odd(resource, chance) for _ in range(3))]:
            told = check(mutant, against=held, release="R4").issues
            assert told == visited(mutant, held), (name, json.dumps(mutant))
            compared += 1
            faulty += any(one.severity == "error" for one in told)

    assert faulty > 300
    assert compared - faulty > 100


def test_a_whole_plan_with_one_fault(visited: Any) -> None:
    """References are followed across a bundle the same way, and what they lead to is judged the same."""
    bundle = json.loads(BUNDLES[1].read_text(encoding="utf-8"))
    at = next(i for i, one in enumerate(bundle["entry"]) if one["resource"]["resourceType"] == "Patient")
    for fault, mutant in list(mutants(bundle["entry"][at]["resource"]))[::6]:
        entries = [
            *bundle["entry"][:at],
            {**bundle["entry"][at], "resource": mutant},
            *bundle["entry"][at + 1 :],
        ]
        whole = {**bundle, "entry": entries}
        assert check(whole).issues == visited(whole, Against()), fault


@pytest.mark.parametrize("path", BUNDLES, ids=lambda path: path.stem)
def test_our_own_plans_need_no_visit(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The quick test knows all that is usual: a plan of ours costs no visit at all."""

    def visit(*_: Any) -> None:
        raise AssertionError

    monkeypatch.setattr(claims, "Visit", visit)

    assert check(path.read_bytes()).issues == []
