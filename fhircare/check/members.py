"""The members the straight line does not name: choices, ``_name`` companions, nulls, unknown ones.

https://hl7.org/fhir/R4/json.html#primitive and https://hl7.org/fhir/R4/formats.html#choice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.explain import EMPTY, JSON_PAGE, missing, page, unknown
from fhircare.check.primitives import json_type

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.path import Path
    from fhircare.check.walk import Walk

    Extensions = Callable[[Any, Path, Walk], None]


class Variant(NamedTuple):
    """One way to write a choice element: the choice's name, and the check of a value written so."""

    group: str
    check: Callable[[Any, dict[str, Any], Path, Walk], None]


class Members(NamedTuple):
    """What a node may hold, for ``rest``.

    Attributes:
        node_id: The node.
        names: Every name its elements may have in JSON, ``resourceType`` included for a resource.
        primitives: Those that are primitive: True for an array.
        variants: Choice names.
        required: Choices that must be there.
        extension: The compiled check of an Extension.
    """

    node_id: str
    names: frozenset[str]
    primitives: dict[str, bool]
    variants: dict[str, Variant]
    required: tuple[str, ...]
    extension: Extensions


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
            variant.check(value, o, p, w)
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
        if key in m.names:
            if value is None:
                w.say(
                    (p, key), "error", "structure", "json.null", "null where a value is due", EMPTY, JSON_PAGE
                )
        elif key[:1] == "_" and key[1:] in m.primitives:
            companion(o, key[1:], value, p, w, m)
        else:
            unknown(key, p, w, m.node_id, sorted(m.names))


def companion(o: dict[str, Any], key: str, beside: Any, p: Path, w: Walk, m: Members) -> None:
    """Check ``_key``: the ids and extensions of the primitive ``key``."""
    at = (p, key)
    if not m.primitives[key]:
        if beside.__class__ is list:
            w.say(
                at,
                "error",
                "structure",
                "json.array",
                f"_{key} is an array",
                "one object, as the value",
                JSON_PAGE,
            )
        else:
            _element(beside, at, w, m, o.get(key) is not None)
        return
    if beside.__class__ is not list or not beside:
        what = "empty array" if beside.__class__ is list else f"{json_type(beside)} where an array is due"
        w.say(at, "error", "structure", "json.array", f"_{key}: {what}", "an array, as the values", JSON_PAGE)
        return
    values = o.get(key)
    if values is not None and values.__class__ is list and len(values) != len(beside):
        w.say(
            at,
            "error",
            "structure",
            "json.pairing",
            f"{key} and _{key} differ in length",
            "fill both with null where one has nothing",
            JSON_PAGE,
        )
    for index, item in enumerate(beside):
        has_value = values.__class__ is list and index < len(values) and values[index] is not None
        if item is not None:
            _element(item, (at, index), w, m, has_value)
        elif values is None:
            w.say((at, index), "error", "structure", "json.null", "null on both sides", EMPTY, JSON_PAGE)


def _element(beside: Any, at: Path, w: Walk, m: Members, has_value: bool) -> None:  # noqa: FBT001
    """Check one companion object: an id, extensions, and nothing else."""
    if beside.__class__ is not dict or not beside:
        what = "empty object" if beside.__class__ is dict else f"{json_type(beside)} where an object is due"
        w.say(at, "error", "structure", "json.empty" if beside == {} else "json.type", what, EMPTY, JSON_PAGE)
        return
    w.keys += len(beside)
    extensions = None
    for key, value in beside.items():
        if key == "id":
            if value.__class__ is not str or not value.strip():
                w.say(
                    (at, "id"),
                    "error",
                    "structure",
                    "json.type",
                    "id must be a string",
                    "a string",
                    JSON_PAGE,
                )
        elif key == "extension":
            extensions = value
            if value.__class__ is not list or not value:
                w.say(
                    (at, key), "error", "structure", "json.array", "not a filled array", "an array", JSON_PAGE
                )
            else:
                for index, item in enumerate(value):
                    m.extension(item, ((at, key), index), w)
        else:
            unknown(key, at, w, "Element", ["id", "extension"])
    if extensions is None and not has_value and "id" in beside:
        w.say(
            at,
            "error",
            "invariant",
            "ele-1",
            "an element must have a value or children, not an id alone",
            "give it content or leave it out",
            page(w, "Element"),
        )
