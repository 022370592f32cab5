"""Cross-version extensions: where an element goes that the other release does not have.

FHIR defines them for every element of every release (https://hl7.org/fhir/R5/versions.html#extensions): the
element ``Device.statusReason`` of R4 is ``http://hl7.org/fhir/4.0/StructureDefinition/extension-Device.statusReason``
in any other release, on the object that held the element. A value whose type an extension may hold stands in
``value[x]``; anything else is written element by element in extensions within, named after the elements. An
element that repeats repeats its extension.

Elements that change what an object means go into ``modifierExtension``.
"""

from __future__ import annotations

from itertools import zip_longest
from typing import TYPE_CHECKING, Any

from fhircare.releases.shape import RESOURCE, Slot, extension_types, shape

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.releases.table import Json

NUMBERS = {"R4": "4.0", "R5": "5.0"}
"""How the address of an extension names a release."""

MODIFIERS = frozenset(
    {
        "AdverseEvent.status",
        "Consent.decision",
        "Consent.scope",
        "Device.name.display",
        "DeviceRequest.doNotPerform",
        "Task.doNotPerform",
    }
)
"""Modifier elements (ElementDefinition.isModifier) that only one of R4 4.0.1 and R5 5.0.0 has, in types both
have, where the other says nothing like it."""


DATATYPE = "_datatype"
"""The extension that says which of several types a value has, where its name cannot."""
VALUE = "value"
"""The extension beside it that holds a primitive of a type that the target does not know, as text."""


class InexpressibleError(ValueError):
    """A value that no extension can hold, such as a whole resource."""


def prefix(release: str, node: str) -> str:
    """Return how the addresses of a node's elements begin."""
    return f"http://hl7.org/fhir/{NUMBERS[release]}/StructureDefinition/extension-{node}."


def write(part: Json, source: str, target: str, node: str) -> list[Json]:
    """Return the extensions that keep a part.

    Args:
        part: Elements of one object by name, their values already in the target's spelling.
        source: The release whose elements they are.
        target: The release of the resource that will hold the extensions.
        node: The object's node in the source.

    Raises:
        InexpressibleError: For what no extension can hold.
    """
    found = []
    for slot in shape(source, node).values():
        value, beside = part.get(slot.name), part.get(f"_{slot.name}")
        if value is None and beside is None:
            continue
        url = prefix(source, node) + slot.element
        if not slot.is_list:
            found.append(_write_one(url, slot, value, beside, source, target))
            continue
        for one, its in zip_longest(value or [], beside or []):
            found.append(_write_one(url, slot, one, its, source, target))
    return found


def is_modifier(extension: Json) -> bool:
    """Tell whether a kept element changes what its object means."""
    return str(extension["url"]).partition("/StructureDefinition/extension-")[2] in MODIFIERS


def read(extensions: Iterable[Any], release: str, node: str) -> tuple[Json, list[Any]]:
    """Return the elements of a node of this release that extensions keep, and the other extensions.

    Args:
        extensions: Extensions of the object, their values already in this release's spelling.
        release: The release to which the object comes home.
        node: Its node there.
    """
    start = prefix(release, node)
    kept: Json = {}
    others: list[Any] = []
    for one in extensions:
        url = one.get("url") if isinstance(one, dict) else None
        if isinstance(url, str) and url.startswith(start):
            if not _read_one(one, url[len(start) :], release, node, kept):
                others.append(one)
        else:
            others.append(one)
    return _aligned(kept, release, node), others


def _write_one(url: str, slot: Slot, value: Any, beside: Any, source: str, target: str) -> Json:
    made: Json = {"url": url}
    kind = [{"url": DATATYPE, "valueString": slot.type}] if slot.name != slot.element else []
    if slot.type in extension_types(target):
        return made | _value(slot.type, value, beside)
    if slot.node == RESOURCE:
        raise InexpressibleError
    if not slot.node:  # a primitive that the target does not know
        said = _value("string", value, beside)
        return made | ({"extension": [*kind, {"url": VALUE, **said}]} if kind else said)
    if value is None:
        return made
    if not isinstance(value, dict):
        raise InexpressibleError
    if "id" in value:
        made["id"] = value["id"]
    inner = [
        *kind,
        *_children(value, slot, source, target),
        *value.get("extension", ()),
        *({"url": "modifierExtension", "extension": [one]} for one in value.get("modifierExtension", ())),
    ]
    return made | ({"extension": inner} if inner else {})


def _value(kind: str, value: Any, beside: Any) -> Json:
    key = f"value{kind[0].upper()}{kind[1:]}"
    found = {key: value, f"_{key}": beside}
    return {name: one for name, one in found.items() if one is not None}


def _children(value: Json, slot: Slot, source: str, target: str) -> list[Json]:
    inner = {name: one for name, one in value.items() if name not in {"id", "extension", "modifierExtension"}}
    start = len(prefix(source, slot.node))
    return [one | {"url": one["url"][start:]} for one in write(inner, source, target, slot.node)]


def _read_one(extension: Json, element: str, release: str, node: str, kept: Json) -> bool:
    """Put one extension's element into ``kept``; False when the release has no such element."""
    slots = [slot for slot in shape(release, node).values() if slot.element == element]
    if not slots:
        return False
    kind = _datatype(extension)
    inside = [
        one for one in extension.get("extension", ()) if isinstance(one, dict) and one.get("url") == VALUE
    ]
    if kind and inside:
        extension = inside[0]
    value_key = next((key for key in extension if key.startswith("value")), "")
    beside_key = next((key for key in extension if key.startswith("_value")), "")
    name = element + (kind or (value_key or beside_key[1:])[5:])
    slot = next((one for one in slots if one.name.lower() == name.lower()), slots[0])
    value: Any = extension.get(value_key) if value_key else None
    if not value_key and slot.node and slot.node != RESOURCE:
        value = _object(extension, release, slot.node)
    _put(kept, slot, value, extension.get(beside_key) if beside_key else None)
    return True


def _datatype(extension: Json) -> str:
    found = [one for one in extension.get("extension", ()) if isinstance(one, dict)]
    return next((str(one.get("valueString")) for one in found if one.get("url") == DATATYPE), "")


def _object(extension: Json, release: str, node: str) -> Json:
    made: Json = {"id": extension["id"]} if "id" in extension else {}
    own: Json = {}
    others, modifiers = [], []
    for one in extension.get("extension", ()):
        url = one.get("url") if isinstance(one, dict) else None
        if url == DATATYPE:
            continue
        if url == "modifierExtension":
            modifiers += one.get("extension", ())
        elif not isinstance(url, str) or "/" in url or not _read_one(one, url, release, node, own):
            others.append(one)
    if others:
        made["extension"] = others
    if modifiers:
        made["modifierExtension"] = modifiers
    return made | _aligned(own, release, node)


def _put(kept: Json, slot: Slot, value: Any, beside: Any) -> None:
    if slot.is_list:
        kept.setdefault(slot.name, []).append(value)
        kept.setdefault(f"_{slot.name}", []).append(beside)
        return
    if value is not None:
        kept[slot.name] = value
    if beside is not None:
        kept[f"_{slot.name}"] = beside


def _aligned(kept: Json, release: str, node: str) -> Json:
    """Return lists without their partner where none of its places holds anything."""
    lists = {slot.name for slot in shape(release, node).values() if slot.is_list}
    return {
        name: value
        for name, value in kept.items()
        if name.removeprefix("_") not in lists or any(one is not None for one in value)
    }


def pulled(holder: Json, release: str, node: str) -> Json:
    """Take the kept elements of a node out of an object's extensions, and return them."""
    found: Json = {}
    for name in ("extension", "modifierExtension"):
        if isinstance(holder.get(name), list):
            kept, others = read(holder[name], release, node)
            if kept:
                found |= kept
                if others:
                    holder[name] = others
                else:
                    del holder[name]
    return found


def elements(part: Json) -> Iterator[str]:
    """Yield the names of a part's elements, each once."""
    yield from dict.fromkeys(name.removeprefix("_") for name in part)
