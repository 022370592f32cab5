"""Slices while a resource is checked: which item belongs to which, and whether that is as it should be.

https://hl7.org/fhir/R4/profiling.html#slicing. An item belongs to a slice when every discriminator says so.
Where a discriminator cannot be told (a value set that is not held, a reference that leads out of the file)
the item is left aside, and a slice that lacks items is not said to lack them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.fhirpath.runtime import resolve
from fhircare.check.profiles.values import holds, same, specialises

if TYPE_CHECKING:
    from fhircare.check.path import Path
    from fhircare.check.profiles.tree import Node, Slice, Slicing, Step, Test
    from fhircare.check.profiles.visit import Item, Visit
    from fhircare.spec import Definitions

Verdict = bool | None


def divide(node: Node, slicing: Slicing, found: list[Item], p: Path, v: Visit) -> None:
    """Give each item to its slice, and hold the slices against what is asked of them."""
    members: dict[str, list[Item]] = {one.name: [] for one in slicing.slices}
    unsure: set[str] = set()
    last, rest = -1, False
    for item in found:
        mine, doubtful = _slices_of(item, slicing, v)
        unsure |= doubtful
        if len(mine) > 1:
            names = " and ".join(slicing.slices[index].name for index in mine[:2])
            message = f"{{profile}} tells the slices of {node.plain} apart, and this is in {names}"
            v.say(
                item.path, "error", "structure", "profile.slice.several", message, "Make it fit one of them"
            )
        for index in mine:
            members[slicing.slices[index].name].append(item)
        if mine:
            _in_order(node, slicing, mine[0], last, item, v, after_rest=rest)
            last = max(last, mine[0])
        elif not doubtful:
            rest = True
            if slicing.rules == "closed":
                names = ", ".join(one.name for one in slicing.slices[:6])
                message = f"{{profile}} allows only its slices of {node.plain}, and this is in none"
                v.say(
                    item.path,
                    "error",
                    "structure",
                    "profile.slice.closed",
                    message,
                    f"The slices are {names}",
                )
    if unsure:
        v.unsure = True
    for one in slicing.slices:
        inside = members[one.name]
        if one.name in unsure and len(inside) < one.node.least:
            for item in inside:
                v.look(one.node, item)
        elif inside or one.node.needed:
            v.several(one.node, inside, p, one.name)


def _in_order(
    node: Node, slicing: Slicing, index: int, last: int, item: Item, v: Visit, *, after_rest: bool
) -> None:
    name = slicing.slices[index].name
    if slicing.ordered and index < last:
        message = f"{{profile}} puts the slice {name} of {node.plain} before {slicing.slices[last].name}"
        v.say(item.path, "error", "structure", "profile.slice.order", message, "Put it there")
    if slicing.rules == "openAtEnd" and after_rest:
        message = (
            f"{{profile}} allows other items of {node.plain} only after its slices, and this is in {name}"
        )
        v.say(item.path, "error", "structure", "profile.slice.end", message, "Put it before them")


def _slices_of(item: Item, slicing: Slicing, v: Visit) -> tuple[list[int], set[str]]:
    """Return the places of the slices an item belongs to, and the names of those that cannot be told."""
    if slicing.step:
        texts = [text for _, text in members(_holder(item), slicing.step) if text.__class__ is str]
        return sorted({slicing.by_text[text] for text in texts if text in slicing.by_text}), set()
    told = [belongs(one, item, v) for one in slicing.slices]
    doubtful = {one.name for one, verdict in zip(slicing.slices, told, strict=True) if verdict is None}
    return [index for index, verdict in enumerate(told) if verdict], doubtful


def belongs(one: Slice, item: Item, v: Visit) -> Verdict:
    """Tell whether an item belongs to a slice; None when that cannot be told."""
    told: Verdict = True
    for test in one.tests:
        verdict = _passes(test, item, v)
        if verdict is False:
            return False
        if verdict is None:
            told = None
    return told


def _passes(test: Test, item: Item, v: Visit) -> Verdict:
    here: list[Item] = [item]
    for step in test.steps:
        if step == ("resolve", ""):
            here = _resolved(here, v)
        else:
            here = [found for one in here for found in _step(one, step, item.__class__)]
    if test.kind == "exists":
        return bool(here) is test.wanted
    if test.kind == "type":
        return any(is_type(one.kind, test.wanted, v.library.definitions) for one in here)
    verdicts = [_is_wanted(test, one, v) for one in here]
    if True in verdicts:
        return True
    return None if None in verdicts else False


def is_type(kind: str, wanted: frozenset[str], definitions: Definitions) -> bool:
    """Tell whether a type, however its first letter is written, is one of these or specialises one."""
    lowered = kind[:1].lower() + kind[1:]
    return lowered in wanted or specialises(kind, wanted, definitions)


def _is_wanted(test: Test, item: Item, v: Visit) -> Verdict:
    wanted = test.wanted
    if test.kind == "value" and not (wanted.children or wanted.binding or wanted.slicing):
        told = wanted.fixed is None or same(item.value, wanted.fixed)
        return told and (wanted.pattern is None or holds(item.value, wanted.pattern))
    from fhircare.check.profiles.visit import Broken, Quiet

    if test.kind == "profile":
        known = [profile for profile in map(v.library.profile, test.wanted) if profile is not None]
        if any(v.quietly(profile, item) for profile in known):
            return True
        return False if len(known) == len(test.wanted) else None
    quiet = Quiet(v.profile, v.library, v.env, [])
    try:
        quiet.look(test.wanted, item)
    except Broken:
        return False
    return None if quiet.unsure else True


def _resolved(here: list[Item], v: Visit) -> list[Item]:
    return [
        one.__class__(target, None, one.path, str(target.get("resourceType", "")))
        for one in here
        for target in resolve([one.value], v.env)
    ]


def _step(item: Item, step: Step, made: type[Item]) -> list[Item]:
    """Return what a step of a discriminator leads to."""
    if not isinstance(step, str):
        call, argument = step
        if call == "ofType":
            wanted = argument[:1].upper() + argument[1:]
            return [item] if item.kind[:1].upper() + item.kind[1:] == wanted else []
        return [
            made(one, None, item.path, "Extension")
            for _, one in members(_holder(item), "extension")
            if isinstance(one, dict) and one.get("url") == argument
        ]
    found = []
    for key, value in members(_holder(item), step):
        kind = key[len(step) :]
        if isinstance(value, dict) and "resourceType" in value:
            kind = str(value["resourceType"])
        found.append(made(value, None, (item.path, key), kind))
    return found


def _holder(item: Item) -> Any:
    return item.value if isinstance(item.value, dict) else item.beside


def members(holder: Any, step: str) -> list[tuple[str, Any]]:
    """Return the values under a name, those of a choice too, each with its key; arrays are opened."""
    if not isinstance(holder, dict):
        return []
    size = len(step)
    found: list[tuple[str, Any]] = []
    for key, value in holder.items():
        if key == step or (key.startswith(step) and key[size : size + 1].isupper()):
            if isinstance(value, list):
                found.extend((key, one) for one in value if one is not None)
            else:
                found.append((key, value))
    return found
