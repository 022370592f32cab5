"""Hypothesis strategies: resources of any type, shaped as the definitions of a release say.

Structure is right (names, lists, choices, required elements, required codes); values are small and mean
nothing, and some are what converters trip over: a type's name in a reference, an element with nothing but
extensions, a list whose places are half empty.
"""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from fhircare.spec import definitions

_NOTHING_BUT = st.sampled_from(
    [
        {"extension": [{"url": "urn:a", "valueString": "x"}]},
        {"extension": [{"url": "urn:b", "valueCodeableConcept": {"text": "t"}}]},
    ]
)
_PRIMITIVES: dict[str, st.SearchStrategy[Any]] = {
    "boolean": st.booleans(),
    "integer": st.integers(-5, 5),
    "unsignedInt": st.integers(0, 9),
    "positiveInt": st.integers(1, 9),
    "integer64": st.integers(-5, 5).map(str),
    "decimal": st.decimals(-99, 99, places=2),
    "date": st.sampled_from(["2026-11-25", "2026-11", "2026"]),
    "dateTime": st.sampled_from(["2026-11-25T10:00:00Z", "2026-11-25", "2026"]),
    "instant": st.just("2026-11-25T10:00:00Z"),
    "time": st.just("10:00:00"),
}
_TEXTS = st.sampled_from(["a", "bc", "urn:x", "DeviceUseStatement/1", "DeviceUsage/2", "http://a.example/x"])
_LEFT_OUT = {"contained", "implicitRules", "extension", "modifierExtension"}


@st.composite
def objects(draw: st.DrawFn, release: str, node: str, depth: int) -> dict[str, Any]:
    """An object of a node: what it requires, and a few of its other elements."""
    if node == "Extension":
        return draw(_NOTHING_BUT)["extension"][0]
    found = definitions(release).node(node)
    assert found is not None
    elements = {e.name: e for e in found.elements.values() if e.name not in _LEFT_OUT and e.names}
    chosen = draw(st.sets(st.sampled_from(sorted(elements)), min_size=1, max_size=6 if depth > 1 else 3))
    made: dict[str, Any] = {}
    for name in sorted(chosen | {one for one, element in elements.items() if element.min}):
        element = elements[name]
        key = draw(st.sampled_from(sorted(element.names)))
        inner = element.node or element.names[key].code
        if inner == "Resource":
            continue
        if not element.node and (inner in definitions(release).primitive_types or inner == "xhtml"):
            made |= draw(_primitive(release, element, key))
        elif element.min or depth > 0 or (element.node and depth > -2):
            one = objects(release, inner, depth - 1)
            made[key] = draw(st.lists(one, min_size=1, max_size=2)) if element.is_list else draw(one)
    if "extension" in found.elements and draw(st.integers(0, 4)) == 0:
        made |= draw(_NOTHING_BUT)
    return made


@st.composite
def _primitive(draw: st.DrawFn, release: str, element: Any, key: str) -> dict[str, Any]:
    """An element with a value, with what belongs to it, or with that alone."""
    allowed = None
    if element.binding and element.binding.strength == "required" and element.binding.value_set:
        allowed = definitions(release).value_set(element.binding.value_set)
    kind = element.names[key].code
    value = _PRIMITIVES.get(kind, _TEXTS)
    if kind == "code" and allowed and allowed.codes and not allowed.open:
        value = st.sampled_from(sorted(allowed.codes))
    if element.is_list:
        values = draw(st.lists(value, min_size=1, max_size=2))
        beside = draw(st.lists(st.none() | _NOTHING_BUT, min_size=len(values), max_size=len(values)))
        return {key: values} | ({f"_{key}": beside} if any(beside) else {})
    says = draw(st.integers(0, 9))
    made = {key: draw(value)} if says != 1 else {}
    return made | ({f"_{key}": draw(_NOTHING_BUT)} if says < 2 else {})


def resources(release: str, *types: str) -> st.SearchStrategy[dict[str, Any]]:
    """A resource of one of these types."""
    return st.sampled_from(sorted(types)).flatmap(
        lambda kind: objects(release, kind, 2).map(lambda body: {"resourceType": kind} | body)
    )
