"""The members the straight line does not name: choices, ``_name`` companions, nulls, unknown ones.

https://hl7.org/fhir/R4/json.html#primitive and https://hl7.org/fhir/R4/formats.html#choice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.explain import EMPTY, JSON_PAGE, bad, missing, not_list, only_id, page, unknown
from fhircare.check.primitives import json_type
from fhircare.check.terminology import Bound, codeable, coding, concept

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.path import Path
    from fhircare.check.walk import Walk

# Primitives whose value may lead to a resource.
LINKING = frozenset({"uri", "url"})


class Variant(NamedTuple):
    """One way to write a choice element.

    Attributes:
        group: The choice's name: ``value[x]``.
        kind: Its type, or the node it refers to.
        primitive: Whether that is a primitive type.
        targets: For a Reference or canonical, the allowed target types; None for any.
        bound: Its binding, for a coded type that has one.
        rules: Asks the invariants stated on the element.
    """

    group: str
    kind: str
    primitive: bool
    targets: frozenset[str] | None
    bound: Bound | None
    rules: Callable[[Any, dict[str, Any], Path, Walk], None] | None


class Members(NamedTuple):
    """What a node may hold.

    Attributes:
        node_id: The node.
        lists: The JSON names of its primitive elements: True for an array.
        others: The names of all other elements, ``resourceType`` included for a resource.
        left: Those that the straight line leaves to ``rest``: the id and extensions of a data type.
        variants: The names of choices.
        required: Choices that must be there.
    """

    node_id: str
    lists: dict[str, bool]
    others: frozenset[str]
    left: frozenset[str]
    variants: dict[str, Variant]
    required: tuple[str, ...]


def choose(o: dict[str, Any], p: Path, w: Walk, m: Members) -> int:
    """Check the choice elements of an object; returns how many members that were."""
    variants = m.variants
    count = 0
    written: list[str] | None = None
    for key, value in o.items():
        variant = variants.get(key)
        if variant is not None:
            if value is None:
                continue
            count += 1
            _variant(variant, key, value, o, p, w, m)
            if written is None:
                written = [variant.group]
            elif variant.group in written:
                _second(key, p, w, m, variant.group)
            else:
                written.append(variant.group)
        elif key[:1] == "_" and key[1:] in variants and o.get(key[1:]) is None and value:
            group = variants[key[1:]].group
            if written is not None and group in written:
                _second(key[1:], p, w, m, group)
            else:
                written = [*(written or ()), group]
    for group in m.required:
        if written is None or group not in written:
            missing(o, p, w, m.node_id, group)
    return count


def _variant(variant: Variant, key: str, value: Any, o: dict[str, Any], p: Path, w: Walk, m: Members) -> None:
    """Check a value written as one variant of a choice."""
    kind = variant.kind
    if variant.primitive:
        if not w.sound[kind](value):
            bad(o, key, value, p, w, m.node_id)
        elif kind == "canonical":
            w.canonicals.append(((p, key), value, variant.targets, w.scope))
        elif kind in LINKING:
            w.urls.append(((p, key), value, None, w.scope))
    else:
        at = (p, key)
        before = len(w.references)
        w.checkers(kind)(value, at, w)
        if kind == "CodeableReference":
            codeable(value, at, w, variant.bound, variant.targets, before)
        elif kind == "Reference":
            if value.__class__ is dict:
                w.references.append((at, value, variant.targets, w.scope))
        elif variant.bound is not None:
            (concept if kind == "CodeableConcept" else coding)(value, at, w, variant.bound)
    if variant.rules is not None:
        variant.rules(value, o, p, w)


def _second(key: str, p: Path, w: Walk, m: Members, group: str) -> None:
    w.say(
        (p, key),
        "error",
        "structure",
        "choice.several",
        f"more than one type of {group}",
        f"keep one variant of {group}",
        page(w, m.node_id, group),
    )


def rest(o: dict[str, Any], p: Path, w: Walk, m: Members) -> None:
    """Look at every member that has not been looked at: companions, nulls and unknown names."""
    for key, value in o.items():
        if key in m.lists or key in m.others:
            if value is None:
                w.say(
                    (p, key), "error", "structure", "json.null", "null where a value is due", EMPTY, JSON_PAGE
                )
            elif key not in m.left:
                pass
            elif key == "id":
                element_id(o, p, w)
            else:
                extensions(value, p, key, w, m.node_id)
        elif key[:1] == "_" and key[1:] in m.lists:
            companion(o, key[1:], value, p, w, m)
        else:
            unknown(key, p, w, m.node_id, sorted({*m.lists, *m.others}))


def element_id(o: dict[str, Any], p: Path, w: Walk) -> None:
    """Check the id of an element: any text, and never all there is."""
    value = o["id"]
    if not w.sound["string"](value):
        bad(o, "id", value, p, w, "Element")
    elif isinstance(value, str):
        w.gathered.element_ids.append(((p, "id"), value, w.scope))
    if len(o) == 1:
        only_id(p, w)


def extensions(value: Any, p: Path, key: str, w: Walk, node_id: str) -> None:
    """Check an array of extensions."""
    if value.__class__ is list and value:
        check, at = w.checkers("Extension"), (p, key)
        for index, item in enumerate(value):
            check(item, (at, index), w)
    else:
        not_list(value, p, w, node_id, key)


def companion(o: dict[str, Any], key: str, beside: Any, p: Path, w: Walk, m: Members) -> None:
    """Check ``_key``: the ids and extensions of the primitive ``key``."""
    at = (p, key)
    if not m.lists[key]:
        if beside.__class__ is list:
            w.say(
                at,
                "error",
                "structure",
                "json.array",
                f"an array in _{key}, where {key} is one value",
                "one object, as the value",
                JSON_PAGE,
            )
        else:
            _element(beside, at, w, has_value=o.get(key) is not None)
        return
    if beside.__class__ is not list or not beside:
        what = "empty array" if beside.__class__ is list else f"{json_type(beside)} where an array is due"
        w.say(
            at, "error", "structure", "json.array", f"{what} in _{key}", "an array, as the values", JSON_PAGE
        )
        return
    values = o.get(key)
    if values is not None and values.__class__ is list and len(values) != len(beside):
        w.say(
            at,
            "error",
            "structure",
            "json.pairing",
            f"the arrays {key} and _{key} differ in length",
            "fill both with null where one has nothing",
            JSON_PAGE,
        )
    for index, item in enumerate(beside):
        has_value = values.__class__ is list and index < len(values) and values[index] is not None
        if item is not None:
            _element(item, (at, index), w, has_value=has_value)
        elif values is None:
            w.say((at, index), "error", "structure", "json.null", "null on both sides", EMPTY, JSON_PAGE)


def _element(beside: Any, at: Path, w: Walk, *, has_value: bool) -> None:
    """Check one companion object: an id, extensions, and nothing else."""
    if beside.__class__ is not dict or not beside:
        what = "empty object" if beside.__class__ is dict else f"{json_type(beside)} where an object is due"
        w.say(at, "error", "structure", "json.empty" if beside == {} else "json.type", what, EMPTY, JSON_PAGE)
        return
    w.keys += len(beside)
    for key, value in beside.items():
        if key == "id":
            if not w.sound["string"](value):
                bad(beside, "id", value, at, w, "Element")
            elif isinstance(value, str):
                w.gathered.element_ids.append(((at, "id"), value, w.scope))
        elif key == "extension":
            extensions(value, at, key, w, "Element")
        else:
            unknown(key, at, w, "Element", ["id", "extension"])
    if len(beside) == 1 and "id" in beside and not has_value:
        only_id(at, w)
