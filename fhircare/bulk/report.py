"""What a bulk run says of itself: a line for each item for machines, findings, and a table for people."""

from __future__ import annotations

import json
from collections import Counter
from json.encoder import encode_basestring
from textwrap import shorten
from typing import TYPE_CHECKING, Any, Literal

from fhircare.check import Report
from fhircare.check.text import as_text, counts

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.bulk.journal import Row

Findings = Literal["text", "json", "sarif"]

_MOST_OFTEN = 5
_WIDEST = 70


def place(row: Row) -> str:
    """Return where an item stands: its file, and its line when it is one."""
    return f"{row.source}:{row.line}" if row.line else row.source


def report_line(row: Row) -> str:
    """Return an item's line in the report, as JSON: places, counts and words, and no value of the item."""
    errors, warnings, notes = counts(list(row.issues)) if row.issues else (0, 0, 0)
    told: dict[str, int | str] = {
        "source": row.source,
        "line": row.line,
        "state": row.state,
        "identifier": row.identifier,
        "output": row.output,
        "errors": errors,
        "warnings": warnings,
        "notes": notes,
    }
    # A million of these are written by one process while the others are done: no encoder is made for each.
    said = [
        f'"{name}": {value if isinstance(value, int) else encode_basestring(value)}'
        for name, value in told.items()
        if value
    ]
    if row.faults:
        faults = [fault._asdict() for fault in row.faults]
        said.append(f'"faults": {json.dumps(faults, ensure_ascii=False)}')
    return f"{{{', '.join(said)}}}\n"


def findings(rows: Iterable[Row], form: Findings, version: str) -> Iterator[str]:
    """Yield what a check found, in pieces: text for people, JSON (one object a line) or SARIF for machines.

    Args:
        rows: Items in order; those without findings say nothing.
        form: ``text``, ``json`` (``source``, ``line`` and an OperationOutcome for each item with findings) or
            ``sarif``.
        version: Of fhircare.
    """
    if form == "sarif":
        from fhircare.check.sarif import as_sarif

        yield from as_sarif((Report(list(row.issues), place(row)) for row in rows), version)
        return
    for row in rows:
        report = Report(list(row.issues), place(row))
        if report.issues and form == "text":
            yield f"{as_text(report)}\n"
        elif report.issues:
            told = {"source": row.source, "line": row.line, "outcome": report.as_operation_outcome()}
            yield json.dumps(told, ensure_ascii=False) + "\n"


class Tally:
    """How a whole run stands: items by state, findings by severity, and what went wrong most often."""

    def __init__(self) -> None:
        self.states: Counter[str] = Counter()
        self.errors = self.warnings = self.notes = 0
        self.reasons: Counter[str] = Counter()

    def add(self, row: Row) -> None:
        """Count one item."""
        self.states[row.state] += 1
        if not row.issues and not row.faults:
            return
        errors, warnings, notes = counts(list(row.issues))
        self.errors += errors
        self.warnings += warnings
        self.notes += notes
        # Rules and the schema's own words: a number that does not grow with the run.
        self.reasons.update({issue.rule for issue in row.issues if issue.severity in {"fatal", "error"}})
        self.reasons.update({_reason(fault.field, fault.problem) for fault in row.faults})

    @property
    def ok(self) -> bool:
        """True when every item is done, and none has an error."""
        return set(self.states) <= {"done"}

    def as_data(self) -> dict[str, Any]:
        """Return the tally as plain data."""
        return {
            "items": self.states.total(),
            "states": dict(sorted(self.states.items())),
            "findings": {"errors": self.errors, "warnings": self.warnings, "notes": self.notes},
            "most_often": dict(self.reasons.most_common(_MOST_OFTEN)),
        }

    def table(self, verb: str) -> str:
        """Return the tally as a table for people."""
        done = {"plan": "planned", "check": "without an error", "render": "rendered"}[verb]
        words = {
            "done": done,
            "found": "with errors",
            "failed": "failed: cannot be used as they are",
            "crashed": "crashed: the process ended (memory, time?)",
        }
        rows = [
            (words[state], self.states[state]) for state in words if self.states[state] or state == "done"
        ]
        if verb == "check":
            rows += [("errors", self.errors), ("warnings", self.warnings), ("notes", self.notes)]
        rows += [
            (f"  {shorten(reason, _WIDEST)}", count)
            for reason, count in self.reasons.most_common(_MOST_OFTEN)
        ]
        wide = max(len(words) for words, _ in rows)
        return "\n".join(f"  {words:<{wide}}  {count:>9,}" for words, count in rows)


def _reason(field: str, problem: str) -> str:
    """Return a fault without its numbers, so that the same fault in many places is one."""
    told = f"{field}: {problem}" if field else problem
    return "".join("" if c.isdigit() else c for c in told).replace("[]", "")
