"""pydantic's errors in our words: field, problem, mend; never the value.

One room for this, because every reader of outside data (delivery record, log) must speak alike, and because
pydantic's own texts print the input.
"""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING, Any

from fhircare.errors import Fault

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic import ValidationError

Place = tuple[str | int, ...]
"""Steps from the root of the input to a field: keys and indexes."""


def faults_of(error: ValidationError, schema: dict[str, Any]) -> Iterator[tuple[Place, Fault]]:
    """Yield every fault with its place.

    Args:
        error: What pydantic found.
        schema: JSON Schema of what was read; the source of the known names at each place.
    """
    found = []
    for one in error.errors(include_url=False, include_input=False):
        # pydantic names a constrained type as a last step of its own; such steps are not fields.
        place: Place = tuple(s for s in one["loc"] if isinstance(s, int) or re.fullmatch(r"[a-z_]\w*", s))
        problem, mend = _words(dict(one), place, schema)
        found.append((place, Fault(field(place), problem, mend)))
    # A misspelt key is reported once: not also as the missing field that it was meant for.
    meant = {
        f"{fault.field.rpartition('.')[0]}.{fault.mend[13:-1]}".lstrip(".")
        for _, fault in found
        if fault.mend.startswith("did you mean")
    }
    # A list of which an entry is at fault is not also too short: pydantic counts the entries it could use.
    faulty = {place[:at] for place, _ in found for at in range(1, len(place))}
    for place, fault in found:
        counted = fault.problem == _BOUNDS["too_short"][0] and place in faulty
        if not counted and not (fault.problem == "is missing" and fault.field in meant):
            yield place, fault


def field(place: Place) -> str:
    """Return a place as people write it, such as ``prosthesis.components[2].kind``."""
    text = ""
    for step in place:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else str(step)
    return text


def known_keys(place: Place, schema: dict[str, Any]) -> list[str]:
    """Return the names allowed at a place, from the schema."""
    here: dict[str, Any] = schema
    for step in place:
        here = _resolved(here, schema)
        here = here.get("items", {}) if isinstance(step, int) else here.get("properties", {}).get(step, {})
    return list(_resolved(here, schema).get("properties", {}))


def _resolved(here: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    here = next((option for option in here.get("anyOf", ()) if "$ref" in option), here)
    while "$ref" in here:
        here = schema["$defs"][here["$ref"].rsplit("/", 1)[1]]
    return here


_BOUNDS = {
    "greater_than": ("is too small", "more than {gt}"),
    "greater_than_equal": ("is too small", "at least {ge}"),
    "less_than": ("is too large", "less than {lt}"),
    "less_than_equal": ("is too large", "at most {le}"),
    "string_too_short": ("is empty", "say what it is, or leave the field out where that is allowed"),
    "too_short": ("has too few entries", "at least {min_length}"),
    "missing": ("is missing", "add it"),
    "missing_argument": ("is missing", "add it"),
    "literal_error": ("is not one of the values allowed", "one of {expected}"),
    "timezone_aware": ("has no offset from UTC", "write it with one, such as 2026-03-02T10:15:00-06:00"),
    "string_type": ("is not text", "put it in quotes"),
}
_KINDS = (
    ("datetime", "is not a date and time", "write it such as 2026-03-02T10:15:00-06:00"),
    ("date", "is not a date", "use YYYY-MM-DD"),
    ("time", "is not a clock time", "use HH:MM, such as 08:30"),
    ("int", "is not a whole number", "write it in digits"),
    ("decimal", "is not a number", "write it in digits, such as 57.1"),
    ("bool", "is neither true nor false", "write true or false"),
    ("tuple", "is not a list", "put the entries in a list"),
    ("dataclass", "is not a group of fields", "write its fields below it"),
    ("model", "is not a group of fields", "write its fields below it"),
)


def _words(error: dict[str, Any], place: Place, schema: dict[str, Any]) -> tuple[str, str]:
    kind, context = str(error["type"]), error.get("ctx", {})
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        known = known_keys(place[:-1], schema)
        near = difflib.get_close_matches(str(place[-1]), known, n=1, cutoff=0.5)
        return "is not a known field", (
            f"did you mean {near[0]}?" if near else "remove it; known are " + ", ".join(known)
        )
    if kind in _BOUNDS:
        problem, mend = _BOUNDS[kind]
        return problem, mend.format_map(context)
    for start, problem, mend in _KINDS:
        if kind.startswith(start):
            return problem, mend
    return "cannot be used", "see `fhircare schema` for what it may hold"
