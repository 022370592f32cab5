"""The journal of a bulk run: what was done with which content, in SQLite, so that a killed run goes on.

A row is written when the output of its item stands whole on disk, many rows in one transaction. After a kill
at any moment, what has a row is never done again, and what has none is done. A row holds the digest of the
content, so that a changed source is noticed; it holds places, counts and findings, and no patient's data.

Like the exchange's outbox this module opens its file itself: SQLite's guarantees hold only for whoever holds
the file.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.report import Issue
from fhircare.errors import Fault, InputError, OutputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.bulk.item import Item, Outcome, State
    from fhircare.bulk.jobs import Job

_TABLES = """
CREATE TABLE IF NOT EXISTS run (what TEXT NOT NULL, number INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS item (
    source TEXT NOT NULL, line INTEGER NOT NULL, digest BLOB NOT NULL, run INTEGER NOT NULL,
    state TEXT NOT NULL, output TEXT NOT NULL, identifier TEXT NOT NULL, faults TEXT NOT NULL,
    issues TEXT NOT NULL, PRIMARY KEY (source, line)
) WITHOUT ROWID;
"""
_ALL = "SELECT source, line, state, output, identifier, faults, issues FROM item ORDER BY source, line"
_KNOWN = _ALL.replace(
    "ORDER BY", "WHERE source = ? AND line = ? AND digest = ? AND state != 'crashed' ORDER BY"
)
_FOUND = _ALL.replace("ORDER BY", "WHERE issues != '' ORDER BY")
_GONE = _ALL.replace("ORDER BY", "WHERE run != ? ORDER BY")


class Row(NamedTuple):
    """What is known about an item.

    Attributes:
        source: Name of the file.
        line: One-based line, 0 for a whole file.
        state: How it went.
        output: Name of the file written, "" when none was.
        identifier: The plan's number, "" when not known.
        faults: Why it failed.
        issues: What the check found.
    """

    source: str
    line: int
    state: State
    output: str = ""
    identifier: str = ""
    faults: tuple[Fault, ...] = ()
    issues: tuple[Issue, ...] = ()


def row_of(job: Job, item: Item, outcome: Outcome) -> Row:
    """Return what is kept of an outcome, all but its content; the output is named, not yet written."""
    output = f"{job.folder}/{item.output(job.ending)}" if outcome.content is not None else ""
    told = (outcome.identifier, outcome.faults, outcome.issues)
    return Row(item.source, item.line, outcome.state, output, *told)


class Journal:
    """The journal in one file."""

    def __init__(self, path: str) -> None:
        """Open it, or begin a new one.

        Raises:
            OutputError: When the file cannot be used.
        """
        self._path = path
        try:
            self._db = sqlite3.connect(path, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            # A kill loses nothing; when the machine itself goes down, the last moments are done again.
            self._db.execute("PRAGMA synchronous = NORMAL")
            self._db.executescript(_TABLES)
        except sqlite3.Error as error:
            problem = f"cannot be used as the journal ({type(error).__name__})"
            raise OutputError(path, problem, "name another folder, or add --anew") from None
        self._run = 0
        self.resumed = False

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def begin(self, what: dict[str, Any]) -> None:
        """Begin a run, or go on with the one that the journal is of.

        Args:
            what: The job as plain data.

        Raises:
            InputError: When the journal is of another job: one folder holds one job's results.
        """
        told = json.dumps(what, sort_keys=True)
        found = self._db.execute("SELECT what, number FROM run").fetchone()
        if found and found[0] != told:
            raise InputError(
                Fault("", "holds the results of another run (other options, or another version)",
                      "name another folder, or add --anew to do all of it again"),
                file=self._path,
            )  # fmt: skip
        self.resumed = found is not None
        self._run = found[1] + 1 if found else 1
        with self._db:
            self._db.execute("BEGIN")
            self._db.execute("DELETE FROM run")
            self._db.execute("INSERT INTO run VALUES (?, ?)", (told, self._run))

    def known(self, source: str, line: int, digest: bytes) -> Row | None:
        """Return what came of an item with this content in an earlier run; None when it is to be done.

        An item whose process died is to be done again.
        """
        if not self.resumed:
            return None
        found = self._db.execute(
            _KNOWN,
            (source, line, digest),
        ).fetchone()
        return _row(found) if found else None

    def output_of(self, source: str, line: int) -> str:
        """Return the name of what an earlier run wrote for an item, "" when it wrote nothing."""
        found = self._db.execute(
            "SELECT output FROM item WHERE source = ? AND line = ?", (source, line)
        ).fetchone()
        return found[0] if found else ""

    def keep(self, rows: Iterable[tuple[Row, bytes]]) -> None:
        """Write rows with the digests of their items, all of them or, when killed, none."""
        self._in_one(
            "INSERT OR REPLACE INTO item VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                (*row[:2], digest, self._run, *row[2:5], _list(row.faults), _list(row.issues))
                for row, digest in rows
            ),
        )

    def met(self, places: Iterable[tuple[str, int]]) -> None:
        """Note that these items are still in the source."""
        self._in_one(
            "UPDATE item SET run = ? WHERE source = ? AND line = ?",
            ((self._run, source, line) for source, line in places),
        )

    def gone(self) -> Iterator[Row]:
        """Yield the items that this run has not met: they are no longer in the source."""
        with closing(self._db.execute(_GONE, (self._run,))) as found:
            yield from map(_row, found)

    def forget_gone(self) -> None:
        """Drop the items that this run has not met."""
        self._db.execute("DELETE FROM item WHERE run != ?", (self._run,))

    def rows(self, *, found_only: bool = False) -> Iterator[Row]:
        """Yield all items, or those in which something was found, by source and line, one at a time."""
        with closing(self._db.execute(_FOUND if found_only else _ALL)) as found:
            yield from map(_row, found)

    def _in_one(self, statement: str, values: Iterable[tuple[Any, ...]]) -> None:
        with self._db:
            self._db.execute("BEGIN")
            self._db.executemany(statement, values)


def _list(values: tuple[Any, ...]) -> str:
    return json.dumps(values) if values else ""


def _row(found: tuple[Any, ...]) -> Row:
    source, line, state, output, identifier, faults, issues = found
    return Row(
        source,
        line,
        state,
        output,
        identifier,
        tuple(Fault(*fault) for fault in json.loads(faults)) if faults else (),
        tuple(Issue(*issue) for issue in json.loads(issues)) if issues else (),
    )
