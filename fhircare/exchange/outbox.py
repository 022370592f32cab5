"""The outbox: what is to be sent, kept in SQLite until it has arrived.

Each parcel is one bundle for one destination. Its states::

    waiting ──claim──▶ sending ──▶ arrived
       ▲                  │ └────▶ set-aside      (refused, or tried too often; its reason is kept)
       └──────later───────┘

Every change of state is one transaction and leaves a line in the journal. A claim is a lease: when its
holder dies, the parcel is free again when the lease runs out, and sending it once more does no harm, because
sending looks first (``fhircare.exchange.sending``). While one process sends to a destination no other does,
and parcels of one plan go in the order they came, so that an old revision never follows a new one.

This module opens the database file itself (with ``keeping`` the exception to the rule that only the edge
opens files): SQLite's guarantees hold only for whoever holds the file. It is made readable by its owner
alone, since it holds whole plans.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, contextmanager
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from fhircare.errors import Fault, InputError, OutputError
from fhircare.exchange.memory import LongMemory
from fhircare.exchange.parcel import Parcel, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

MOST_ATTEMPTS = 12
"""A parcel that failed this often is set aside: with the pauses below, after about two days."""
FIRST_PAUSE = 60.0
"""Seconds before the second attempt; doubled each time."""
LONGEST_PAUSE = 6 * 3600.0
LEASE = 600.0
"""Seconds a claim holds without being renewed."""
_UNWRITABLE = {
    "SQLITE_FULL",
    "SQLITE_READONLY",
    "SQLITE_IOERR_WRITE",
    "SQLITE_IOERR_FSYNC",
    "SQLITE_CANTOPEN",
}
"""What SQLite says when the file's device is full or may not be written to."""


class LeaseLostError(Exception):
    """Another process has taken the parcel over: stop at once, it will be seen to."""


class Outbox:
    """The outbox in one database file."""

    def __init__(self, path: str) -> None:
        try:
            if path != ":memory:":
                _make_private(path)
            self._path = path
            self._db = sqlite3.connect(path, timeout=30, isolation_level=None, check_same_thread=False)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("PRAGMA foreign_keys = ON")
            self._prepare()
        except (sqlite3.Error, OSError) as error:
            raise InputError(
                Fault("", f"cannot be used as the outbox ({type(error).__name__})", "name another file"),
                file=path,
            ) from None

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def put(
        self, destination: str, series: str, digest: str, body: bytes, *, now: float, pdf: bytes | None = None
    ) -> Parcel:
        """Put a bundle in for a destination.

        When the newest parcel of that plan there is the same bundle and still on its way, it is that parcel;
        otherwise it is a new one, for the plan may have been something else in between.
        """
        with self._change() as db:
            newest = db.execute(
                "SELECT id, digest, state FROM parcel WHERE destination = ? AND series = ? "
                "ORDER BY id DESC LIMIT 1",
                (destination, series),
            ).fetchone()
            if newest is not None and newest[1] == digest and newest[2] in ("waiting", "sending"):
                number = int(newest[0])
                db.execute("UPDATE parcel SET due = min(due, ?) WHERE id = ?", (now, number))
            else:
                (number,) = db.execute(
                    "INSERT INTO parcel (destination, series, digest, body, pdf, state, due, queued) "
                    "VALUES (?, ?, ?, ?, ?, 'waiting', ?, ?) RETURNING id",
                    (destination, series, digest, body, pdf, now, now),
                ).fetchone()
                self._note(number, now, "waiting", "queued")
        return self.parcel(number)

    def parcel(self, number: int) -> Parcel:
        """Return one parcel.

        Raises:
            InputError: When there is none of that number.
        """
        found = self._rows("WHERE id = ?", number)
        if not found:
            raise InputError(Fault("PARCEL", "is not in the outbox", "see `fhircare outbox`"))
        return found[0]

    def parcels(self, *states: State) -> list[Parcel]:
        """Return parcels in the order they came, all or those in some states; without what is in them."""
        wanted = states or get_args(State)
        marks = ", ".join("?" * len(wanted))
        return self._rows(f"WHERE state IN ({marks}) ORDER BY id", *wanted, whole=False)

    def claim(
        self,
        holder: str,
        *,
        now: float,
        lease: float = LEASE,
        only: frozenset[int] | None = None,
        skip: frozenset[str] = frozenset(),
    ) -> Parcel | None:
        """Take the next parcel that may be sent now, None when there is none.

        Args:
            holder: Who takes it: one name per process.
            now: Seconds since 1970.
            lease: Seconds it is ours without being renewed.
            only: Numbers of the parcels to choose from; None for all.
            skip: Destinations to leave alone.
        """
        with self._change() as db:
            for number, destination in db.execute(_NEXT, {"now": now, "holder": holder}).fetchall():
                if destination in skip or (only is not None and number not in only):
                    continue
                db.execute(
                    "UPDATE parcel SET state = 'sending', holder = ?, lease = ?, attempts = attempts + 1 "
                    "WHERE id = ?",
                    (holder, now + lease, number),
                )
                self._note(number, now, "sending", "")
                return self._rows("WHERE id = ?", number)[0]
        return None

    def renew(self, number: int, holder: str, *, now: float, lease: float = LEASE) -> None:
        """Hold on to a parcel for longer.

        Raises:
            LeaseLostError: When another process has it by now.
        """
        with self._change() as db:
            self._held(db, number, holder)
            db.execute("UPDATE parcel SET lease = ? WHERE id = ?", (now + lease, number))

    def release(self, gone: Callable[[str], bool], *, now: float) -> int:
        """Free the parcels whose holder is gone, before their lease runs out. Return how many."""
        with self._change() as db:
            rows = db.execute(
                "SELECT id, holder FROM parcel WHERE state = 'sending' AND lease > ?", (now,)
            ).fetchall()
            dead = [number for number, holder in rows if gone(holder)]
            for number in dead:
                db.execute("UPDATE parcel SET lease = ? WHERE id = ?", (now, number))
                self._note(number, now, "sending", "its holder is gone")
        return len(dead)

    def arrived(self, number: int, holder: str, *, now: float, note: str = "") -> None:
        """Note that a parcel has arrived."""
        self._finish(number, holder, "arrived", note, now)

    def set_aside(self, number: int, holder: str, reason: str, *, now: float) -> None:
        """Note that a parcel cannot be delivered; a person has to look."""
        self._finish(number, holder, "set-aside", reason, now)

    def later(
        self,
        number: int,
        holder: str,
        reason: str,
        *,
        now: float,
        wait: float | None,
        chance: float,
        counts: bool = True,
    ) -> None:
        """Put a parcel off; set it aside when it was tried too often.

        Args:
            number: The parcel.
            holder: Who holds it.
            reason: Why it did not arrive.
            now: Seconds since 1970.
            wait: Seconds the server asked us to wait, None when it did not say.
            chance: Between 0 and 1, spreads the attempts of many.
            counts: False when the attempt never got as far as the parcel.
        """
        with self._change() as db:
            (attempts,) = self._held(db, number, holder)
            if not counts:
                attempts -= 1
            if attempts >= MOST_ATTEMPTS:
                self._move(number, "set-aside", f"{attempts} attempts: {reason}", now)
                return
            pause = min(FIRST_PAUSE * 2.0 ** max(attempts - 1, 0), LONGEST_PAUSE)
            due = now + max(wait or 0.0, pause * (0.5 + chance / 2))
            db.execute("UPDATE parcel SET due = ?, attempts = ? WHERE id = ?", (due, attempts, number))
            self._move(number, "waiting", reason, now)

    def retry(self, number: int, *, now: float) -> Parcel:
        """Take a parcel that was set aside up again.

        Raises:
            InputError: When it was not set aside, or a later revision of the plan has gone since.
        """
        parcel = self.parcel(number)
        if parcel.state != "set-aside":
            raise InputError(
                Fault("PARCEL", f"is {parcel.state}", "only what was set aside is taken up again")
            )
        later = [p for p in self.parcels("arrived") if p.id > number and _same_plan(p, parcel)]
        if later:
            raise InputError(
                Fault("PARCEL", "is out of date", f"parcel {later[-1].id} of this plan has arrived")
            )
        with self._change() as db:
            db.execute("UPDATE parcel SET due = ?, attempts = 0 WHERE id = ?", (now, number))
            self._move(number, "waiting", "taken up again", now)
        return self.parcel(number)

    def clear(self, *, before: float, now: float) -> int:
        """Clear away what is in parcels that arrived before a time; their record stays. Return how many."""
        with self._change() as db:
            rows = db.execute(
                "SELECT id FROM parcel p WHERE state = 'arrived' AND body IS NOT NULL AND "
                "(SELECT max(at) FROM journal WHERE parcel = p.id AND state = 'arrived') < ?",
                (before,),
            ).fetchall()
            for (number,) in rows:
                db.execute("UPDATE parcel SET body = NULL, pdf = NULL WHERE id = ?", (number,))
                self._note(number, now, "arrived", "content cleared away")
        return len(rows)

    def journal(self, number: int) -> list[tuple[float, str, str]]:
        """Return what happened to a parcel: when (seconds since 1970), the state it went to, and why."""
        rows = self._db.execute("SELECT at, state, note FROM journal WHERE parcel = ? ORDER BY id", (number,))
        return [(row[0], row[1], row[2]) for row in rows.fetchall()]

    def places(self, series: str) -> list[str]:
        """Return the destinations that some revision of a plan has gone to, or is on its way to."""
        rows = self._db.execute(
            "SELECT DISTINCT destination FROM parcel WHERE series = ? AND state <> 'set-aside' ORDER BY 1",
            (series,),
        )
        return [row[0] for row in rows.fetchall()]

    def memory(self, destination: str) -> LongMemory:
        """Return what is remembered of one destination."""
        return LongMemory(self._db, destination)

    # --- inside --------------------------------------------------------------------------------------------

    def _prepare(self) -> None:
        with closing(self._db.execute("PRAGMA user_version")) as asked:
            (version,) = asked.fetchone()
        if version > 1:
            raise InputError(Fault("", "was written by a later release", "install that release"))
        if version < 1:
            schema = (files(__package__) / "outbox.sql").read_text("utf-8")
            self._db.executescript(f"BEGIN IMMEDIATE;\n{schema}\nCOMMIT;")

    @contextmanager
    def _change(self) -> Iterator[sqlite3.Connection]:
        """One change of state: all of it, or nothing.

        Raises:
            OutputError: When the disk is full, or may not be written to.
        """
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                if self._db.in_transaction:  # SQLite rolls back by itself when the disk is full
                    self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorname not in _UNWRITABLE:
                raise
            raise OutputError(
                self._path, "cannot be written to", "make room there, or let us write"
            ) from None

    def _held(self, db: sqlite3.Connection, number: int, holder: str) -> tuple[int]:
        row: tuple[int] | None = db.execute(
            "SELECT attempts FROM parcel WHERE id = ? AND holder = ? AND state = 'sending'", (number, holder)
        ).fetchone()
        if row is None:
            raise LeaseLostError
        return row

    def _finish(self, number: int, holder: str, state: State, note: str, now: float) -> None:
        with self._change() as db:
            self._held(db, number, holder)
            self._move(number, state, note, now)

    def _move(self, number: int, state: State, note: str, now: float) -> None:
        self._db.execute(
            "UPDATE parcel SET state = ?, reason = ?, holder = '', lease = 0 WHERE id = ?",
            (state, note, number),
        )
        self._note(number, now, state, note)

    def _note(self, number: int, now: float, state: State, note: str) -> None:
        self._db.execute(
            "INSERT INTO journal (parcel, at, state, note) VALUES (?, ?, ?, ?)", (number, now, state, note)
        )

    def _rows(self, tail: str, *values: object, whole: bool = True) -> list[Parcel]:
        content = "body, pdf" if whole else "NULL, NULL"
        columns = f"id, destination, series, digest, state, attempts, due, reason, queued, {content}"
        rows = self._db.execute("SELECT " + columns + " FROM parcel " + tail, values)  # noqa: S608 - all ours
        return [Parcel(*row) for row in rows.fetchall()]


_NEXT = """
SELECT id, destination FROM parcel p
WHERE (state = 'waiting' AND due <= :now OR state = 'sending' AND lease <= :now)
  AND NOT EXISTS (SELECT 1 FROM parcel o WHERE o.destination = p.destination AND o.state = 'sending'
                  AND o.lease > :now AND o.holder <> :holder)
  AND NOT EXISTS (SELECT 1 FROM parcel o WHERE o.destination = p.destination AND o.series = p.series
                  AND o.id < p.id AND o.state IN ('waiting', 'sending'))
ORDER BY id
"""


def _same_plan(one: Parcel, other: Parcel) -> bool:
    return (one.destination, one.series) == (other.destination, other.series)


def _make_private(path: str) -> None:
    Path(path).absolute().parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    handle = os.open(path, os.O_CREAT | os.O_RDWR, 0o600)
    os.fchmod(handle, 0o600)
    os.close(handle)
