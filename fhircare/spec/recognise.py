"""Which release a resource is in, told by what only one of the releases has.

::

    recognise({"resourceType": "CarePlan", "activity": [{"plannedActivityReference": {...}}]})   # "R5"
    recognise({"resourceType": "Patient", "active": True})                                       # None

A *mark* is a type, or an element, that the definitions of one release have and those of the other do not; or
an element that is an array in one and a single value in the other. ``marks.json`` lists them all, for
resources and their backbone elements one level down; ``vendor`` makes it from the definitions
(``python -m fhircare.spec.recognise`` writes it again). Nothing else is imported: the check asks this of
every file.
"""

from __future__ import annotations

import json
import os
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_FILE = os.path.join(os.path.dirname(__file__), "marks.json")  # noqa: PTH118, PTH120 - start-up time
VERSIONS = "http://hl7.org/fhir/FHIR-version"
_BY_VERSION = {"4.0": "R4", "5.0": "R5"}
TYPE_ITSELF = "*"


def recognise(resource: Mapping[str, Any]) -> str | None:
    """Return the release that a resource is in, or a Bundle by what most of its entries say.

    Args:
        resource: Any resource as JSON.

    Returns:
        ``R4`` or ``R5``; None when nothing tells, or as much tells the one as the other.
    """
    said = _tagged(resource)
    if said:
        return said
    votes = {"R4": 0, "R5": 0}
    for one in _resources(resource):
        for release in _marked(one):
            votes[release] += 1
    if votes["R4"] == votes["R5"]:
        return _version(resource) or None
    return "R4" if votes["R4"] > votes["R5"] else "R5"


def _tagged(resource: Mapping[str, Any]) -> str:
    """Return the release that a resource is tagged with, by FHIR's own code system of its versions."""
    meta = resource.get("meta")
    tags = meta.get("tag") if isinstance(meta, dict) else None
    for tag in tags if isinstance(tags, list) else ():
        if isinstance(tag, dict) and tag.get("system") == VERSIONS:
            return _release(tag.get("code"))
    return ""


def _version(resource: Mapping[str, Any]) -> str:
    """Return the release that a definition or a statement of capabilities is about, in ``fhirVersion``.

    Usually, but not always, it is also in that release.
    """
    version = resource.get("fhirVersion")
    return _release(version[0] if isinstance(version, list) and len(version) == 1 else version)


def _release(version: Any) -> str:
    return _BY_VERSION.get(version[:3], "") if isinstance(version, str) else ""


def _resources(resource: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    yield resource
    if resource.get("resourceType") == "Bundle":
        entries = resource.get("entry")
        for entry in entries if isinstance(entries, list) else ():
            inner = entry.get("resource") if isinstance(entry, dict) else None
            if isinstance(inner, dict):
                yield from _resources(inner)


def _marked(resource: Mapping[str, Any]) -> Iterator[str]:
    """Yield each release that something in a resource is a mark of."""
    kind = resource.get("resourceType")
    for release, marks in _marks().items():
        nodes = marks.get(kind) if isinstance(kind, str) else None
        if nodes is not None and any(_has(resource, place, names) for place, names in nodes.items()):
            yield release


def _has(resource: Mapping[str, Any], place: str, names: frozenset[str]) -> bool:
    """Tell whether a resource, or one of its backbone elements ``place``, has one of the marks."""
    if TYPE_ITSELF in names:
        return True
    if not place:
        return _any(resource, names)
    held = resource.get(place)
    items = held if isinstance(held, list) else (held,)
    return any(isinstance(item, dict) and _any(item, names) for item in items)


def _any(held: Mapping[str, Any], names: frozenset[str]) -> bool:
    if not names.isdisjoint(held):
        return True
    # "class[]" is an array, "class{}" a single value.
    return any(
        name[:-2] in held and isinstance(held[name[:-2]], list) == (name[-1] == "]")
        for name in names
        if name[-1] in "]}"
    )


@cache
def _marks() -> dict[str, dict[str, dict[str, frozenset[str]]]]:
    """Return by release and type, the marks at the type itself ("") and at its backbone elements."""
    with open(_FILE, "rb") as stream:  # noqa: PTH123 - see above
        raw = json.load(stream)
    return {
        release: {
            kind: {place: frozenset(names.split()) for place, names in nodes.items()}
            for kind, nodes in types.items()
        }
        for release, types in raw.items()
    }


def differences() -> dict[str, dict[str, dict[str, str]]]:
    """Return what ``marks.json`` holds, from the definitions of both releases."""
    from fhircare.spec import definitions

    held = {release: definitions(release) for release in ("R4", "R5")}
    made: dict[str, dict[str, dict[str, str]]] = {}
    for release, other in (("R4", "R5"), ("R5", "R4")):
        mine, theirs = held[release], held[other]
        types = made.setdefault(release, {})
        for kind in sorted(mine.resource_types):
            if kind not in theirs.resource_types:
                types[kind] = {"": TYPE_ITSELF}
                continue
            definition = mine.type(kind)
            nodes = definition.nodes if definition else {}
            for node_id, node in nodes.items():
                twin = theirs.node(node_id)
                if twin is None or node_id.count(".") > 1:
                    continue
                names = {n: e.is_list for e in node.elements.values() for n in e.names}
                known = {n: e.is_list for e in twin.elements.values() for n in e.names}
                only = [n for n in names if n not in known]
                shaped = [(n, many) for n, many in names.items() if known.get(n, many) != many]
                only += [f"{n}[]" if many else f"{n}{{}}" for n, many in shaped]
                if only:
                    types.setdefault(kind, {})[node_id.partition(".")[2]] = " ".join(sorted(only))
    return made


def main() -> None:
    """Write ``marks.json`` again."""
    with open(_FILE, "w", encoding="utf-8") as stream:  # noqa: PTH123 - see above
        json.dump(differences(), stream, indent=0, sort_keys=True)
        stream.write("\n")


if __name__ == "__main__":
    main()
