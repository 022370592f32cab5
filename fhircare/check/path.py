"""Where an element stands, as cheaply as it can be carried.

While a resource is walked, a place is a nested tuple ``(parent, step)``: one small tuple for each step,
and no string at all until a finding has to be told. The root is ``(None, "CarePlan")``; a step is an
element's name as in the JSON (``valueQuantity``) or an index into an array::

    Bundle.entry[3].resource.period  =  (((((None, "Bundle"), "entry"), 3), "resource"), "period")
"""

from __future__ import annotations

from typing import Any

# Any for the parent: a nested tuple type cannot be written finitely without a recursive alias.
Path = tuple[Any, str | int]


def render(path: Path) -> str:
    """Return a path as OperationOutcome's ``expression`` has it: ``Bundle.entry[3].resource.period``."""
    parts: list[str] = []
    here: Path | None = path
    while here is not None:
        here, step = here
        parts.append(f"[{step}]" if isinstance(step, int) else f".{step}")
    parts.reverse()
    return "".join(parts)[1:]


def steps(path: Path) -> list[str | int]:
    """Return the steps of a path from the root down: ``["Bundle", "entry", 3, "resource", "period"]``."""
    found: list[str | int] = []
    here: Path | None = path
    while here is not None:
        here, step = here
        found.append(step)
    found.reverse()
    return found
