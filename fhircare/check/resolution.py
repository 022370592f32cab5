"""Where a reference leads: the standard's rules of resolution, inside one file.

What is read here is what a walk gathered; nothing is fetched. The rules are those of "Resolving references in
Bundles" (https://hl7.org/fhir/R4/bundle.html#references) and of "Contained Resources"
(https://hl7.org/fhir/R4/references.html#contained): an absolute reference matches a ``fullUrl``; a relative
one is first completed from the ``fullUrl`` of its entry, when that is a RESTful URL; a version is taken off
and matched with ``meta.versionId``; ``#id`` is looked for in the resource that contains, and ``#`` is that
resource itself.
"""

from __future__ import annotations

import re
from collections import defaultdict
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Container, Iterator

    from fhircare.check.gather import Gathered, ResourceScope

Kind = Literal["fragment", "urn", "restful", "conditional", "absolute", "malformed"]

# The RESTful URL pattern of https://hl7.org/fhir/R4/references.html#regex; types are the release's own.
_RESTFUL = re.compile(
    r"(https?://[^\s?#]*/)?([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})(?:/_history/([A-Za-z0-9\-.]{1,64}))?"
)
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:")


class Target(NamedTuple):
    """What a reference's text says by itself, before anything is looked for.

    Attributes:
        kind: Its form; ``restful`` with an empty ``base`` is a relative reference.
        base: The service base of an absolute RESTful URL, with its last slash.
        type: The resource type named in it, "" when none is.
        id: The logical id named in it.
        version: The version named in it.
    """

    kind: Kind
    base: str = ""
    type: str = ""
    id: str = ""
    version: str = ""

    @property
    def identity(self) -> str:
        """``Patient/p1``: the relative, version-less form."""
        return f"{self.type}/{self.id}"


def read_target(text: str, types: Container[str]) -> Target:
    """Return what a literal reference says, judged by its text alone.

    Args:
        text: The literal, not empty.
        types: The release's resource types.
    """
    if text[0] == "#":
        return Target("fragment", id=text[1:])
    bare = text.partition("#")[0]
    match = _RESTFUL.fullmatch(bare)
    if match and match[2] in types:
        return Target("restful", match[1] or "", match[2], match[3], match[4] or "")
    if _SCHEME.match(text):
        return Target("urn" if text.startswith("urn:") else "absolute")
    head, question, _ = text.partition("?")
    if question and head in types:
        return Target("conditional", type=head)
    return Target("malformed")


class Around(NamedTuple):
    """What surrounds a resource: who contains it, the entry it stands in, and the Bundle of that entry."""

    owner: ResourceScope
    entry: ResourceScope | None
    bundle: ResourceScope | None


class _Entries:
    """One Bundle's entries, by ``fullUrl`` and by ``Type/id``."""

    def __init__(self) -> None:
        self.by_url: dict[str, list[ResourceScope]] = defaultdict(list)
        self.by_identity: dict[str, list[ResourceScope]] = defaultdict(list)


class Index:
    """Everything in one file that a reference could lead to.

    Args:
        gathered: What the walk collected.
        types: The release's resource types.
    """

    def __init__(self, gathered: Gathered, types: Container[str]) -> None:
        self.types = types
        self._around: dict[int, Around] = {}
        self._entries: dict[int, _Entries] = {}
        self.contained: dict[int, list[ResourceScope]] = defaultdict(list)
        self._canonical: dict[str, list[ResourceScope]] | None = None
        self._resources = gathered.resources
        for scope in gathered.resources:
            if scope.kind == "entry" and scope.container is not None:
                held = self._entries.setdefault(id(scope.container), _Entries())
                if scope.full_url:
                    held.by_url[scope.full_url].append(scope)
                if isinstance(scope.resource.get("id"), str):
                    held.by_identity[f"{scope.type}/{scope.resource['id']}"].append(scope)
            elif scope.kind == "contained":
                self.contained[id(self.around(scope).owner)].append(scope)

    def around(self, scope: ResourceScope) -> Around:
        """Return what surrounds a resource; a Bundle surrounds its own references (``signature.who``)."""
        found = self._around.get(id(scope))
        if found is None:
            found = self._around[id(scope)] = _surroundings(scope)
        return found

    def in_bundle(self, url: str, bundle: ResourceScope) -> list[ResourceScope]:
        """Return the entries of a Bundle, or of one around it, whose ``fullUrl`` is ``url``."""
        here: ResourceScope | None = bundle
        while here is not None:
            held = self._entries.get(id(here))
            if held is not None and url in held.by_url:
                return held.by_url[url]
            here = here.container
        return []

    def same_identity(self, target: Target, bundle: ResourceScope) -> list[ResourceScope]:
        """Return the entries of a Bundle with the same type and id, whatever their ``fullUrl``."""
        held = self._entries.get(id(bundle))
        return held.by_identity.get(target.identity, []) if held is not None else []

    def in_any_bundle(self, url: str) -> list[ResourceScope]:
        """Return the entries of any Bundle in the file with this ``fullUrl``."""
        return [s for held in self._entries.values() for s in held.by_url.get(url, ())]

    def other_spelling(self, url: str, bundle: ResourceScope) -> bool:
        """Tell whether an entry's ``fullUrl`` differs from ``url`` in upper and lower case alone."""
        held = self._entries.get(id(bundle))
        low = url.lower()
        return held is not None and any(known.lower() == low for known in held.by_url)

    def absolute(self, target: Target, around: Around) -> str:
        """Return the version-less absolute form of a RESTful reference, "" where the rules give none."""
        if target.base:
            return target.base + target.identity
        base = service_base(around.entry, self.types)
        return base + target.identity if base else ""

    def fragment(self, target: Target, scope: ResourceScope) -> list[ResourceScope]:
        """Return what ``#id`` or ``#`` means to a resource: contained resources, or the one that contains."""
        owner = self.around(scope).owner
        if not target.id:
            return [owner] if scope is not owner else []
        return [s for s in self.contained.get(id(owner), ()) if s.resource.get("id") == target.id]

    def find(self, text: str, scope: ResourceScope) -> list[ResourceScope]:
        """Return every resource in the file that a literal leads to, by the standard's rules."""
        target = read_target(text, self.types)
        if target.kind == "fragment":
            return self.fragment(target, scope)
        around = self.around(scope)
        if around.bundle is None:
            return self.in_any_bundle(text) if target.kind in {"urn", "absolute"} else []
        if target.kind == "restful":
            url = self.absolute(target, around)
            found = self.in_bundle(url, around.bundle) if url else []
            return [s for s in found if version_of(s) == target.version] if target.version else found
        return self.in_bundle(text, around.bundle) if target.kind in {"urn", "absolute"} else []

    def unreadable(self, target: Target, text: str, scope: ResourceScope) -> bool:
        """Tell whether a reference leads to something that stands there but is no resource of the release."""
        owner, _, bundle = self.around(scope)
        if target.kind == "fragment":
            held = owner.resource.get("contained")
            return isinstance(held, list) and any(
                isinstance(inner, dict) and inner.get("id") == target.id for inner in held
            )
        entries = bundle.resource.get("entry") if bundle is not None else None
        url = text if target.kind == "urn" else self.absolute(target, self.around(scope))
        if bundle is not None and self.in_bundle(url, bundle):
            return False
        if bundle is None or not isinstance(entries, list) or self.in_bundle(url, bundle):
            return False
        return url != "" and any(isinstance(e, dict) and e.get("fullUrl") == url for e in entries)

    def canonical(self, url: str) -> list[ResourceScope]:
        """Return the resources in the file whose canonical ``url`` this is."""
        if self._canonical is None:
            self._canonical = defaultdict(list)
            for scope in self._resources:
                own = scope.resource.get("url")
                if isinstance(own, str):
                    self._canonical[own].append(scope)
        return self._canonical.get(url, [])


def _surroundings(scope: ResourceScope) -> Around:
    owner = scope
    while owner.kind == "contained" and owner.container is not None:
        owner = owner.container
    entry: ResourceScope | None = None
    here: ResourceScope | None = owner
    while here is not None and here.type != "Bundle":
        entry = here if here.kind == "entry" else entry
        here = here.container
    return Around(owner, entry, here)


def service_base(entry: ResourceScope | None, types: Container[str]) -> str:
    """Return the service base in an entry's ``fullUrl``, "" when that is no RESTful URL."""
    if entry is None or not entry.full_url:
        return ""
    target = read_target(entry.full_url, types)
    return target.base if target.kind == "restful" else ""


def version_of(scope: ResourceScope) -> str:
    """Return ``meta.versionId``, "" when there is none."""
    meta = scope.resource.get("meta")
    version = meta.get("versionId") if isinstance(meta, dict) else None
    return version if isinstance(version, str) else ""


def entry_of(scope: ResourceScope) -> tuple[int, dict[str, Any]] | None:
    """Return the index and the raw entry that an entry's resource stands in."""
    parent = scope.path[0]
    if scope.kind != "entry" or scope.container is None or parent is None or not isinstance(parent[1], int):
        return None
    entries = scope.container.resource.get("entry")
    if not isinstance(entries, list) or not isinstance(entries[parent[1]], dict):
        return None
    return parent[1], entries[parent[1]]


def bundle_type(bundle: ResourceScope | None) -> str:
    """Return ``Bundle.type``, "" when there is none."""
    kind = bundle.resource.get("type") if bundle is not None else None
    return kind if isinstance(kind, str) else ""


def element_ids(value: Any) -> Iterator[str]:
    """Yield the ids of a resource's elements, contained resources' and its own among them."""
    if isinstance(value, dict):
        for name, child in value.items():
            if name == "id" and isinstance(child, str):
                yield child
            else:
                yield from element_ids(child)
    elif isinstance(value, list):
        for child in value:
            yield from element_ids(child)
