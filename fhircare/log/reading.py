"""Text → log entries: CSV with one day a row, or JSON with one day an object."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter, ValidationError

from fhircare.errors import Fault, LogError
from fhircare.faults import faults_of
from fhircare.log.entry import DAY_MINUTES, LogEntry, LogSession

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator

SESSIONS = 4
"""How many sessions a day a CSV row has columns for."""

_ENTRY: TypeAdapter[LogEntry] = TypeAdapter(LogEntry)
_SESSION_FIELDS = [f.name for f in fields(LogSession)]
_LISTS = ("signs",)
_DAY_COLUMNS = (
    "pain", "ply_morning", "ply_evening", "sweating", "swelling", "falls", "fall_hurt", "damage", "new_shoes",
    "liner", "signs", "comment",
)  # fmt: skip


def columns() -> list[str]:
    """Return the CSV's column names, in the order of the log sheet."""
    own = [f.name for f in fields(LogEntry) if f.name != "sessions"]
    numbered = [f"{name}_{n}" for n in range(1, SESSIONS + 1) for name in _SESSION_FIELDS]
    return [*own[:4], *numbered, *own[4:]]


def blank_log(days: Iterable[tuple[dt.date, int]]) -> str:
    """Return a CSV to fill in: a row for each day, a column for what the log sheet asks.

    Args:
        days: Each day and how many sessions it has.
    """
    days = list(days)
    most = max((sessions for _, sessions in days), default=1)
    asked = ("minutes", "skin", "faded_after", "site")
    numbered = [f"{name}_{n}" for n in range(1, min(max(most, 1), SESSIONS) + 1) for name in asked]
    header = ["on", *numbered, *(name for name in _DAY_COLUMNS)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([day.isoformat(), *[""] * (len(header) - 1)] for day, _ in days)
    return out.getvalue()


def read_log(text: str, *, name: str = "", written_at: dt.datetime | None = None) -> tuple[LogEntry, ...]:
    """Return the entries of a log, CSV or JSON, oldest first.

    Args:
        text: CSV with a header row (``columns``; empty cells mean not written down; several signs are
            separated by spaces; a row with its day alone is left out), or JSON: a list of entries, or one.
        name: Name for errors.
        written_at: When entries were written that do not say so themselves; None refuses them.

    Raises:
        LogError: With every fault found; nothing is taken from a log with a fault.
    """
    if not text.strip():
        raise LogError(
            Fault(
                "",
                "is empty",
                "write one day a row; `fhircare log BUNDLE --blank FILE.csv` makes one to fill in",
            ),
            file=name,
        )
    rows = list(_json(text, name) if text.lstrip()[0] in "[{" else _csv(text, name))
    faults: list[Fault] = []
    entries: list[LogEntry] = []
    for line, where, data in rows:
        if written_at is not None and "written_at" not in data:
            data["written_at"] = written_at
        try:
            entries.append(entry_from(data))
        except LogError as error:
            prefix = f"{where}." if where else ""
            faults += [f._replace(field=prefix + f.field, line=line) for f in error.faults]
    if faults:
        raise LogError(faults, file=name)
    return tuple(sorted(entries, key=lambda e: (e.on, e.written_at)))


def entry_from(data: dict[str, Any]) -> LogEntry:
    """Return one entry from its fields.

    Raises:
        LogError: When a field cannot be used, or the fields contradict each other.
    """
    try:
        entry = _ENTRY.validate_python(data)
    except ValidationError as error:
        raise LogError([fault for _, fault in faults_of(error, _ENTRY.json_schema())]) from None
    faults = list(_contradictions(entry))
    if faults:
        raise LogError(faults)
    return entry


def _contradictions(entry: LogEntry) -> Iterator[Fault]:
    if entry.written_at.tzinfo is None:
        yield Fault("written_at", "has no offset from UTC", "write it such as 2026-03-02T20:15:00-06:00")
    elif entry.written_at.date() < entry.on:
        yield Fault("on", "is after the day it was written", "correct one of the two")
    if entry.minutes > DAY_MINUTES:
        yield Fault("sessions", "add up to more than 24 hours", "correct the minutes worn")
    for index, session in enumerate(entry.sessions):
        place = f"sessions[{index}]"
        split = [m for m in (session.sitting, session.standing, session.walking) if m is not None]
        if sum(split) > session.minutes:
            yield Fault(
                f"{place}.minutes", "is less than sitting, standing and walking together", "correct one"
            )
        if session.faded_after is not None and session.skin != "redness":
            yield Fault(
                f"{place}.faded_after", "goes with skin: redness only", "remove it, or set skin: redness"
            )
        if session.minutes == 0 and session.skin not in (None, "clear"):
            yield Fault(
                f"{place}.skin", "was found without any wear", "write the wear, or add it under signs"
            )
    if entry.released and entry.author not in ("clinic", "physical-therapist"):
        yield Fault("released", "is a clinician's to write", "remove it; call the clinic instead")
    elif entry.released and not entry.by:
        yield Fault("by", "is missing: a release bears the name of who gave it", "write the clinician's name")
    if entry.fall_hurt and not entry.falls:
        yield Fault("falls", "counts no fall, but one hurt", "write how many falls there were")


def _json(text: str, name: str) -> Iterator[tuple[int, str, dict[str, Any]]]:
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        raise LogError(
            Fault("", "is not JSON that can be read", "mend it here", error.lineno), file=name
        ) from None
    except ValueError:  # a whole number of thousands of digits
        raise LogError(
            Fault("", "holds a number too long to be read", "write fewer digits"), file=name
        ) from None
    except RecursionError:
        raise LogError(Fault("", "is nested too deeply", "a log is a list of days"), file=name) from None
    items = data if isinstance(data, list) else [data]
    for index, item in enumerate(items):
        if not isinstance(item, dict):
            raise LogError(Fault(f"[{index}]", "is not a day", "each entry is a group of fields"), file=name)
        yield 0, f"[{index}]" if isinstance(data, list) else "", item


def _csv(text: str, name: str) -> Iterator[tuple[int, str, dict[str, Any]]]:
    reader = csv.DictReader(io.StringIO(text.lstrip("\ufeff")), strict=True)
    try:
        _refuse_unknown(reader.fieldnames or (), name)
        for row in reader:
            if None in row or None in row.values():
                raise LogError(
                    Fault(
                        "", "has more or fewer cells than the header", "one cell a column", reader.line_num
                    ),
                    file=name,
                )
            data = _from_cells(row)
            if data.keys() - {"on", "sessions"} or data["sessions"]:
                yield reader.line_num, "", data
    except csv.Error:
        raise LogError(
            Fault("", "is not CSV that can be read", "mend it here", reader.line_num), file=name
        ) from None


def _refuse_unknown(header: Iterable[str], name: str) -> None:
    header, known = list(header), columns()
    unknown = [c for c in header if c not in known]
    if unknown or not header:
        # A header names columns, not a person's data; but a file without a header row has data here.
        where = ", ".join(c for c in unknown if re.fullmatch(r"[a-z_]+\d?", c)) or "the first row"
        raise LogError(
            Fault(where, "is not a column of a log", "known are " + ", ".join(known), 1), file=name
        )


def _from_cells(row: dict[str, str]) -> dict[str, Any]:
    cells = {column: cell.strip() for column, cell in row.items() if cell.strip()}
    sessions: dict[int, dict[str, Any]] = {}
    data: dict[str, Any] = {}
    for column, cell in cells.items():
        match = re.fullmatch(r"(\w+)_(\d)", column)
        if match and match[1] in _SESSION_FIELDS:
            sessions.setdefault(int(match[2]), {})[match[1]] = cell
        else:
            data[column] = cell.split() if column in _LISTS else cell
    data["sessions"] = [sessions[n] for n in sorted(sessions)]
    return data
