"""What a bundle from elsewhere says that nobody reads: every leaf is told, or named here.

Named is the highest place below which nothing was told, never above a resource, so that the list stays short.
Neither told nor named are what only moves or tells apart resources (ids, full URLs, versions, the frame of
the bundle), references that lead to a resource of the bundle (it is told or named itself), narratives that
say they only repeat their resource, and the rest of an element that was told (the codes beside a text).
"""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.bundle.located import Node
from fhircare.bundle.source import Unread
from fhircare.bundle.told import strangers

if TYPE_CHECKING:
    from fhircare.bundle.source import Source

_FRAME = frozenset({"resourceType", "id", "meta", "language"})
_BUNDLE = _FRAME | {"type", "timestamp", "identifier", "link", "total", "signature"}
_ENTRY = frozenset({"id", "fullUrl", "link", "search", "request", "response"})
_POINTER = frozenset({"id", "reference", "display", "type", "identifier"})
_WHOLES = (
    {"id", "coding", "text"},
    {"id", "system", "version", "code", "display", "userSelected"},
    {"id", "value", "unit", "system", "code"},
    {"id", "use", "system", "value", "rank"},
    {"id", "use", "text", "prefix", "given", "family", "suffix"},
    {"id", "name", "type"},
    {"id", "concept", "reference"},
    {"id", "status", "div"},
)
"""Elements of which one leaf tells the whole: concept, coding, quantity, contact point, name, R5's
concept or reference, narrative.
"""
_DECIDED = frozenset(
    {
        "status",
        "intent",
        "lifecycleStatus",
        "active",
        "doNotPerform",
        "clinicalStatus",
        "verificationStatus",
        "kind",
    }
)
"""Elements that decided whether the rest is told: where the rest is told, they were read."""


_NO_PLACE = "is something that this reading has no place for"


class _Found(NamedTuple):
    """What is below a place: whether any of it was told, what was not, whether a resource is there."""

    told: bool
    left: list[str]
    resource: bool = False


def leftover(source: Source, told: frozenset[str]) -> tuple[str, ...]:
    """Return the FHIRPath of every place of a bundle that holds something not told, in order.

    Args:
        source: The bundle.
        told: The FHIRPath of every leaf that was told.
    """
    return tuple(_Sweep(source, told).over(source.root.value, source.root.path, None).left)


def unread_of(source: Source, told: frozenset[str]) -> tuple[Unread, ...]:
    """Return all of a bundle that was not told, each place with the reason that was noted, if one was.

    Args:
        source: The bundle, with what was noted while it was read.
        told: The FHIRPath of every leaf that was told.
    """
    noted: dict[str, str] = {}
    for one in source.unread:
        noted.setdefault(one.path, one.reason)
    whole = [Unread(path, reason) for path, reason in noted.items() if path == source.root.path]
    noted.pop(source.root.path, None)
    order = sorted(noted)
    return (*whole, *(Unread(place, _reason(place, noted, order)) for place in leftover(source, told)))


def _reason(place: str, noted: dict[str, str], order: list[str]) -> str:
    """Return what was noted of a place, else just below it; not what was noted of all around it."""
    if place in noted:
        return noted[place]
    below = []
    for mark in (".", "["):
        at = bisect_left(order, place + mark)
        if at < len(order) and order[at].startswith(place + mark):
            below.append(order[at])
    return noted[min(below, key=len)] if below else _NO_PLACE


class _Sweep:
    """One walk over a bundle."""

    def __init__(self, source: Source, told: frozenset[str]) -> None:
        self.source = source
        self.told = told
        self.persons = {source.person} - {""}

    def over(self, value: Any, path: str, holder: Node | None) -> _Found:
        """Look at a place and all below it; ``holder`` is the resource that it may point into."""
        if isinstance(value, dict):
            return self._object(value, path, holder)
        if isinstance(value, list):
            members = [self.over(one, f"{path}[{i}]", holder) for i, one in enumerate(value)]
            extensions = path.rpartition(".")[2] == "extension"  # each says something of its own
            whole = not extensions and all(one.left == [f"{path}[{i}]"] for i, one in enumerate(members))
            return _together(members, path, whole=whole)
        told = path in self.told
        return _Found(told, [] if told or value is None else [path])

    def _object(self, value: dict[str, Any], path: str, holder: Node | None) -> _Found:
        resource = isinstance(value.get("resourceType"), str)
        if resource and not (holder and ".contained[" in path):
            holder = Node(value, path)
        neutral = self._neutral(value, path, holder)
        below = {
            name: self.over(one, f"{path}.{name}", holder)
            for name, one in value.items()
            if name not in neutral
        }
        named = any(f"{path}.{name}" in self.told for name in neutral & value.keys())
        if named or any(one.told for one in below.values()):
            if value.keys() <= _narrow(value):
                return _Found(told=True, left=list(strangers(value, path)), resource=resource)
            left: list[str] = []
            for name, one in below.items():
                known = name in _DECIDED
                left += strangers(value[name], f"{path}.{name}") if known else one.left
            return _Found(told=True, left=left, resource=resource)
        if resource and value["resourceType"] != "Bundle":
            return _Found(told=False, left=[path], resource=True)
        return _together(list(below.values()), path, whole=not _is_extension(value))

    def _neutral(self, value: dict[str, Any], path: str, holder: Node | None) -> frozenset[str]:
        """Return the names of the elements that need not be told here."""
        if "resourceType" in value:
            text = value.get("text")
            repeats = isinstance(text, dict) and text.get("status") == "generated"
            frame = _BUNDLE if value["resourceType"] == "Bundle" else _FRAME
            return frame | {"text"} if repeats and f"{path}.text.div" not in self.told else frame
        if "resource" in value and path.startswith("Bundle.entry["):
            return _ENTRY
        if _is_extension(value):
            return frozenset({"id", "url"})  # its name; what it says is its value
        if "reference" in value and self._leads(value, path, holder):
            return _POINTER
        return frozenset()

    def _leads(self, value: dict[str, Any], path: str, holder: Node | None) -> bool:
        """Tell whether a reference leads to a resource of the bundle, or to the plan's own person."""
        pointer = Node(value, path, holder)
        return pointer.word("reference") in self.persons or self.source.resolve(pointer) is not None


def _is_extension(value: dict[str, Any]) -> bool:
    return isinstance(value.get("url"), str) and any(
        name == "extension" or name.startswith("value") for name in value
    )


def _narrow(value: dict[str, Any]) -> set[str]:
    """Return the shape of a whole that an object has, an empty set for none."""
    return next((shape for shape in _WHOLES if value.keys() <= shape), set())


def _together(members: list[_Found], path: str, *, whole: bool) -> _Found:
    """Put members together; what is ``whole`` and of which nothing was told is named as one.

    Resources are never put together: each is named by itself.
    """
    told = any(one.told for one in members)
    resource = any(one.resource for one in members)
    left = [place for one in members for place in one.left]
    return _Found(told, [path] if whole and left and not told and not resource else left, resource)
