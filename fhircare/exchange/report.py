"""What became of a plan that was sent: one line per entry, and what a person should know about it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from fhircare.exchange import wire

if TYPE_CHECKING:
    from fhircare.exchange.http import Request

Outcome = Literal["created", "updated", "unchanged", "kept", "withdrawn"]
"""kept: not ours to change, or changed there by somebody else since; withdrawn: of an earlier revision."""
_IN_WORDS: dict[Outcome, str] = {
    "created": "created",
    "updated": "updated",
    "withdrawn": "withdrawn",
    "unchanged": "unchanged",
    "kept": "kept as it is there",
}
Way = Literal["transaction", "single", "document"]


@dataclass(frozen=True, slots=True)
class EntryReport:
    """What became of one entry."""

    place: str
    """Where it stands in the bundle; "" for a resource of an earlier revision."""
    kind: str
    """Resource type."""
    outcome: Outcome
    """What was done."""
    reference: str
    """Where it is on the server, such as CarePlan/12."""
    note: str = ""
    """What else there is to know."""

    def as_data(self) -> dict[str, str]:
        """Return it as JSON data, without empty members."""
        data = {
            "place": self.place,
            "type": self.kind,
            "outcome": self.outcome,
            "reference": self.reference,
            "note": self.note,
        }
        return {key: value for key, value in data.items() if value}


@dataclass(frozen=True, slots=True)
class SendReport:
    """What became of a bundle."""

    destination: str
    """Where it was sent."""
    way: Way
    """How: transactions, single requests, or as one document."""
    entries: tuple[EntryReport, ...] = ()
    """One per entry."""
    notes: tuple[str, ...] = ()
    """What a person should know."""
    verified: bool = False
    """True when everything was read back and found as sent."""

    @property
    def counts(self) -> dict[str, int]:
        """How many of each outcome."""
        return dict(Counter(entry.outcome for entry in self.entries))

    def as_data(self) -> dict[str, Any]:
        """Return it as JSON data."""
        return {
            "destination": self.destination,
            "way": self.way,
            "verified": self.verified,
            "counts": self.counts,
            "entries": [entry.as_data() for entry in self.entries],
            "notes": list(self.notes),
        }

    def as_text(self) -> str:
        """Return it as lines to read: what was done to which, and of the rest how many."""
        counts = self.counts
        told = ", ".join(f"{counts[one]} {words}" for one, words in _IN_WORDS.items() if one in counts)
        lines = [
            f"{self.destination}: {told or 'nothing'}; "
            + ("read back, as sent" if self.verified else "not all as sent")
        ]
        lines += [
            f"  {e.outcome:<9} {e.reference or e.kind}" + (f"  ({e.note})" if e.note else "")
            for e in self.entries
            if e.outcome not in ("unchanged", "kept") or e.note
        ]
        return "\n".join([*lines, *(f"  note: {note}" for note in self.notes)])


@dataclass(frozen=True, slots=True)
class DryRun:
    """The requests that sending would make, exactly, but for the authorisation header.

    Ids that the server has yet to give stand as the bundle's own ``urn:uuid``.
    """

    destination: str
    way: Way
    requests: tuple[Request, ...] = field(default=(), repr=False)
    notes: tuple[str, ...] = ()

    def as_data(self) -> dict[str, Any]:
        """Return it as JSON data."""
        return {
            "destination": self.destination,
            "way": self.way,
            "requests": [
                {
                    "method": request.method,
                    "url": request.url,
                    "headers": dict(request.headers),
                    "body": wire.loads(request.body) if request.body else None,
                }
                for request in self.requests
            ],
            "notes": list(self.notes),
        }

    def as_text(self) -> str:
        """Return it as it would go over the wire, bodies indented."""
        parts = []
        for request in self.requests:
            head = [f"{request.method} {request.url}", *(f"{k}: {v}" for k, v in request.headers.items())]
            parts.append(
                "\n".join(head) + "\n\n" + (wire.pretty(wire.loads(request.body)) if request.body else "")
            )
        parts += [f"note: {note}" for note in self.notes]
        return "\n\n".join(parts) if parts else "nothing to send: the server has it all"
