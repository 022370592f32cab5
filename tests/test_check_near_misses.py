"""No false alarm: what is legal and looks wrong passes the whole check without an error or a warning."""

from __future__ import annotations

import json
from typing import Any

import pytest

from fhircare.check import check
from tests.near_misses import ALL, RAW

# Warnings that are right about a legal resource: the standard itself says "should".
ADVICE = {
    "base64 with line breaks": {"primitive.base64Binary"},
}


def alarms(resource: Any) -> list[str]:
    report = check(resource)
    return [
        f"{issue.severity} {issue.rule} {issue.expression}: {issue.message}"
        for issue in report.issues
        if issue.severity in ("fatal", "error", "warning") and issue.source == "spec"
    ]


@pytest.mark.parametrize(("name", "line", "resource"), ALL, ids=[name for name, _, _ in ALL])
def test_what_is_legal_does_not_alarm(name: str, line: str, resource: dict[str, Any]) -> None:
    """As text and as a dict; ``line`` is where FHIR R4 allows it."""
    assert line
    found = alarms(json.dumps(resource).encode())
    assert [one for one in found if one.split()[1] not in ADVICE.get(name, set())] == []
    assert len(alarms(resource)) == len(found)


@pytest.mark.parametrize(("name", "line", "text"), RAW, ids=[name for name, _, _ in RAW])
def test_legal_text_does_not_alarm(name: str, line: str, text: bytes) -> None:
    """JSON as other writers write it."""
    assert name
    assert line
    assert alarms(text) == []
