"""Whether a bundle of ours agrees with itself.

Much in a bundle is said twice, because every receiver should find it where it looks: the end of a visit follows
from its start and length, the flags repeat the warning signs, the instruction to the person says the timing, the
narrative says it all. The plan is read from one of the two places; ``REDUNDANT`` names the others, each with what
it follows from. Writing the plan anew gives what they ought to say, so a difference is a contradiction.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

REDUNDANT: tuple[tuple[str, str], ...] = (
    # what every resource has
    (r"\w+\.(language|text\..*)", "the narrative says what the elements say"),
    (r"\w+\.meta\..*", "the mark of test data is read from the CarePlan; profiles are claims"),
    (
        r"\w+\.identifier\[\d+\]\.(system|value)",
        "our own identifiers follow from the plan's number and the part",
    ),
    (r".*\.display", "a display follows from its code"),
    (r".*Quantity(\[\d+\])?\.(unit|system)", "the unit's name and system follow from its UCUM code"),
    (r".*\.low\.(unit|system|code)", "ply has one unit"),
    (r".*\.(coding\[\d+\])\.system", "a code outside its system is not read; a system is no fact"),
    # references that say again who and what the plan is about
    (r"Bundle\.(type|timestamp|identifier\.\w+)", "the CarePlan says it"),
    (
        r"\w+\.(requester|performer\[\d+\]|recorder|owner|source|author|expressedBy)\.reference",
        "the CareTeam says it",
    ),
)
"""Elements that the plan is not read from: a pattern of the path from the resource, and what it follows from."""


def contradictions(bundle: Mapping[str, Any], rebuilt: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the FHIRPath of each element that differs from the bundle made anew from its own plan.

    Args:
        bundle: The bundle as it is.
        rebuilt: ``to_bundle(read(bundle).plan)``.
    """
    return tuple(_differences(bundle, rebuilt, "Bundle"))


def _differences(mine: Any, theirs: Any, path: str) -> Iterator[str]:
    if isinstance(mine, dict) and isinstance(theirs, dict):
        for name in [*mine, *(name for name in theirs if name not in mine)]:
            yield from _differences(mine.get(name), theirs.get(name), f"{path}.{name}")
    elif isinstance(mine, list) and isinstance(theirs, list):
        pairs = (
            _by_full_url(mine, theirs) if path == "Bundle.entry" else list(zip(mine, theirs, strict=False))
        )
        for index, (one, other) in enumerate(pairs):
            yield from _differences(one, other, f"{path}[{index}]")
        if len(mine) != len(theirs):
            yield path
    elif mine != theirs:
        yield path


def _by_full_url(mine: list[Any], theirs: list[Any]) -> list[tuple[Any, Any]]:
    known = {entry.get("fullUrl"): entry for entry in theirs if isinstance(entry, dict)}
    return [(entry, known.get(entry.get("fullUrl")) if isinstance(entry, dict) else None) for entry in mine]


def reason(path: str) -> str:
    """Return why an element is redundant, "" when the plan is read from it."""
    return next((why for pattern, why in REDUNDANT if re.fullmatch(pattern, path)), "")
