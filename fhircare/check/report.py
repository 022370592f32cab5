"""What a check says: findings are values, a report is their order and their words."""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

Severity = Literal["fatal", "error", "warning", "information"]
RANK: dict[str, int] = {"fatal": 0, "error": 1, "warning": 2, "information": 3}
# R4 has no element for line and column; HL7's package of extensions (hl7.fhir.uv.extensions) has these.
_LINE = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-line"
_COLUMN = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-col"


class Issue(NamedTuple):
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

    def at(self, line: int, column: int) -> Issue:
        """Return the same finding at a line and column."""
        return self._replace(line=line, column=column)

    def as_outcome_issue(self) -> dict[str, Any]:
        """Return the finding as ``OperationOutcome.issue``."""
        text = f"{self.message} {self.mend}".rstrip()
        made: dict[str, Any] = {}
        if self.line:
            made["extension"] = [
                {"url": _LINE, "valueInteger": self.line},
                {"url": _COLUMN, "valueInteger": self.column},
            ]
        made |= {
            "severity": self.severity,
            "code": self.code,
            "details": {"coding": [{"code": self.rule}], "text": text},
        }
        if self.link:
            made["diagnostics"] = self.link
        if self.expression:
            made["expression"] = [self.expression]
        return made


class Report:
    """All findings of one file or resource, in document order.

    Attributes:
        issues: The findings.
        name: The name of the file, "" when there is none.
        release: The FHIR release it was checked as, "" when it could not be read.
        assumed: True when nothing in the file told the release, and nobody said it.
    """

    __slots__ = ("assumed", "issues", "name", "release")

    def __init__(
        self,
        issues: list[Issue] | None = None,
        name: str = "",
        release: str = "",
        assumed: bool = False,  # noqa: FBT001, FBT002 - as the attribute
    ) -> None:
        self.issues: list[Issue] = [] if issues is None else issues
        self.name, self.release, self.assumed = name, release, assumed

    def __repr__(self) -> str:
        return f"Report({self.name!r}, {len(self.issues)} issues)"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Report) and (self.issues, self.name) == (other.issues, other.name)

    __hash__ = None  # type: ignore[assignment]

    @property
    def ok(self) -> bool:
        """True when nothing is an error."""
        return not any(RANK[issue.severity] <= 1 for issue in self.issues)

    def at_least(self, level: Severity) -> Report:
        """Return the report with only the findings as severe as ``level`` or more."""
        kept = [i for i in self.issues if RANK[i.severity] <= RANK[level]]
        return Report(kept, self.name, self.release, self.assumed)

    @property
    def checked_as(self) -> str:
        """Say which release it was checked as, and whether that was assumed."""
        why = ", which nothing in it tells" if self.assumed else ""
        return f"checked as FHIR {self.release}{why}"

    def as_operation_outcome(self) -> dict[str, Any]:
        """Return the report as a FHIR OperationOutcome, ``expression`` on every issue that has a place."""
        issues = [issue.as_outcome_issue() for issue in self.issues]
        if not issues:
            text = f"no finding; {self.checked_as}" if self.release else "no finding"
            issues = [{"severity": "information", "code": "informational", "details": {"text": text}}]
        return {"resourceType": "OperationOutcome", "issue": issues}
