"""Properties: a valid Bundle made of anything valid never alarms; one fault made anywhere is always found."""

from __future__ import annotations

import copy
import json
from typing import TYPE_CHECKING, Any

from hypothesis import given, settings
from hypothesis import strategies as st

from fhircare.check import check
from fhircare.spec import definitions
from tests.conformance.mutants import MAKERS
from tests.conformance.suite import _numbers, errors, known, seeds

if TYPE_CHECKING:
    from tests.conformance.mutants import Seed

R4 = definitions("R4")
SOUND: list[Seed] = [seed for seed in seeds() if not errors(json.dumps(seed[1]).encode())]
# Whole Bundles, and what is contained in no Bundle by its nature.
LOOSE = [
    r for _, r in SOUND if r["resourceType"] not in {"Bundle", "Parameters", "OperationOutcome", "Binary"}
]
BASE = "http://example.org/fhir/"


def _entry(kind: str, number: int, resource: dict[str, Any]) -> dict[str, Any]:
    """One entry as its Bundle's type wants it."""
    held = copy.deepcopy(resource)
    held["id"] = f"x{number}"
    name = held["resourceType"]
    place = f"{name}/x{number}"
    entry: dict[str, Any] = {"fullUrl": BASE + place, "resource": held}
    if kind == "searchset":
        entry["search"] = {"mode": "include" if number else "match"}
    if kind in {"transaction", "batch", "history"}:
        entry["request"] = {"method": "PUT", "url": place}
    if kind == "transaction" and number % 2:
        del held["id"]
        entry["fullUrl"] = f"urn:uuid:00000000-0000-4000-8000-{number:012d}"
        entry["request"] = {"method": "POST", "url": name}
    if kind == "history":
        entry["response"] = {"status": "200"}
    return entry


def bundle(kind: str, resources: list[dict[str, Any]]) -> dict[str, Any]:
    """A Bundle of one type around any resources."""
    made: dict[str, Any] = {"resourceType": "Bundle", "type": kind}
    entries = [_entry(kind, number, resource) for number, resource in enumerate(resources)]
    if kind == "searchset":
        made["link"] = [{"relation": "self", "url": BASE + resources[0]["resourceType"]}]
        made["total"] = len(entries)
    if kind == "document":
        section = {"title": "All", "entry": [{"reference": e["fullUrl"]} for e in entries]}
        composition = {
            "resourceType": "Composition",
            "id": "c",
            "status": "final",
            "type": {"text": "all"},
            "date": "2026-01-01",
            "title": "All",
            "author": [{"display": "A clinic"}],
            "section": [section],
        }
        made |= {"identifier": {"system": BASE, "value": "1"}, "timestamp": "2026-01-01T00:00:00Z"}
        entries.insert(0, {"fullUrl": BASE + "Composition/c", "resource": composition})
    return made | {"entry": entries}


KINDS = ["collection", "searchset", "transaction", "batch", "history", "document"]


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(KINDS), st.lists(st.sampled_from(LOOSE), min_size=1, max_size=4))
def test_a_valid_bundle_never_alarms(kind: str, resources: list[dict[str, Any]]) -> None:
    """Any official examples, in a Bundle of any type, as R4 bundle.html wants it: no error."""
    made = bundle(kind, resources)
    found = [(i.rule, i.expression) for i in check(made).issues if i.severity in {"fatal", "error"}]
    assert found == []


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(MAKERS), st.sampled_from(SOUND), st.integers())
def test_one_fault_is_always_found(maker: tuple[str, Any], source: Seed, seed: int) -> None:
    """Any class of fault, in any sound resource, at any place that the numbers choose."""
    fault, make = maker
    for mutant in make(source, _numbers(seed)):
        found = errors(mutant.text, mutant.level)
        assert found, (fault, mutant.name)
        if mutant.places:
            assert any(i.expression in mutant.places for i in found), (mutant.name, mutant.places)
        assert mutant.twin is None or not errors(mutant.twin), mutant.name
        assert not known(mutant)


@settings(deadline=None, max_examples=40)
@given(st.sampled_from(LOOSE), st.randoms(use_true_random=False))
def test_the_order_of_members_changes_nothing(resource: dict[str, Any], rng: Any) -> None:
    """JSON objects have no order: https://hl7.org/fhir/R4/json.html."""

    def shuffled(value: Any) -> Any:
        if isinstance(value, dict):
            names = list(value)
            rng.shuffle(names)
            return {name: shuffled(value[name]) for name in names}
        return [shuffled(v) for v in value] if isinstance(value, list) else value

    def told(made: dict[str, Any]) -> list[tuple[str, str]]:
        return sorted((i.rule, i.expression) for i in check(made).issues)

    assert told(shuffled(resource)) == told(resource)


@settings(deadline=None, max_examples=40)
@given(st.sampled_from(SOUND), st.randoms(use_true_random=False))
def test_no_json_upsets_the_check(source: Seed, rng: Any) -> None:
    """Any value put anywhere gives a report, never a traceback."""
    made = copy.deepcopy(source[1])
    holders: list[Any] = [made]
    for holder in holders:
        inner = holder.values() if isinstance(holder, dict) else holder
        holders.extend(v for v in inner if isinstance(v, dict | list))
    holder = rng.choice([h for h in holders if h])
    key = rng.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
    holder[key] = rng.choice([None, 5, -1.5, "", "x", [], {}, [[]], [{}], {"a": {}}, True, [None], {"id": 5}])
    assert isinstance(check(made).issues, list)


def test_every_resource_type_can_be_asked_about() -> None:
    """An empty resource of each of R4's 146 concrete types is told what it lacks, or passes."""
    assert len(R4.resource_types) == 146
    for name in R4.resource_types:
        assert all(i.expression.startswith(name) for i in check({"resourceType": name}).issues)
