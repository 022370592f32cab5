"""From bytes to JSON, with what is wrong with the JSON itself as findings.

Numbers keep their precision (``Decimal``), since 2.50 and 2.5 differ in FHIR. Names given twice are found
by counting: the text has as many ``":`` as it has names (or more, inside strings), so only when the walk
met fewer names than that is the text read again.
"""

from __future__ import annotations

import json
import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.report import Issue
from fhircare.check.words import sentence

if TYPE_CHECKING:
    from fhircare.check.position import Places

JSON_PAGE = "https://hl7.org/fhir/R4/json.html"


class _ConstantError(ValueError):
    """NaN or Infinity, which Python reads and JSON does not have."""


def _constant(name: str) -> Any:
    raise _ConstantError(name)


_DECODER = json.JSONDecoder(parse_float=Decimal, parse_constant=_constant)


class Read(NamedTuple):
    """What reading gave: the text, the value, and the finding when it is not JSON."""

    text: str
    value: Any
    issue: Issue | None


def read(raw: bytes) -> Read:
    """Read one JSON document."""
    try:
        text = raw.decode()
    except UnicodeDecodeError as fault:
        from fhircare.check.position import Places

        before = raw[: fault.start].decode(errors="replace")
        line, column = Places(before, 0).at(len(before))
        mend = "FHIR JSON is UTF-8: save the file as that"
        return Read("", None, _fatal("json.encoding", "not UTF-8", mend, line, column, ""))
    text = text.removeprefix("\ufeff")
    try:
        return Read(text, _DECODER.decode(text), None)
    except json.JSONDecodeError as fault:
        return Read(text, None, _syntax(text, fault.pos, fault.msg))
    except _ConstantError:
        found = next(m for m in re.finditer(r'"(?:[^"\\]|\\.)*"|(-?Infinity|NaN)', text) if m.group(1))
        return Read(text, None, _syntax(text, found.start(1), "not a JSON number"))
    except RecursionError:
        mend = "nest less deeply"
        return Read(text, None, _fatal("json.depth", "nested too deeply to be read", mend, 1, 1, _root(text)))
    except ValueError:
        mend = "a number of fewer digits"
        return Read(
            text, None, _fatal("json.number", "a number too long to be read", mend, 1, 1, _root(text))
        )


def _root(text: str) -> str:
    found = re.search(r'"resourceType"\s*:\s*"([A-Za-z]+)"', text)
    return found.group(1) if found else ""


def _syntax(text: str, offset: int, problem: str) -> Issue:
    from fhircare.check.position import Places

    places = Places(text, offset)
    line, column = places.at(offset)
    what = "the file is empty" if not text.strip() else f"not JSON: {problem[:1].lower()}{problem[1:]}"
    mend = "look at this place and just before it for a missing comma, quote or bracket"
    return _fatal("json.syntax", what, mend, line, column, f"{_root(text)}{places.innermost}")


def _fatal(rule: str, message: str, mend: str, line: int, column: int, expression: str) -> Issue:
    return Issue(
        "fatal", "structure", expression, rule, sentence(message), sentence(mend), JSON_PAGE, line, column
    )


def names_in(raw: bytes) -> int:
    """Return how many names the text has at most: each end of a string followed by a colon.

    White space may stand between the two, so it is taken out first, within strings too.
    """
    return raw.translate(None, b" \t\r\n").count(b'":')


def duplicates(places: Places, root: str) -> list[Issue]:
    """Return a finding for each name that an object has twice."""
    issues = []
    for path, offset in places.duplicates:
        line, column = places.at(offset)
        issues.append(
            Issue(
                "error",
                "structure",
                f"{root}{path}",
                "json.duplicate",
                "The same name twice in one object.",
                "Keep one of the two: readers differ in which they take.",
                JSON_PAGE,
                line,
                column,
            )
        )
    return issues
