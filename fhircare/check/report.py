"""What a check says: findings are values, a report is their order and their words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Severity = Literal["fatal", "error", "warning", "information"]
_RANK = {"fatal": 0, "error": 1, "warning": 2, "information": 3}


@dataclass(frozen=True, slots=True)
class Issue:
    """One finding.

    Attributes:
        severity: FHIR IssueSeverity.
        code: FHIR IssueType, such as ``structure``, ``required``, ``value``, ``invariant``, ``code-invalid``.
        expression: FHIRPath to the exact element, such as ``Bundle.entry[3].resource.period.start``.
        rule: The key of the rule, such as ``per-1`` or ``cardinality.min``; stable.
        message: What is wrong, without any value found in the resource.
        mend: What is allowed and how to put it right; may be "".
        link: Page of the specification that says so; may be "".
        line: One-based line in the file, 0 when unknown.
        column: One-based column in the file, 0 when unknown.
        source: ``spec`` for the standard's own rules, ``safety`` for ours.
    """

    severity: Severity
    code: str
    expression: str
    rule: str
    message: str
    mend: str = ""
    link: str = ""
    line: int = 0
    column: int = 0
    source: Literal["spec", "safety"] = "spec"


@dataclass(slots=True)
class Report:
    """All findings of one file or resource, in document order.

    Attributes:
        issues: The findings.
        name: The name of the file, "" when there is none.
    """

    issues: list[Issue] = field(default_factory=list)
    name: str = ""

    @property
    def ok(self) -> bool:
        """True when nothing is an error."""
        return not any(_RANK[issue.severity] <= 1 for issue in self.issues)

    def at_least(self, level: Severity) -> Report:
        """Return the report with only the findings as severe as ``level`` or more."""
        return Report([i for i in self.issues if _RANK[i.severity] <= _RANK[level]], self.name)

    def as_operation_outcome(self) -> dict[str, Any]:
        """Return the report as a FHIR OperationOutcome, ``expression`` on every issue."""
        raise NotImplementedError
