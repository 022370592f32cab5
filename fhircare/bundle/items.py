"""One resource of another system as an item: what it is called, and what else it says."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.bundle.elements import CODES, FACTS, TITLE
from fhircare.bundle.retold import Fact, Item
from fhircare.bundle.told import Told, leaves, tell

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.bundle.located import Node
    from fhircare.bundle.source import Source


def items_of(source: Source, found: Iterable[Node]) -> tuple[Item, ...]:
    """Retell resources; one that says no more than its state and its days is left to be named."""
    items = (item_of(source, one.kind, one) for one in found)
    bare = {"code", "day", "moment", "span"}
    return tuple(item for item in items if item.title or any(f.told.kind not in bare for f in item.facts))


def named_only(reference: Node, kind: str) -> list[Item]:
    """Retell a reference that leads nowhere by what it displays, in a list; empty without a display."""
    display = reference.text("display")
    if not display:
        return []
    return [Item(kind, Told("text", display.value, display.path, leaves(reference)), (), reference.path)]


def item_of(source: Source, kind: str, one: Node) -> Item:
    """Retell a resource, or an element of this kind, by the rows of ``elements``."""
    title = next((told for told in _all(source, one, TITLE[kind]) if told[1].kind == "text"), None)
    name = title[1] if title else None
    facts = [
        Fact(element.partition("[")[0] if "actor" in element else element.rpartition(".")[2], told)
        for element, told in _all(source, one, FACTS[kind])
        if name is None or told.path != name.path
    ]
    parts = [_target(source, target) for target in one.items("target")] if kind == "Goal" else []
    return Item(kind, name, tuple(facts), one.path, tuple(part for part in parts if part is not None))


def _all(source: Source, one: Node, elements: tuple[str, ...]) -> Iterator[tuple[str, Told]]:
    for element in elements:
        for node in _places([one], element.split(".")):
            told = _coded(source, node) if element in CODES else tell(source, node)
            if told is None and element.endswith("Timing"):
                told = Told("unsaid", None, node.path, ())  # a task must not look as if it had no schedule
            if told is not None:
                yield element, told


def _places(nodes: list[Node], steps: list[str]) -> list[Node]:
    """Return the nodes that a path such as ``content[].attachment.title`` leads to; arrays are opened."""
    for step in steps:
        name = step.removesuffix("[]")
        nodes = [below for node in nodes for below in (node.items(name) or [node.get(name)])]
    # A primitive that repeats is an array of values, which items() opens too.
    return [node for node in nodes if node.value is not None and not isinstance(node.value, list)]


def _coded(source: Source, node: Node) -> Told | None:
    if isinstance(node.value, str) and node.value:
        return Told("code", node.value, node.path, (node.path,))
    concept = tell(source, node) if isinstance(node.value, dict) else None
    if concept is None:
        return None
    code = node.first("coding").word("code")
    return Told("code", code, concept.path, concept.paths) if code and not node.word("text") else concept


def _target(source: Source, target: Node) -> Item | None:
    """Retell a target of a goal: its measure with the value to reach, or nothing."""
    detail = next(
        (
            told
            for kind in ("Quantity", "Range", "CodeableConcept", "String", "Boolean", "Integer")
            if (told := tell(source, target.get(f"detail{kind}"))) is not None
        ),
        None,
    )
    measure = tell(source, target.get("measure"))
    if detail is None and target.value and any(name.startswith("detail") for name in target.value):
        return None
    due = tell(source, target.get("dueDate"))
    facts = [Fact("detail", detail)] if detail else []
    facts += [Fact("dueDate", due)] if due else []
    return Item("target", measure, tuple(facts), target.path) if measure or detail or due else None
