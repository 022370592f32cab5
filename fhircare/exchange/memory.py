"""What we remember of what arrived: by it we can tell our own changes from those others made there since."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Arrived:
    """One resource as it last arrived."""

    reference: str
    """Where it is on the server, such as Goal/12."""
    version: str
    """The version the server gave it."""
    fingerprint: str
    """Of what we sent."""


class Memory(Protocol):
    """Remembers what arrived at one destination."""

    def recall(self, key: str) -> Arrived | None:
        """Return what arrived last under a key, None for nothing."""

    def remember(self, arrived: Mapping[str, Arrived]) -> None:
        """Note what arrived, by key: all of it, or nothing."""


class ShortMemory:
    """A memory that lasts as long as this object."""

    def __init__(self) -> None:
        self._kept: dict[str, Arrived] = {}

    def recall(self, key: str) -> Arrived | None:
        """Return what arrived last under a key."""
        return self._kept.get(key)

    def remember(self, arrived: Mapping[str, Arrived]) -> None:
        """Note what arrived."""
        self._kept.update(arrived)


class LongMemory:
    """What arrived at one destination, kept in the outbox's file."""

    def __init__(self, db: sqlite3.Connection, destination: str) -> None:
        self._db, self._destination = db, destination

    def recall(self, key: str) -> Arrived | None:
        """Return what arrived last under a key."""
        row = self._db.execute(
            "SELECT reference, version, fingerprint FROM arrived WHERE destination = ? AND name = ?",
            (self._destination, key),
        ).fetchone()
        return Arrived(*row) if row else None

    def remember(self, arrived: Mapping[str, Arrived]) -> None:
        """Note what arrived, in one change of the file."""
        rows = [
            (self._destination, key, one.reference, one.version, one.fingerprint)
            for key, one in arrived.items()
        ]
        self._db.execute("BEGIN IMMEDIATE")
        try:
            self._db.executemany(
                "INSERT INTO arrived VALUES (?, ?, ?, ?, ?) ON CONFLICT (destination, name) DO UPDATE SET "
                "reference = excluded.reference, version = excluded.version, "
                "fingerprint = excluded.fingerprint",
                rows,
            )
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")
