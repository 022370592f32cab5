"""Which element of R4 is which element of R5, node by node: from the rules, else from the definitions.

What no rule names is paired by the definitions themselves: the same name and kind passes as it is; a list
where the other has one value, a CodeableReference where the other has a CodeableConcept, a Reference or a
pair of both, and a code whose value sets differ get their lens here. An element that the other release does
not have gets the lens that leads nowhere, and is kept by that (``kept``).
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.releases import lens as made
from fhircare.releases.rules import CODES, FILLS, NODES, RULES
from fhircare.releases.shape import Slot, shape

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.releases.lens import Lens
    from fhircare.releases.table import Json

ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_HOMEWARD = {theirs: mine for mine, theirs in NODES.items()}


class Pairing(NamedTuple):
    """How the elements of two nodes correspond.

    Attributes:
        lenses: One for every element that does not pass as it is.
        by_r4: Each name of R4 that has a lens → the lens's place.
        by_r5: Each name of R5 that has one → its place.
        fills_r5: What stands in R5 for an element that only R5 requires, by element.
        fills_r4: The same in R4.
    """

    lenses: tuple[Lens, ...]
    by_r4: dict[str, int]
    by_r5: dict[str, int]
    fills_r5: dict[str, Json]
    fills_r4: dict[str, Json]


def counterpart(node: str, *, to_r5: bool) -> str:
    """Return the id that a node has in the other release, if it is there."""
    table = NODES if to_r5 else _HOMEWARD
    if node in table:
        return table[node]
    head, dot, tail = node.partition(".")
    return table.get(head, head) + dot + tail


@cache
def pairing(r4: str, r5: str) -> Pairing:
    """Return how the elements of two nodes correspond."""
    mine, theirs = shape("R4", r4), shape("R5", r5)
    lenses = list(RULES.get(r4, ()))
    done_r4 = {name for lens in lenses for name in lens.r4}
    done_r5 = {name for lens in lenses for name in lens.r5}
    left_r4 = {name: slot for name, slot in mine.items() if name not in done_r4}
    left_r5 = {name: slot for name, slot in theirs.items() if name not in done_r5}
    lenses += _pairs(left_r4, left_r5)
    fills_r5 = _fills("R5", r5, theirs, mine, done_r5)
    fills_r4 = _fills("R4", r4, mine, theirs, done_r4)
    for name in sorted(left_r4.keys() & left_r5.keys()):
        found = _same_name(r4, left_r4[name], left_r5[name])
        filled = left_r5[name].element in fills_r5 or left_r4[name].element in fills_r4
        if found is None and filled:
            found = made.renamed(name, name)
        if found is not None:
            lenses.append(found)
    taken_r4 = {name for lens in lenses for name in lens.r4}
    taken_r5 = {name for lens in lenses for name in lens.r5}
    lenses += [made.nowhere(r4=(n,)) for n in left_r4 if n not in taken_r4 and n not in left_r5]
    lenses += [made.nowhere(r5=(n,)) for n in left_r5 if n not in taken_r5 and n not in left_r4]
    return Pairing(
        tuple(lenses),
        {name: place for place, lens in enumerate(lenses) for name in lens.r4},
        {name: place for place, lens in enumerate(lenses) for name in lens.r5},
        fills_r5,
        fills_r4,
    )


def _pairs(mine: dict[str, Slot], theirs: dict[str, Slot]) -> Iterator[Lens]:
    """Yield lenses for R4's pairs that R5 has as one CodeableReference; take their names out of both."""
    for name, slot in list(theirs.items()):
        if slot.type != "CodeableReference":
            continue
        for concept, reference in (
            (f"{name}Code", f"{name}Reference"),
            (f"{name}CodeableConcept", f"{name}Reference"),
        ):
            if concept not in theirs and {concept, reference} <= mine.keys():
                many = mine[concept].is_list
                yield made.joined(concept, reference, name, many_r4=many, many_r5=slot.is_list)
                del mine[concept], mine[reference], theirs[name]
                break


def _same_name(node: str, mine: Slot, theirs: Slot) -> Lens | None:
    """Return the lens of an element with the same name in both; None when it passes as it is."""
    if theirs.type == "CodeableReference" and mine.type in {"CodeableConcept", "Reference"}:
        field = "concept" if mine.type == "CodeableConcept" else "reference"
        return made.wrapped(mine.name, mine.name, field, many_r4=mine.is_list, many_r5=theirs.is_list)
    if _kind(mine) != _kind(theirs) and mine.node != counterpart(theirs.node, to_r5=False):
        return made.Lens((mine.name,), (mine.name,), lambda _: {}, lambda _: {})
    if mine.is_list != theirs.is_list:
        return made.counted(mine.name, many_r4=mine.is_list)
    table = CODES.get(f"{node}.{mine.element}", {})
    if mine.codes != theirs.codes or table:
        return made.coded(mine.name, table, mine.codes, theirs.codes)
    if {mine.type, theirs.type} == {"date", "dateTime"}:
        return _narrowed(mine, theirs)
    return None


def _kind(slot: Slot) -> str:
    """Return what two slots must share for a value to pass: the node, or how a primitive looks in JSON."""
    if slot.node:
        return slot.node
    if slot.type in {"boolean", "decimal"}:
        return slot.type
    return "number" if slot.type in {"integer", "unsignedInt", "positiveInt"} else "text"


def _narrowed(mine: Slot, theirs: Slot) -> Lens:
    """Return the lens of a moment that is a day in one of the releases."""
    name = mine.name

    def day(part: Json) -> Json:
        value = part.get(name)
        return part | {name: value[:10]} if isinstance(value, str) else part

    def same(part: Json) -> Json:
        return part

    return made.Lens(
        (name,), (name,), day if theirs.type == "date" else same, day if mine.type == "date" else same
    )


def _fills(
    release: str, node: str, own: dict[str, Slot], other: dict[str, Slot], ruled: set[str]
) -> dict[str, Json]:
    """Return, by element, what stands where only this release requires something."""
    needed = {slot.element for slot in own.values() if slot.required}
    there = {slot.element for slot in other.values() if slot.required and slot.name not in ruled}
    found = {}
    for element in sorted(needed):
        slots = [slot for slot in own.values() if slot.element == element]
        other_codes = {one.codes for one in other.values() if one.element == element}
        if element in there and slots[0].codes is None and _alike(slots, other):
            continue
        if element in there and slots[0].codes is not None and other_codes == {slots[0].codes}:
            continue
        fill = FILLS.get((release, f"{node}.{element}")) or _unknown(slots)
        if fill:
            found[element] = fill
    return found


def _alike(slots: list[Slot], other: dict[str, Slot]) -> bool:
    return any(
        slot.name in other
        and other[slot.name].is_list == slot.is_list
        and _kind(other[slot.name]) == _kind(slot)
        for slot in slots
    )


def _unknown(slots: list[Slot]) -> Json:
    """Return an element that says only that nothing is known, {} for a backbone, which cannot."""
    reason: Any = {"extension": [{"url": ABSENT, "valueCode": "unknown"}]}
    slot = next((one for one in slots if not one.node), slots[0])
    if slot.node and ("." in slot.node or slot.node == "Resource"):
        return {}
    if slot.node:
        return {slot.name: [reason] if slot.is_list else reason}
    if slot.is_list:
        return {slot.name: [None], f"_{slot.name}": [reason]}
    return {f"_{slot.name}": reason}
