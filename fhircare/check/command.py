"""What ``fhircare check`` does between the files and the screen: inputs in, text out, no file opened."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Literal

from fhircare.check import check, check_lines
from fhircare.check.run import CLAIMS
from fhircare.check.text import as_text, assumption, counts, summary

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.check.profiles import Against
    from fhircare.check.report import Report, Severity

Form = Literal["text", "json", "sarif"]
Input = tuple[str, "bytes | Iterable[bytes]"]


class Tally:
    """How a run went, known when its text has been taken: resources checked, errors, warnings and notes.

    ``releases`` counts resources by the release they were checked as, ``assumed`` those that did not tell it.
    """

    __slots__ = ("assumed", "errors", "notes", "releases", "resources", "warnings")

    def __init__(self) -> None:
        self.resources = self.errors = self.warnings = self.notes = self.assumed = 0
        self.releases: dict[str, int] = {}

    def add(self, report: Report) -> None:
        """Count one report."""
        errors, warnings, notes = counts(report.issues)
        self.resources += 1
        self.assumed += report.assumed
        if report.release:
            self.releases[report.release] = self.releases.get(report.release, 0) + 1
        self.errors += errors
        self.warnings += warnings
        self.notes += notes

    @property
    def exit_code(self) -> int:
        """0 when nothing is an error, else 1."""
        return 1 if self.errors else 0


def run(
    inputs: Iterable[Input],
    tally: Tally,
    *,
    form: Form = "text",
    level: Severity = "information",
    release: str | None = None,
    against: Against = CLAIMS,
) -> Iterator[str]:
    """Check all inputs and yield what is to be printed, piece by piece, without keeping any of it.

    Args:
        inputs: Name and content of each: bytes are one JSON document, an iterable of bytes is NDJSON.
        tally: Filled while the text is taken.
        form: ``text`` for people, ``json`` for one OperationOutcome a line, ``sarif`` for pipelines.
        level: The least severity that is told and counted.
        release: ``R4`` or ``R5``; None for what each file tells.
        against: Profiles and packages.

    Raises:
        PackageError: For a profile asked for that is not held.
        UnknownRelease: For a release whose definitions are not held.
    """
    reports = _reports(inputs, tally, level, release, against)
    if form == "sarif":
        from fhircare import __version__
        from fhircare.check.sarif import as_sarif

        yield from as_sarif(reports, __version__)
    elif form == "json":
        for report in reports:
            yield json.dumps(report.as_operation_outcome(), ensure_ascii=False) + "\n"
    else:
        for report in reports:
            text = as_text(report)
            if text:
                yield f"{text}\n"
        if tally.assumed:
            yield assumption(tally.assumed)
        yield summary(tally.resources, tally.errors, tally.warnings, tally.notes, tally.releases)


def _reports(
    inputs: Iterable[Input], tally: Tally, level: Severity, release: str | None, against: Against
) -> Iterator[Report]:
    for name, content in inputs:
        if isinstance(content, bytes):
            found: Iterable[Report] = (check(content, release=release, name=name, against=against),)
        else:
            found = check_lines(content, release=release, name=name, against=against)
        for report in found:
            told = report.at_least(level)
            tally.add(told)
            yield told


def coverage_lines(release: str | None = None) -> Iterator[str]:
    """Yield the table of every rule and how it is enforced."""
    from fhircare.check.coverage import as_lines, coverage

    yield from as_lines(coverage(release or "R4"))
