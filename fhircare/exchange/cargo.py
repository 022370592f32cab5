"""The entries of one bundle on their way: what the server has of each, and references made literal."""

from __future__ import annotations

import copy
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fhircare.exchange import same as sameness
from fhircare.exchange.entries import attachments, plain, references

if TYPE_CHECKING:
    from collections.abc import Callable
    from collections.abc import Set as AbstractSet

    from fhircare.exchange.client import Resource, Stored
    from fhircare.exchange.entries import Entry
    from fhircare.exchange.report import Outcome

_ELSEWHERE = re.compile(r"http://hl7\.org/fhir/\d\.\d/StructureDefinition/extension-Meta\.profile")
"""Where a bundle said in another release keeps the claims of this one's profiles (``fhircare.releases``)."""


@dataclass(slots=True)
class Item:
    """One entry on its way."""

    entry: Entry
    reference: str = ""
    """Its literal reference on the server, once known."""
    stored: Stored | None = None
    """As the server had it at the last look."""
    looked: bool = False
    """Whether it was looked for yet."""
    stale: bool = False
    """Whether a write for it went out since the last look."""
    wrote: bool = False
    """Whether a write for it ever went out."""
    was_there: bool | None = None
    """Whether the server had it at the first look."""
    written: str = ""
    """Fingerprint of what was written and acknowledged."""
    kept: bool = False
    """Changed there by somebody else since it was last sent: left as it is."""
    logical: bool = False
    """A person or organisation the server does not take: referred to by number."""

    @property
    def outcome(self) -> Outcome:
        """What became of it."""
        if self.kept or self.logical:
            return "kept"
        if not self.was_there:
            return "created"
        if self.wrote:
            return "updated"
        return "unchanged" if self.entry.owner == "own" else "kept"

    @property
    def note(self) -> str:
        """What else there is to know about it."""
        if self.kept:
            return "changed there since it was last sent; left as it is there"
        if self.logical:
            return "not known there, and cannot be added; referred to by its number"
        return ""


class Cargo:
    """All entries of a bundle, with what is known of them."""

    def __init__(
        self,
        found: tuple[Entry, ...],
        base: str,
        knows: Callable[[str, str], bool] = lambda _kind, _profile: True,
    ) -> None:
        """Take the entries of a bundle.

        Args:
            found: The entries.
            base: The server's base address.
            knows: Whether the server lists a profile for a type. A claim of a profile it does not know says
                nothing to it, and makes some servers refuse the resource. So does a claim that is kept for
                another release's profile.
        """
        self.items = [Item(entry) for entry in found]
        self._base, self._knows = base, knows
        self._by_url = {item.entry.full_url: item for item in self.items}
        for item in self.items:
            tail = item.entry.full_url.rsplit("/", 1)[-1]
            self._by_url.setdefault(f"{item.entry.kind}/{tail}", item)
        self._targets = {id(item): self._find_targets(item) for item in self.items}
        self._made: dict[int, _Made] = {}

    def target(self, reference: str) -> Item | None:
        """Return the item a reference of the bundle points to, None for one outside."""
        return self._by_url.get(plain(reference))

    def targets(self, item: Item) -> list[Item]:
        """Return the items one refers to."""
        return self._targets[id(item)]

    def _find_targets(self, item: Item) -> list[Item]:
        named = [str(r["reference"]) for r in references(item.entry.resource)]
        named += [str(a.get("url", "")) for a in attachments(item.entry.resource)]
        found = {id(t): t for name in named if (t := self.target(name)) is not None}
        return list(found.values())

    def open(self, item: Item, inside: AbstractSet[int] = frozenset()) -> bool:
        """Return whether it refers to one whose id is not known; those with id() ``inside`` left aside."""
        return any(
            not target.reference and not target.logical and id(target) not in inside
            for target in self.targets(item)
        )

    def resolved(self, item: Item) -> Resource:
        """Return its resource with references made literal as far as ids are known; not to be changed."""
        return self._as_of_now(item).resource

    def mark(self, item: Item) -> str:
        """Return the fingerprint of ``resolved``."""
        made = self._as_of_now(item)
        if not made.mark:
            made.mark = sameness.fingerprint(made.resource)
        return made.mark

    def key(self, item: Item) -> str:
        """Return the name under which it is remembered: its type and identifier, else what it says."""
        name = item.entry.identifier
        return f"{item.entry.kind}|" + ("|".join(name) if name else self.mark(item))

    def _as_of_now(self, item: Item) -> _Made:
        known = tuple((target.reference, target.logical) for target in self.targets(item))
        made = self._made.get(id(item))
        if made is None or made.known != known:
            made = self._made[id(item)] = _Made(known, self._make(item))
        return made

    def _make(self, item: Item) -> Resource:
        resource: Resource = copy.deepcopy(item.entry.resource)
        for reference in references(resource):
            target = self.target(str(reference["reference"]))
            if target is not None:
                _resolve(reference, target)
        for attachment in attachments(resource):
            target = self.target(str(attachment.get("url", "")))
            if target is not None and target.reference:
                attachment["url"] = f"{self._base}/{target.reference}"
        _keep_claims(resource, self._knows)
        return resource


@dataclass(slots=True)
class _Made:
    """A resource made with what was known, kept until more is known."""

    known: tuple[tuple[str, bool], ...]
    resource: Resource
    mark: str = ""


def _keep_claims(resource: Resource, knows: Callable[[str, str], bool]) -> None:
    """Leave out claims the server does not know; those of another release's profiles, which it cannot."""
    meta = resource.get("meta")
    if not isinstance(meta, dict):
        return
    claims = [p for p in meta.get("profile") or () if knows(resource["resourceType"], str(p))]
    others = [e for e in meta.get("extension") or () if not _ELSEWHERE.fullmatch(str(e.get("url", "")))]
    kept = {name: value for name, value in meta.items() if name not in ("profile", "extension")}
    kept |= ({"profile": claims} if claims else {}) | ({"extension": others} if others else {})
    if kept:
        resource["meta"] = kept
    else:
        del resource["meta"]


def _resolve(reference: dict[str, Any], target: Item) -> None:
    if target.reference:
        _, version, number = str(reference["reference"]).partition("/_history/")
        reference["reference"] = f"{target.reference}{version}{number}"
    elif target.logical and target.entry.identifier:
        del reference["reference"]
        system, value = target.entry.identifier
        reference |= {"type": target.entry.kind, "identifier": {"system": system, "value": value}}
