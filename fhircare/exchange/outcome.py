"""What a server says about a request: OperationOutcome → problems → a sentence a person can act on.

Servers put their words in ``details.text`` or in ``diagnostics`` and the place in ``expression``
(``location`` in older servers). Severity decides, never the HTTP status: ``$validate`` answers 200, 400, 412
or 422 for the same thing. Words are shown only after what is personal in the request has been taken out of
them, since servers like to repeat what they were sent.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

TRANSIENT = frozenset(
    {"transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled"}
)
"""Issue codes after which trying again may help (FHIR R4 value set issue-type, the children of transient)."""

_PERSONAL_TYPES = frozenset({"Patient", "RelatedPerson", "Person"})
_PERSONAL_ELEMENTS = ("identifier", "name", "telecom", "address", "birthDate", "contact")
_MOST_WORDS = 300
_MOST_SHOWN = 5


@dataclass(frozen=True, slots=True)
class Problem:
    """One issue of an OperationOutcome.

    Attributes:
        severity: fatal, error, warning or information.
        code: FHIR issue-type code, such as required or duplicate.
        text: The server's words, "" when it gave none.
        where: FHIRPath expressions of the places meant, joined by ", ".
    """

    severity: str
    code: str
    text: str
    where: str

    @property
    def grave(self) -> bool:
        """Whether it means that the request was not carried out."""
        return self.severity in ("fatal", "error")


def problems(body: Any) -> tuple[Problem, ...]:
    """Return the issues in ``body``; empty when it is not an OperationOutcome."""
    if not isinstance(body, dict) or body.get("resourceType") != "OperationOutcome":
        return ()
    return tuple(_problem(issue) for issue in body.get("issue", ()) if isinstance(issue, dict))


def failed(body: Any) -> bool:
    """Return whether ``body`` is an OperationOutcome with a fatal problem or an error in it."""
    return any(problem.grave for problem in problems(body))


def transient(body: Any) -> bool:
    """Return whether every grave problem in ``body`` is of the kind that may pass by itself."""
    grave = [problem for problem in problems(body) if problem.grave]
    return bool(grave) and all(problem.code in TRANSIENT for problem in grave)


def sentence(body: Any, private: Iterable[str] = ()) -> str:
    """Return the grave problems in ``body`` as one line, without the ``private`` texts; "" when none."""
    found = problems(body)
    shown = [p for p in found if p.grave] or list(found)
    lines = list(dict.fromkeys(_line(problem, private) for problem in shown))
    more = f"; and {len(lines) - _MOST_SHOWN} more" if len(lines) > _MOST_SHOWN else ""
    return "; ".join(lines[:_MOST_SHOWN]) + more


def private_texts(resource: Any) -> frozenset[str]:
    """Return every text that tells who the person is: names, numbers, contacts, birth date."""
    return frozenset(_private(resource))


def without(text: str, private: Iterable[str]) -> str:
    """Return ``text`` with each of the ``private`` texts replaced by an ellipsis, longest first."""
    for secret in sorted(private, key=len, reverse=True):
        text = re.sub(rf"(?<!\w){re.escape(secret)}(?!\w)", "…", text, flags=re.IGNORECASE)
    return text


def _problem(issue: dict[str, Any]) -> Problem:
    details = issue.get("details")
    words = details.get("text") if isinstance(details, dict) else None
    places = issue.get("expression") or issue.get("location") or []
    return Problem(
        severity=str(issue.get("severity", "error")),
        code=str(issue.get("code", "")),
        text=" ".join(str(words or issue.get("diagnostics") or "").split()),
        where=", ".join(str(place) for place in places if isinstance(place, str)),
    )


def _line(problem: Problem, private: Iterable[str]) -> str:
    words = without(problem.text, private)
    if len(words) > _MOST_WORDS:
        words = words[:_MOST_WORDS].rstrip() + "…"
    place = f" at {without(problem.where, private)}" if problem.where else ""
    return f"{problem.code or problem.severity}{place}: {words}" if words else f"{problem.code}{place}"


def _private(value: Any) -> Iterator[str]:
    if isinstance(value, list):
        for inner in value:
            yield from _private(inner)
    elif isinstance(value, dict):
        if value.get("resourceType") in _PERSONAL_TYPES:
            for element in _PERSONAL_ELEMENTS:
                yield from _leaves(value.get(element))
        for inner in value.values():
            if isinstance(inner, dict | list):
                yield from _private(inner)


def _leaves(value: Any, key: str = "") -> Iterator[str]:
    if isinstance(value, dict):
        for inner_key, inner in value.items():
            if inner_key not in ("system", "use", "type", "coding", "rank", "relationship", "extension"):
                yield from _leaves(inner, inner_key)
    elif isinstance(value, list):
        for inner in value:
            yield from _leaves(inner, key)
    elif isinstance(value, str) and len(value) >= 2:
        yield value
