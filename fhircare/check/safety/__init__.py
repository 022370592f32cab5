"""Our own safety layer: is a plan that fhircare made safe to act on, and does it say one thing?

The standard asks only that a bundle is well formed. What a person lives by needs more: somebody to call,
signs to stop for, a wearing schedule that does not leap, visits in time, and not two numbers for one thing.
These rules are ours (``rules``), and every finding says so: its ``source`` is ``safety`` and its rule begins
with ``safety.``.

Only a CarePlan with our category in a Bundle is looked at. A plan from elsewhere is no fault.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.check.safety.held import Held
from fhircare.check.safety.raw import code_of, items
from fhircare.check.safety.rules import rules

if TYPE_CHECKING:
    from fhircare.check.gather import Gathered, ResourceScope
    from fhircare.check.report import Issue

__all__ = ["check_safety", "is_ours", "rules"]


def is_ours(scope: ResourceScope) -> bool:
    """Tell whether a resource is a CarePlan of ours that stands in a Bundle."""
    if scope.type != "CarePlan" or scope.kind != "entry" or scope.container is None:
        return False
    categories = items(scope.resource, "category")
    return scope.container.type == "Bundle" and any(code_of(one, "plan-kind") for _, one in categories)


def check_safety(gathered: Gathered) -> list[Issue]:
    """Return what is unsafe or contradicts itself in each plan of ours; nothing for a plan from elsewhere."""
    found: list[Issue] = []
    plans = [scope for scope in gathered.resources if is_ours(scope)]
    for scope in plans:
        if not _is_past(scope, plans):
            from fhircare.check.safety.steps import STEPS

            held = Held(scope, gathered)
            for step in STEPS:
                step(held)
            found += held.issues
    return found


def _is_past(scope: ResourceScope, plans: list[ResourceScope]) -> bool:
    """Tell whether a plan stands in its bundle as history: another one there names it in ``replaces``.

    What it shares with its successor (people, tasks, signs) is then as the successor has it.
    """
    own = [(one.get("system"), one.get("value")) for _, one in items(scope.resource, "identifier")]
    for other in plans:
        if other is not scope and other.container is scope.container:
            for _, replaced in items(other.resource, "replaces"):
                named = replaced.get("identifier")
                if isinstance(named, dict) and (named.get("system"), named.get("value")) in own:
                    return True
    return False
