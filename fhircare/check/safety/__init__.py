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
    """Return what is unsafe or contradicts itself in each plan of ours; nothing for a plan from elsewhere.

    A plan that stands in its bundle as history is held only to what still matters of it (``past``).
    """
    plans = [scope for scope in gathered.resources if is_ours(scope)]
    if not plans:
        return []
    from fhircare.check.safety import past
    from fhircare.check.safety.steps import STEPS

    after = {id(scope): past.successor(scope, plans) for scope in plans}
    before = {id(later): scope for scope in plans if (later := after[id(scope)]) is not None}
    history = [scope for scope in plans if past.is_past(scope, after[id(scope)])]
    in_force = [Held(scope, gathered) for scope in plans if scope not in history]
    for held in in_force:
        if after[id(held.plan)] is not None:
            past.check_replaced(held)
        past.check_waiting(held, before.get(id(held.plan)))
        for step in STEPS:
            step(held)
    old = [Held(scope, gathered) for scope in history]
    for held in old:
        past.check_past(held, in_force)
    return [issue for held in (*in_force, *old) for issue in held.issues]
