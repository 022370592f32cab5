"""Nothing in a bundle can change unseen: what changes either changes the plan or contradicts it."""

from __future__ import annotations

import re
from typing import Any

import pytest

from fhircare.bundle import contradictions, dump, load, read, to_bundle
from fhircare.bundle.agreement import REDUNDANT, redundant
from fhircare.errors import BundleError
from tests.mutating import changed, leaves
from tests.plans import whole_plan

PLAN = whole_plan()


def _shape(path: str, bundle: dict[str, Any]) -> str:
    """Return the path from the resource, indexes left empty."""

    def kind(match: re.Match[str]) -> str:
        return bundle["entry"][int(match[1])]["resource"]["resourceType"]

    below = re.sub(r"^Bundle\.entry\[(\d+)\]\.resource(?=\.)", kind, path)
    return re.sub(r"\[\d+\]", "[]", below)


@pytest.fixture(scope="module")
def outcome() -> dict[str, list[tuple[str, str]]]:
    """Primitives of every shape changed in turn, the first and last few of each; what came of it.

    ``differs``: the plan changed; ``same``: it did not, and the change is a contradiction at its own place;
    ``unseen``: neither; ``refused``: it is no bundle any more.
    """
    bundle = to_bundle(PLAN)
    shapes: dict[str, list[tuple[Any, Any, Any, str]]] = {}
    for leaf in leaves(bundle, "Bundle"):
        shapes.setdefault(_shape(leaf[3], bundle), []).append(leaf)
    del shapes["Bundle.resourceType"]
    found: dict[str, list[tuple[str, str]]] = {}
    for shape, alike in shapes.items():
        enough = alike[:1] if redundant(shape) else [*alike[:3], *alike[3:][-3:]]
        found[shape] = [(leaf[3], _outcome(bundle, leaf)) for leaf in enough]
    return found


def _outcome(bundle: dict[str, Any], leaf: tuple[Any, Any, Any, str]) -> str:
    """Change one primitive, read, put it back: does the plan differ, or does it contradict itself there?"""
    parent, key, value, path = leaf
    parent[key] = changed(value)
    try:
        reading = read(bundle)
    except BundleError:
        return "refused"
    else:
        if reading.plan != PLAN:
            return "differs"
        seen = any(path.startswith(told) for told in contradictions(reading))
        return "same" if seen else "unseen"
    finally:
        parent[key] = value


def test_the_whole_plan_agrees_with_its_bundle() -> None:
    """A bundle just written, or read from text, has nothing unread and contradicts nothing."""
    text = dump(to_bundle(PLAN))
    for bundle in (to_bundle(PLAN), load(text)):
        reading = read(bundle)

        assert reading.plan == PLAN
        assert reading.unread == ()
        assert contradictions(reading) == ()


def test_a_lost_zero_is_a_difference() -> None:
    """52.50 that became 52.5 on the way has lost its precision (R4 decimal)."""
    text = dump(to_bundle(PLAN))

    assert contradictions(read(load(text.replace('"value": 52.50', '"value": 52.5'))))


def test_no_value_changes_unseen(outcome) -> None:
    """Every changed primitive changes the plan, or is reported as a contradiction at its own place."""
    unseen = [path for paths in outcome.values() for path, said in paths if said == "unseen"]

    assert unseen == []


def test_what_never_changes_the_plan_is_listed_with_its_reason(outcome) -> None:
    """A kind of element that the plan is never read from stands in the table of redundant elements."""
    silent = [shape for shape, paths in outcome.items() if all(said == "same" for _, said in paths)]

    assert [shape for shape in silent if not redundant(shape)] == []


def test_every_line_of_the_table_is_needed(outcome) -> None:
    """No pattern of the table stands there for nothing."""
    silent = [shape for shape, paths in outcome.items() if all(said == "same" for _, said in paths)]
    idle = [pattern for pattern, _ in REDUNDANT if not any(re.fullmatch(pattern, shape) for shape in silent)]

    assert idle == []
