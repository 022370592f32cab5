"""Findings as text for people: grouped by resource, each with its line, what is wrong, and how to mend it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from fhircare.check.report import RANK

if TYPE_CHECKING:
    from fhircare.check.report import Issue, Report

# A resource begins at the root, in an entry or parameter, or contained in another.
_RESOURCE = r".*(?:\.resource|\.outcome|\.contained\[\d+\])(?=\.|$)"
_APART = (
    "Rules that begin with safety are fhircare's own, for plans that it made; the standard has none such."
)
_NAMES = {"fatal": "error", "error": "error", "warning": "warning", "information": "note"}


def resource_of(expression: str) -> str:
    """Return the part of an expression that leads to its resource: ``Bundle.entry[3].resource``."""
    found = re.match(_RESOURCE, expression)
    return found.group() if found else expression.split(".", maxsplit=1)[0]


def as_text(report: Report) -> str:
    """Return a report as text, "" when it has no finding. Lines end with a line feed."""
    lines: list[str] = []
    if report.issues:
        lines.append(report.name or "resource")
    groups: dict[str, list[Issue]] = {}
    for issue in report.issues:
        groups.setdefault(resource_of(issue.expression), []).append(issue)
    for resource, issues in groups.items():
        lines.append(f"  {resource or 'the file'}")
        for issue in issues:
            lines += _issue(issue, resource)
    if any(issue.source == "safety" for issue in report.issues):
        lines.append(f"  {_APART}")
    return "".join(f"{line}\n" for line in lines)


def _issue(issue: Issue, resource: str) -> list[str]:
    place = f"{issue.line}:{issue.column}" if issue.line else "-"
    own = issue.expression[len(resource) :].lstrip(".")
    head = f"    {place:>9}  {_NAMES[issue.severity]:<7}  {own + ': ' if own else ''}{issue.message}"
    lines = [f"{head}  [{issue.rule}]"]
    if issue.mend:
        lines.append(f"{'':20}{issue.mend}")
    if issue.link:
        lines.append(f"{'':20}{issue.link}")
    return lines


def counts(issues: list[Issue]) -> tuple[int, int, int]:
    """Return how many errors, warnings and notes there are."""
    ranks = [RANK[issue.severity] for issue in issues]
    return sum(r <= 1 for r in ranks), ranks.count(2), ranks.count(3)


def assumption(files: int) -> str:
    """Return the line that says of how many resources the release was assumed."""
    which = "1 resource" if files == 1 else f"{files} resources"
    return f"Nothing in {which} tells the FHIR release: checked as R4. --fhir R5 checks as R5.\n"


def summary(
    files: int, errors: int, warnings: int, notes: int, releases: dict[str, int] | None = None
) -> str:
    """Return the last line of a run: how much was checked, as which FHIR release, and what came of it."""
    if not files:
        return "nothing was checked\n"
    found = [
        f"{number} {word}{'' if number == 1 else 's'}"
        for number, word in ((errors, "error"), (warnings, "warning"), (notes, "note"))
        if number
    ]
    checked = f"{files} resource{'' if files == 1 else 's'} checked"
    if releases and len(releases) == 1:
        checked += f" as FHIR {next(iter(releases))}"
    elif releases:
        checked += f" ({', '.join(f'{n} as FHIR {name}' for name, n in sorted(releases.items()))})"
    return f"{checked}: {', '.join(found) if found else 'nothing found'}\n"
