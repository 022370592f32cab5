"""Finding what has no identifier: a Provenance by its target, a Binary by the document that points to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.exchange import same as sameness
from fhircare.exchange.client import Stored, place
from fhircare.exchange.entries import attachments, references
from fhircare.exchange.many import read_all, search_all

if TYPE_CHECKING:
    from fhircare.exchange.cargo import Cargo, Item
    from fhircare.exchange.client import FhirServer, Resource
    from fhircare.exchange.memory import Memory


def find_nameless(
    server: FhirServer, cargo: Cargo, memory: Memory, items: list[Item]
) -> list[tuple[Item, Stored | None]]:
    """Return for each item what says the same, None where the server has nothing that does.

    What was remembered is taken first, because some servers change what they store.
    """
    ready = [item for item in items if not cargo.open(item)]
    before = {id(item): one.reference for item in ready if (one := memory.recall(cargo.key(item)))}
    kept = read_all(server, before.values())
    found = {id(item): kept.get(before.get(id(item), "")) for item in ready}
    targets = {id(i): _target(cargo, i) for i in ready if i.entry.kind == "Provenance" and not found[id(i)]}
    rows = search_all(server, [("Provenance", "target", name) for name in targets.values() if name])
    for item in ready:
        if name := targets.get(id(item)):
            found[id(item)] = _same(server, cargo, item, rows["Provenance", "target", name])
        elif item.entry.kind == "Binary" and not found[id(item)]:
            found[id(item)] = _binary(server, cargo, item)
    return [(item, found.get(id(item))) for item in items]


def _target(cargo: Cargo, item: Item) -> str:
    return next((str(r["reference"]) for r in references(cargo.resolved(item).get("target"))), "")


def _same(server: FhirServer, cargo: Cargo, item: Item, rows: list[Resource]) -> Stored | None:
    ours = cargo.resolved(item)
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
