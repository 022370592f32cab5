"""Finding what has no identifier: a Provenance by its target, a Binary by the document that points to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.exchange import same as sameness
from fhircare.exchange.client import Stored, place
from fhircare.exchange.entries import attachments, references

if TYPE_CHECKING:
    from fhircare.exchange.cargo import Cargo, Item
    from fhircare.exchange.client import FhirServer
    from fhircare.exchange.memory import Memory


def find_nameless(server: FhirServer, cargo: Cargo, memory: Memory, item: Item) -> Stored | None:
    """Return what says the same as an item without identifier, None when the server has nothing that does.

    What was remembered is taken first, because some servers change what they store.
    """
    if cargo.open(item):
        return None
    before = memory.recall(cargo.key(item))
    kept = server.read(before.reference) if before else None
    if kept is not None:
        return kept
    if item.entry.kind == "Provenance":
        return _provenance(server, cargo, item)
    return _binary(server, cargo, item) if item.entry.kind == "Binary" else None


def _provenance(server: FhirServer, cargo: Cargo, item: Item) -> Stored | None:
    ours = cargo.resolved(item)
    target = next((str(r["reference"]) for r in references(ours.get("target"))), "")
    rows = server.search("Provenance", {"target": target}).matches if target else []
    fit = next((row for row in rows if sameness.same(ours, row, server.base)), None)
    return Stored(fit) if fit else None


def _binary(server: FhirServer, cargo: Cargo, item: Item) -> Stored | None:
    """Look where the document that points to it points to now: the same content there is the same Binary."""
    for other in cargo.items:
        name = other.entry.identifier
        if name is None or item not in cargo.targets(other):
            continue
        document = server.find(other.entry.kind, *name)
        for attachment in attachments(document or {}):
            reference = place(str(attachment.get("url", "")))
            stored = server.read(reference) if reference.startswith("Binary/") else None
            if stored is not None and stored.resource.get("data") == item.entry.resource.get("data"):
                return stored
    return None
