"""Plans that stand in their bundle as history: what of them still matters.

A plan is history only when the next revision of the same plan, in the same bundle, names it in ``replaces``
and it is over itself (or on hold while that revision is a draft that waits). Nothing else takes a plan out of
the whole check. What it shares with its successor is as the successor has it; what is its own must ask nobody
for anything any more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.check.safety.raw import code_of, items, obj, text
from fhircare.check.safety.schedule import Schedule
from fhircare.check.safety.wear import check_stopped

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fhircare.check.gather import ResourceScope
    from fhircare.check.safety.held import Held
    from fhircare.check.safety.raw import Json

OVER = ("revoked", "completed", "entered-in-error")
_OPEN_VISITS = ("proposed", "pending", "booked", "waitlist")


def successor(scope: ResourceScope, plans: Sequence[ResourceScope]) -> ResourceScope | None:
    """Return the plan of the same bundle that is this one's next revision and names it in ``replaces``."""
    number, revision = _revision(scope.resource)
    for other in plans:
        if other is scope or other.container is not scope.container or not revision:
            continue
        if _revision(other.resource) == (number, revision + 1) and _names(other.resource, scope.resource):
            return other
    return None


def is_past(scope: ResourceScope, after: ResourceScope | None) -> bool:
    """Tell whether a plan is history beside its successor."""
    if after is None:
        return False
    status, next_status = text(scope.resource, "status"), text(after.resource, "status")
    return status in OVER or (status == "on-hold" and next_status == "draft")


def check_replaced(held: Held) -> None:
    """Say that a plan which another replaces is still in force; it is then checked as one that is."""
    held.say("plan.past-status", (held.plan.path, "status"))


def check_past(held: Held, in_force: Sequence[Held]) -> None:
    """Check what of a plan in history still matters.

    Args:
        held: The plan in history.
        in_force: The plans of the bundle that are not.
    """
    shared = {id(part) for other in in_force for part in (*other.requests, *other.visits)}
    waits = held.status == "on-hold"
    for one in held.requests:
        status, kind = text(one.resource, "status"), code_of(one.resource.get("code"), "activity")
        stands = waits and (status == "on-hold" or (status == "active" and kind == "no-wear"))
        if id(one) not in shared and status not in OVER and not stands:
            held.say("plan.past-request", (one.path, "status"))
    for one in held.visits:
        if id(one) not in shared and text(one.resource, "status") in _OPEN_VISITS:
            held.say("plan.past-request", (one.path, "status"))
    if waits:
        held.schedule = Schedule(held)
        check_stopped(held, held.schedule)
    subject = held.resolve(held.plan.resource.get("subject"))
    for other in in_force:
        if held.resolve(other.plan.resource.get("subject")) is not subject:
            held.say("plan.other-person", (held.plan.path, "subject"))


def check_waiting(held: Held, before: ResourceScope | None) -> None:
    """Check that a draft which is to take the place of a stopped plan says that wear is stopped."""
    stopped_before = before is not None and text(before.resource, "status") == "on-hold"
    if held.status == "draft" and stopped_before and not held.stopped:
        held.say("plan.stopped", (held.plan.path, "supportingInfo"))
    if held.stopped and held.status == "active":
        held.say("plan.stopped", (held.plan.path, "status"))


def _revision(plan: Json) -> tuple[str, int]:
    """Return number and revision by the plan's own identifier, revision 0 when it has none."""
    for _, one in items(plan, "identifier"):
        if text(one, "system").endswith("/fhircare/plan"):
            number, _, revision = text(one, "value").rpartition("/r")
            return number, int(revision) if revision.isdigit() else 0
    return "", 0


def _names(plan: Json, other: Json) -> bool:
    own = {(text(one, "system"), text(one, "value")) for _, one in items(other, "identifier")}
    named = [obj(replaced, "identifier") for _, replaced in items(plan, "replaces")]
    return any((text(one, "system"), text(one, "value")) in own for one in named)
