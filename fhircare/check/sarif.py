"""Findings as SARIF 2.1.0, the form that pipelines and editors read.

https://docs.oasis-open.org/sarif/sarif/v2.1.0/sarif-v2.1.0.html. The log is given in pieces, so that a
long run does not have to be held in memory; the rules come last, when it is known which were met.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.check.report import Issue, Report

SCHEMA = "https://json.schemastore.org/sarif-2.1.0.json"
_LEVELS = {"fatal": "error", "error": "error", "warning": "warning", "information": "note"}


def as_sarif(reports: Iterable[Report], version: str) -> Iterator[str]:
    """Yield a SARIF log of all reports, in pieces.

    Args:
        reports: The reports, in the order their results shall have.
        version: Of fhircare.
    """
    yield f'{{"$schema":"{SCHEMA}","version":"2.1.0","runs":[{{"columnKind":"unicodeCodePoints","results":['
    rules: dict[str, Issue] = {}
    first = True
    for report in reports:
        for issue in report.issues:
            rules.setdefault(issue.rule, issue)
            yield ("" if first else ",") + _dump(_result(issue, report.name))
            first = False
    driver = {
        "name": "fhircare",
        "version": version,
        "rules": [_rule(key, issue) for key, issue in sorted(rules.items())],
    }
    yield f'],"tool":{{"driver":{_dump(driver)}}}}}]}}\n'


def _dump(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _rule(key: str, issue: Issue) -> dict[str, Any]:
    made: dict[str, Any] = {"id": key, "properties": {"tags": [issue.source]}}
    if issue.link:
        made["helpUri"] = issue.link
    return made


def _result(issue: Issue, name: str) -> dict[str, Any]:
    text = f"{issue.message} {issue.mend}".rstrip()
    physical: dict[str, Any] = {"artifactLocation": {"uri": quote(name or "-", safe="/:")}}
    if issue.line:
        physical["region"] = {"startLine": issue.line, "startColumn": issue.column}
    location: dict[str, Any] = {"physicalLocation": physical}
    if issue.expression:
        location["logicalLocations"] = [{"fullyQualifiedName": issue.expression}]
    return {
        "ruleId": issue.rule,
        "level": _LEVELS[issue.severity],
        "message": {"text": text},
        "locations": [location],
    }
