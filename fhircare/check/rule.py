"""A rule that the standard writes in its prose: checked by code, told from a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from fhircare.check.links import PAGES
from fhircare.check.path import Path, render
from fhircare.check.report import Issue, Severity

if TYPE_CHECKING:
    from collections.abc import Mapping


class Rule(NamedTuple):
    """One rule: what is told when it is broken.

    Attributes:
        severity: How bad it is.
        code: FHIR IssueType.
        message: What is wrong; may hold ``{names}`` of types and counts, never of a patient's data.
        mend: What is allowed and how to put it right; likewise.
        page: The page of the standard that says so, such as ``bundle.html#references``.
    """

    severity: Severity
    code: str
    message: str
    mend: str
    page: str


def finding(
    rules: Mapping[str, Rule],
    key: str,
    place: Path,
    release: str,
    *,
    severity: Severity | None = None,
    **words: object,
) -> Issue:
    """Return the finding that a rule is broken at a place.

    Args:
        rules: The table the rule stands in.
        key: The rule's key.
        place: Where it is broken.
        release: ``R4``, for the link.
        severity: In place of the rule's own.
        words: For the ``{names}`` in message and mend.
    """
    rule = rules[key]
    return Issue(
        severity or rule.severity,
        rule.code,
        render(place),
        key,
        rule.message.format(**words) if words else rule.message,
        rule.mend.format(**words) if words else rule.mend,
        PAGES[release] + rule.page,
    )
