"""From an expression to line and column: the place shown is where the element's name or value stands."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from fhircare.check.position import Places

NAMES = st.text(alphabet="abcdefgh", min_size=1, max_size=4)
LEAVES = st.one_of(st.none(), st.booleans(), st.integers(), st.text(max_size=8))
TREES = st.dictionaries(
    NAMES,
    st.recursive(
        LEAVES,
        lambda t: st.one_of(st.lists(t, max_size=3), st.dictionaries(NAMES, t, max_size=3)),
        max_leaves=12,
    ),
    max_size=4,
)


def _walk(value: Any, path: str = "Root") -> list[tuple[str, str | None, Any]]:
    """Return each element's expression, its name (None in an array) and its value."""
    found: list[tuple[str, str | None, Any]] = []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        name = key if isinstance(key, str) else None
        here = f"{path}.{key}" if name is not None else f"{path}[{key}]"
        found += [(here, name, inner), *_walk(inner, here)]
    return found


@given(TREES, st.sampled_from([None, 0, 1, 2]))
def test_every_element_is_found_where_it_stands(tree: dict[str, Any], indent: int | None) -> None:
    """The text at the place begins with the element's name, or in an array with its value."""
    text = json.dumps(tree, indent=indent)
    places, lines = Places(text), text.split("\n")
    for expression, name, value in _walk(tree):
        line, column = places.of(expression)
        there = "\n".join([lines[line - 1][column - 1 :], *lines[line:]])
        expected = json.dumps(name) if name is not None else json.dumps(value)[:1]
        assert there.startswith(expected)


def test_what_is_missing_is_shown_at_what_should_hold_it() -> None:
    text = '{\n  "period": {\n    "start": "2026"\n  }\n}'
    assert Places(text).of("CarePlan.period.end") == (2, 3)
    assert Places(text).of("CarePlan.status") == (1, 1)


def test_what_belongs_to_a_primitive_is_found_beside_it() -> None:
    """FHIRPath knows no underscore: ``_birthDate.extension`` is ``birthDate.extension``."""
    text = '{\n "birthDate": "1970",\n "_birthDate": {\n  "extension": [\n   {"url": "x"}]}}'
    assert Places(text).of("Patient.birthDate") == (2, 2)
    assert Places(text).of("Patient.birthDate.extension[0].url") == (5, 5)


def test_a_name_given_twice_is_seen_with_its_place() -> None:
    text = '{"a": {"b": 1,\n "b": 2}, "a ": 3}'
    places = Places(text)
    assert [(path, places.at(offset)) for path, offset in places.duplicates] == [(".a.b", (2, 2))]


def test_columns_count_characters() -> None:
    """Editors count characters, not bytes: an umlaut before the element does not shift it."""
    assert Places('{"ä": "ö", "b": 1}').of("X.b") == (1, 12)
