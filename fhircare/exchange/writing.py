"""Steps → requests: creates, updates tied to a version, withdrawals; in transactions or one by one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from fhircare.errors import Conflict
from fhircare.exchange.client import escape
from fhircare.exchange.many import read_all
from fhircare.exchange.revision import Withdrawal

if TYPE_CHECKING:
    from fhircare.exchange.cargo import Cargo, Item
    from fhircare.exchange.client import FhirServer, Resource, Stored
    from fhircare.exchange.http import Request


@dataclass(frozen=True, slots=True)
class Write:
    """One item to create, or to update over what the server has."""

    item: Item
    over: Stored | None = None
    """What the server has; None to create."""


Step = Write | Withdrawal


def chunks(steps: list[Step], size: int) -> list[list[Step]]:
    """Return the steps in transactions of at most ``size``.

    Plans and what leads to them come last. Plans themselves, the new one and those it replaces, stay in one
    transaction, so that nobody has two plans in force.
    """
    if len(steps) <= size:
        return [steps] if steps else []
    first, plans, after = ([s for s in steps if _turn(s) == turn] for turn in (0, 1, 2))
    cut, last = _cut(first, size), plans + after
    if cut and len(cut[-1]) + len(last) <= size:
        cut[-1] += last
        return cut
    return cut + _cut(last, size)


def _turn(step: Step) -> int:
    """Return when a step's turn is: 0 what plans list, 1 plans, 2 what leads to plans."""
    if isinstance(step, Withdrawal):
        return int(step.becomes["resourceType"] == "CarePlan")
    return 1 if step.item.entry.kind == "CarePlan" else 2 * step.item.entry.closes


def _cut(steps: list[Step], size: int) -> list[list[Step]]:
    return [steps[start : start + size] for start in range(0, len(steps), size)]


def condition(system: str, value: str) -> str:
    """Return If-None-Exist for an identifier: a search without "?", percent-encoded, and nothing else in it.

    Chained parameters, references and regular expressions in such conditions fail on one server or another.
    """
    return f"identifier={quote(f'{escape(system)}|{escape(value)}', safe='')}"


def fresh(server: FhirServer, steps: list[Step]) -> list[Step]:
    """Return the steps with what is to be updated read again, for its ETag byte for byte.

    Raises:
        Conflict: When something has changed since it was looked at.
    """
    over = {step.over.reference: step.over for step in steps if isinstance(step, Write) and step.over}
    now = read_all(server, [name for name, stored in over.items() if not stored.etag])
    for name, stored in now.items():
        again = stored
        if stored is not None and not stored.etag and not server.tags_are_versions:
            again = server.read(name)
            server.tags_are_versions = again is not None and again.etag == f'W/"{again.version}"'
        if again is None or again.version != over[name].version:
            raise Conflict(f"{name} has changed while it was looked at")
        over[name] = again
    return [
        replace(step, over=over[step.over.reference]) if isinstance(step, Write) and step.over else step
        for step in steps
    ]


def transaction(server: FhirServer, cargo: Cargo, steps: list[Step]) -> Request:
    """Return the one request that carries out all steps or none."""
    listed = [_entry(server, cargo, step) for step in steps]
    # Not so conditional creates: while a first one whose answer was lost still runs, a second may create too.
    safe = all("ifMatch" in e["request"] for e in listed)
    return server.transaction_request(listed, repeatable=safe)


def single(server: FhirServer, cargo: Cargo, step: Step) -> Request:
    """Return the request that carries out one step."""
    if isinstance(step, Withdrawal):
        return server.update_request(step.becomes, step.stored.match)
    body = cargo.resolved(step.item)
    if step.over is None:
        return server.create_request(body, _condition(server, step.item))
    return server.update_request(_in_place_of(step.over, body), step.over.match)


def _entry(server: FhirServer, cargo: Cargo, step: Step) -> dict[str, Any]:
    if isinstance(step, Withdrawal):
        return _put(server, step.stored, step.becomes)
    body = cargo.resolved(step.item)
    if step.over is not None:
        return _put(server, step.over, _in_place_of(step.over, body))
    request = {"method": "POST", "url": step.item.entry.kind}
    # The plan's own creates stay plain: with a condition in it, a transaction may hold few entries only.
    if step.item.entry.owner == "actor" and (told := _condition(server, step.item)):
        request["ifNoneExist"] = told
    return {"fullUrl": step.item.entry.full_url, "resource": body, "request": request}


def _put(server: FhirServer, now: Stored, body: Resource) -> dict[str, Any]:
    request = {"method": "PUT", "url": now.reference}
    if now.match:
        request["ifMatch"] = now.match
    return {"fullUrl": f"{server.base}/{now.reference}", "resource": body, "request": request}


def _condition(server: FhirServer, item: Item) -> str:
    name = item.entry.identifier
    return condition(*name) if name and server.capabilities.conditional_create(item.entry.kind) else ""


def _in_place_of(now: Stored, body: Resource) -> Resource:
    return {"resourceType": body["resourceType"], "id": now.resource["id"]} | body
