"""The Task that tracks an order: its states, and closing the loop with the plan as output.

States and moves are FHIR R4's task state machine as HL7's referral guides narrow it (Physical Activity 1.0.1;
BSeR 2.0.0-ballot): a reason is given when, and only when, a task is rejected, put on hold, cancelled or
failed (Physical Activity, pa-taskrm-1); the business status is BSeR's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from fhircare.errors import Conflict, Fault, InputError
from fhircare.exchange.client import place
from fhircare.exchange.speech import heard, said

if TYPE_CHECKING:
    from fhircare.exchange.client import FhirServer, Resource

Status = Literal[
    "requested",
    "received",
    "accepted",
    "rejected",
    "in-progress",
    "on-hold",
    "completed",
    "failed",
    "cancelled",
]

MOVES: dict[str, tuple[Status, ...]] = {
    "draft": ("requested",),
    "requested": ("received", "accepted", "rejected", "cancelled"),
    "received": ("accepted", "rejected", "cancelled"),
    "accepted": ("in-progress", "on-hold", "cancelled", "failed"),
    "in-progress": ("completed", "on-hold", "failed", "cancelled"),
    "on-hold": ("in-progress", "failed", "cancelled"),
}
"""From each state, those it may go to. Rejected, completed, failed and cancelled are ends."""

WITH_REASON = ("rejected", "on-hold", "cancelled", "failed")
"""States that need a reason; no other may carry one."""

_BSER = "http://hl7.org/fhir/us/bser/CodeSystem/TaskBusinessStatusCS"
_BUSINESS = {
    "accepted": ("3.0", "Service Request Accepted"),
    "rejected": ("4.0", "Service Request Declined"),
    "completed": ("7.0", "Service Request Fulfillment Completed"),
}
_TRIES = 3


def way(start: str, end: str) -> list[Status]:
    """Return the states to go through from one to another, without the first; empty when already there.

    Raises:
        InputError: When there is no way.
    """
    paths: list[list[Status]] = [[]]
    seen = {start}
    while paths:
        path = paths.pop(0)
        here = path[-1] if path else start
        if here == end:
            return path
        for step in MOVES.get(here, ()):
            if step not in seen and (step == end or step not in WITH_REASON):
                seen.add(step)
                paths.append([*path, step])
    raise InputError(Fault("Task.status", f"cannot go from {start} to {end}", "see the states of a task"))


def advanced(task: Resource, to: Status, *, at: str, reason: str = "", output: str = "") -> Resource:
    """Return a task moved on by one step.

    Args:
        task: The task.
        to: The state it goes to.
        at: When, RFC 3339 with offset; never earlier than the task was written (FHIR R4, inv-1).
        reason: Why, for the states that need one.
        output: Literal reference of what came of it, for completed.

    Raises:
        InputError: When the step is not allowed, or a reason is missing or out of place.
    """
    if to not in MOVES.get(str(task.get("status")), ()):
        raise InputError(
            Fault("Task.status", f"cannot go from {task.get('status')} to {to}", "see its states")
        )
    if bool(reason) != (to in WITH_REASON):
        problem = "needs a reason" if to in WITH_REASON else "takes no reason"
        raise InputError(Fault("--reason", f"{to} {problem}", "say why in one sentence, or leave it out"))
    moved = {key: value for key, value in task.items() if key != "statusReason"}
    moved |= {"status": to, "lastModified": at}
    if reason:
        moved["statusReason"] = {"text": reason}
    if to in _BUSINESS:
        code, display = _BUSINESS[to]
        moved["businessStatus"] = {"coding": [{"system": _BSER, "code": code, "display": display}]}
    if output and output not in [_target(item) for item in task.get("output") or []]:
        given = {"type": {"text": "Plan"}, "valueReference": {"reference": output}}
        moved["output"] = [*(task.get("output") or []), given]
    return moved


def move(
    server: FhirServer, reference: str, to: Status, *, at: str, reason: str = "", output: str = ""
) -> list[Status]:
    """Move a task on the server, step by step, each tied to the version it was read in.

    Doing it again changes nothing. When somebody else moves it meanwhile, it is read again and the way is
    taken from where it then is.

    Returns:
        The states it went through; empty when it was there already.

    Raises:
        InputError: When there is no way from its state, or it is not there.
        Conflict: When others keep changing it.
        ServerRefused, ServerUnavailable: As ``FhirServer``.
    """
    if not place(reference).startswith("Task/"):
        raise InputError(Fault("--task", "is no task", "such as Task/12"))
    gone: list[Status] = []
    for _ in range(_TRIES):
        stored = server.read(reference)
        if stored is None:
            raise InputError(Fault("--task", "is not on the server", "check its id"))
        try:
            for step in way(str(stored.resource.get("status")), to):
                last, now = step == to, heard(server, stored.resource)
                task = advanced(
                    now, step, at=at, reason=reason if last else "", output=output if last else ""
                )
                server.write(server.update_request(said(server, task), stored.match), 1)
                gone.append(step)
                stored = server.read(reference) or stored
        except Conflict:
            continue
        return gone
    raise Conflict(f"{reference} keeps being changed by somebody else")


def open_tasks(server: FhirServer, owner: str, *, since: str = "") -> list[Resource]:
    """Return the tasks that wait for an owner, oldest first.

    Args:
        server: The server.
        owner: Literal reference of the organisation or role that looks after them.
        since: Only those changed after this instant: the server's own time at the last look.
    """
    asked = {"owner": owner, "status": "requested,received,accepted,in-progress"}
    if since:
        asked["_lastUpdated"] = f"gt{since}"
    rows = [heard(server, row) for row in server.search("Task", asked).matches]
    mine = [t for t in rows if str((t.get("owner") or {}).get("reference", "")).endswith(owner)]
    return sorted(mine, key=lambda task: str(task.get("authoredOn", "")))


def _target(output: Any) -> str:
    return str((output.get("valueReference") or {}).get("reference", "")) if isinstance(output, dict) else ""
