"""What compiled expressions call while they run: small functions over items, none of which knows a FHIR type.

An *item* is a dict (a complex element or a resource), a bare value (a primitive), or a ``Box``. Nothing here
reads the clock, the network or a file. Every function is named ``fp_...`` and is found in ``NAMESPACE``, the
globals of compiled code. Structure is not checked here: on a resource whose structure is wrong these
functions may raise any of ``UNDECIDABLE``, which means that a rule cannot be decided until the structure,
reported elsewhere, is put right.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from decimal import Decimal, DivisionByZero, InvalidOperation
from typing import Any, Protocol

Item = Any
Items = Sequence[Any]


class EvaluationError(Exception):
    """A rule that cannot be decided on this data: an operator needs one item and was given several."""


# What evaluation may raise on a resource whose structure is wrong.
UNDECIDABLE = (EvaluationError, TypeError, AttributeError, KeyError, IndexError, ValueError, InvalidOperation)


class Env(Protocol):
    """What a rule may ask about the file it stands in.

    Attributes:
        resource: The resource that holds the context node; a contained resource is its own (``%resource``).
        root_resource: The same, or its container when it is contained (``%rootResource``).
    """

    @property
    def resource(self) -> dict[str, Any]: ...  # noqa: D102

    @property
    def root_resource(self) -> dict[str, Any]: ...  # noqa: D102

    def resolve(self, reference: str) -> dict[str, Any] | None:
        """Return the resource a reference points at, contained or in the same Bundle; else None."""
        ...

    def member_of(self, value: Item, value_set: str) -> bool | None:
        """Tell whether a code, Coding or CodeableConcept is in a value set; None when not known here."""
        ...

    def conforms_to(self, node: Item, profile: str) -> bool | None:
        """Tell whether an element conforms to a profile; None when that cannot be known here."""
        ...


class Box:
    """An item that would lose something as a bare value: its type, its extensions, its lack of a value."""

    __slots__ = ("element", "type", "value")

    def __init__(self, value: Item, element: dict[str, Any] | None = None, type_name: str = "") -> None:
        self.value, self.element, self.type = value, element, type_name


E: dict[str, Any] = {}  # the empty object; never written to


def value(item: Item) -> Item:
    """Return an item's bare value, None when it has none."""
    return item.value if item.__class__ is Box else item


def values(items: Items) -> list[Item]:
    """Return the bare values of items, those without a value left out."""
    found = []
    for item in items:
        bare = item.value if item.__class__ is Box else item
        if bare is not None:
            found.append(bare)
    return found


def as_dict(item: Item) -> dict[str, Any]:
    """Return the object with an item's members: the element itself, or a primitive's id and extensions."""
    if item.__class__ is Box:
        return item.value if item.value.__class__ is dict else item.element or E
    return item if item.__class__ is dict else E


def opt(item: Item) -> Items:
    """Return the list of one item, or of none."""
    return () if item is None else (item,)


def boxes_of(bare: Item, element: dict[str, Any] | None) -> Items:
    """Return a primitive and the object beside it as a list of one item, or of none."""
    if element:
        return (Box(bare, element),)
    return () if bare is None else (bare,)


def single(items: Items) -> Item:
    """Return the only item, None when there is none (FHIRPath 2.0.0 section 4.5)."""
    if len(items) > 1:
        raise EvaluationError("one item expected, several found")
    return items[0] if items else None


def truth(items: Items) -> bool | None:
    """Return a collection as a truth value: a boolean itself, any other single item true (section 4.5)."""
    item = single(items)
    if item is None:
        return None
    if item.__class__ is Box:
        if item.value is None or item.value.__class__ is bool:
            return item.value
        return True
    return item if item.__class__ is bool else True


def prims(parent: Mapping[str, Any], key: str) -> Items:
    """Return the primitives under a key, each boxed with the object under ``_key`` that belongs to it."""
    bare, beside = parent.get(key), parent.get(f"_{key}")
    if beside is None and isinstance(bare, list) and None not in bare:
        return bare
    return boxes(bare, beside)


def boxes(bare: Item, beside: Item) -> Items:
    """Pair primitives with the objects beside them; nulls on both sides are no element."""
    if bare.__class__ is list or beside.__class__ is list:
        left, right = bare or [], beside or []
        size = max(len(left), len(right))
        pairs = zip(
            [*left, *[None] * (size - len(left))], [*right, *[None] * (size - len(right))], strict=True
        )
        return [b if not e else Box(b, e) for b, e in pairs if b is not None or e]
    return boxes_of(bare, beside)


def choice(parent: Mapping[str, Any], keys: Iterable[tuple[str, str, bool]]) -> Items:
    """Return the element written under one of a choice's keys, boxed with its type."""
    found = []
    for key, type_name, primitive in keys:
        bare = parent.get(key)
        beside = parent.get(f"_{key}") if primitive else None
        if bare is not None or beside is not None:
            found.append(Box(bare, beside, type_name))
    return found


def first_of(parent: Mapping[str, Any], keys: Iterable[str], default: Item) -> Item:
    """Return the value under the first key that is there."""
    for key in keys:
        if key in parent:
            return parent[key]
    return default


def into(parent: Mapping[str, Any], keys: Iterable[str]) -> dict[str, Any]:
    """Return the object under the first key that is there, or the empty object."""
    for key in keys:
        if key in parent:
            return as_dict(parent[key])
    return E


def lists(parent: Mapping[str, Any], keys: Iterable[str]) -> list[Item]:
    """Return all values under any of the keys, arrays opened, nulls left out."""
    found: list[Item] = []
    for key in keys:
        bare = parent.get(key)
        if bare.__class__ is list:
            found.extend(one for one in bare if one is not None)
        elif bare is not None:
            found.append(bare)
    return found


# The types a choice may have, as they end a JSON name: R4 and R5 section 2.24.0.1, "Open type element".
_CHOICE = frozenset(
    """Base64Binary Boolean Canonical Code Date DateTime Decimal Id Instant Integer Integer64
    Markdown Oid PositiveInt String Time UnsignedInt Uri Url Uuid Address Age Annotation Attachment
    CodeableConcept CodeableReference Coding ContactPoint Count Distance Duration HumanName
    Identifier Money Period Quantity Range Ratio RatioRange Reference SampledData Signature Timing
    ContactDetail Contributor DataRequirement Expression ParameterDefinition RelatedArtifact
    TriggerDefinition UsageContext Availability ExtendedContactDetail VirtualServiceDetail
    MonetaryComponent Dosage Meta""".split()  # noqa: SIM905 - fifty quotes would hide the names
)


def nav(item: Item, name: str) -> Items:
    """Return the members of this name of any item, choice elements included, by looking at its keys."""
    members = as_dict(item)
    found = prims(members, name) if name in members or f"_{name}" in members else ()
    if found:
        return found
    size = len(name)
    for key in members:
        plain = key[1:] if key[0] == "_" else key
        if plain.startswith(name) and plain[size:] in _CHOICE:
            return prims(members, plain)
    return ()


def children(items: Items) -> list[Item]:
    """Return all child elements, a primitive with its extensions as one (FHIRPath 2.0.0 section 5.8)."""
    found: list[Item] = []
    for item in items:
        members = as_dict(item)
        for key in members:
            if key[0] == "_":
                if key[1:] not in members:
                    found.extend(prims(members, key[1:]))
            elif key != "resourceType":
                found.extend(prims(members, key))
    return found


def descendants(items: Items) -> list[Item]:
    """Return children, their children, and so on."""
    found: list[Item] = []
    level = children(items)
    while level:
        found.extend(level)
        level = children(level)
    return found


def below(items: Items, name: str) -> list[Item]:
    """Return ``descendants().name`` for a name that is no choice, without a list of all descendants."""
    found: list[Item] = []
    beside = f"_{name}"
    waiting = [as_dict(item) for item in items]
    for members in waiting:  # the list grows while it is walked
        for held in members.values():
            for one in held if isinstance(held, list) else (held,):
                if one.__class__ is dict:
                    waiting.append(one)
                    if name in one or beside in one:
                        found.extend(prims(one, name))
    return found


def repeat(items: Items, step: Callable[[Item], Items]) -> list[Item]:
    """Return what a step leads to, again and again, each item once (FHIRPath 2.0.0 section 5.2)."""
    found: list[Item] = []
    seen: set[int] = set()
    level = list(items)
    while level:
        new = []
        for item in level:
            for below in step(item):
                if id(below) not in seen:
                    seen.add(id(below))
                    new.append(below)
        found.extend(new)
        level = new
    return found


def has_value(items: Items) -> bool:
    """Tell whether there is exactly one item and it is a primitive with a value (FHIR R4, fhirpath.html)."""
    return len(items) == 1 and value(items[0]) is not None and value(items[0]).__class__ is not dict


def of_type(items: Items, types: Collection[str]) -> list[Item]:
    """Return the items of one of these types: boxes by the type they carry, resources by ``resourceType``."""
    return [item for item in items if is_type(item, types)]


def is_type(item: Item, types: Collection[str]) -> bool | None:
    """Tell whether an item is of one of these types; None when there is no item."""
    if item is None:
        return None
    if item.__class__ is Box:
        return item.type in types
    return item.__class__ is dict and item.get("resourceType") in types


def concat(left: Item, right: Item) -> str:
    """Join two strings, an absent one being "" (``&``)."""
    return (left or "") + (right or "")


def arithmetic(op: str, left: Item, right: Item) -> Item:
    """Reckon ``+ - * / div mod``; empty when a side is empty or the divisor is zero (section 6.6)."""
    if left is None or right is None:
        return None
    try:
        match op:
            case "+":
                return left + right
            case "-":
                return left - right
            case "*":
                return left * right
            case "/":
                return Decimal(left) / Decimal(right)
            case "div":
                return int(Decimal(left) / Decimal(right))
            case _:
                return left - right * int(Decimal(left) / Decimal(right))
    except (DivisionByZero, InvalidOperation, ZeroDivisionError):
        return None


def resolve(items: Items, env: Env) -> list[dict[str, Any]]:
    """Return what references point at: found in the file, or else known by type alone.

    A literal reference names the type of its target (``Practitioner/1``; R4 references.html, "the reference
    SHALL ... [type]/[id]"), and ``Reference.type`` may. For a target outside the file that is enough for
    ``is`` and ``ofType``, so a resource with nothing but that type stands for it; nothing else is known of
    it.
    """
    found = []
    for item in values(items):
        stated = ""
        reference = item
        if item.__class__ is dict:
            reference, stated = item.get("reference"), item.get("type") or ""
        target = env.resolve(reference) if reference.__class__ is str else None
        if target is None and reference.__class__ is str:
            target = _known_by_type(reference, stated)
        if target is not None:
            found.append(target)
    return found


def unreferenced_contained(resource: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the contained resources that nothing points at and that do not point at their container (dom-3).

    Any string ``#id`` outside a narrative counts as pointing at ``id``: References, and canonical, uri and
    url elements.
    """
    contained = resource.get("contained")
    if not contained:
        return []
    pointed = set(_fragments(resource))
    return [
        one for one in contained if f"#{one.get('id')}" not in pointed and "#" not in set(_fragments(one))
    ]


def _fragments(item: Item) -> Iterable[str]:
    waiting = [item]
    while waiting:
        item = waiting.pop()
        if item.__class__ is dict:
            waiting.extend(below for key, below in item.items() if key != "div")
        elif item.__class__ is list:
            waiting.extend(item)
        elif item.__class__ is str and item.startswith("#"):
            yield item


_LITERAL = re.compile(
    r"(?:.*/)?([A-Z][A-Za-z]+)/[A-Za-z0-9.-]{1,64}(?:/_history/[A-Za-z0-9.-]{1,64})?\Z", re.DOTALL
)


def _known_by_type(reference: str, stated: str) -> dict[str, Any] | None:
    match = _LITERAL.match(reference)
    type_name = stated or (match[1] if match and not reference.startswith("#") else "")
    return {"resourceType": type_name, "id": reference} if type_name else None
