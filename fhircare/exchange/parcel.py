"""A parcel of the outbox: one bundle for one destination."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any, Literal

State = Literal["waiting", "sending", "arrived", "set-aside"]


@dataclass(frozen=True, slots=True)
class Parcel:
    """One bundle for one destination."""

    id: int
    destination: str
    series: str
    """The plan's series number, system and value."""
    digest: str
    """SHA-256 of the bundle, hexadecimal."""
    state: State
    attempts: int
    due: float
    """Not to be sent before, seconds since 1970."""
    reason: str
    """Why it is where it is."""
    queued: float
    """When it was put here, seconds since 1970."""
    body: bytes | None = field(default=None, repr=False)
    """The bundle as JSON, None once it was cleared away."""
    pdf: bytes | None = field(default=None, repr=False)
    """The handout, when it may have to go as a document."""

    def as_data(self) -> dict[str, Any]:
        """Return it as JSON data, without what is in it."""
        return {
            "parcel": self.id,
            "destination": self.destination,
            "plan": self.series.rpartition("|")[2],
            "state": self.state,
            "attempts": self.attempts,
            "queued": _moment(self.queued),
            "due": _moment(self.due) if self.state == "waiting" else None,
            "reason": self.reason,
        }

    def as_text(self) -> str:
        """Return it as one line to read."""
        told = f"; {self.reason}" if self.reason else ""
        due = f", again after {_moment(self.due)}" if self.state == "waiting" and self.attempts else ""
        plan = self.series.rpartition("|")[2]
        number = f"{self.attempts} attempt" + ("" if self.attempts == 1 else "s")
        return f"{self.id:>5}  {self.state:<9}  {self.destination}  plan {plan}, {number}{due}{told}"


def _moment(seconds: float) -> str:
    return dt.datetime.fromtimestamp(int(seconds), dt.UTC).isoformat()
