"""Steps → requests: creates, updates tied to a version, withdrawals; in transactions or one by one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from fhircare.errors import Conflict
from fhircare.exchange.client import escape
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


def closes(step: Step) -> bool:
    """Return whether a step belongs into the last transaction: the plan itself, and what it replaces."""
    return isinstance(step, Withdrawal) or step.item.entry.kind in ("CarePlan", "Provenance")


def chunks(steps: list[Step], size: int) -> list[list[Step]]:
    """Return the steps in transactions of at most ``size``; the plan and what it replaces stay together."""
    if len(steps) <= size:
        return [steps] if steps else []
    first, last = [s for s in steps if not closes(s)], [s for s in steps if closes(s)]
    cut = [first[start : start + size] for start in range(0, len(first), size)]
    if cut and len(cut[-1]) + len(last) <= size:
        cut[-1] += last
        return cut
    return cut + [last[start : start + size] for start in range(0, len(last), size)]


def condition(system: str, value: str) -> str:
    """Return If-None-Exist for an identifier: a search without "?", percent-encoded, and nothing else in it.

    Chained parameters, references and regular expressions in such conditions fail on one server or another.
    """
    return f"identifier={quote(f'{escape(system)}|{escape(value)}', safe='')}"


def transaction(server: FhirServer, cargo: Cargo, steps: list[Step]) -> Request:
    """Return the one request that carries out all steps or none.

    Raises:
        Conflict: When something to be updated has changed since it was looked at.
    """
    listed = [_entry(server, cargo, step) for step in steps]
    # Not so conditional creates: while a first one whose answer was lost still runs, a second may create too.
    safe = all("ifMatch" in e["request"] for e in listed)
    return server.transaction_request(listed, repeatable=safe)


def single(server: FhirServer, cargo: Cargo, step: Step) -> Request:
    """Return the request that carries out one step.

    Raises:
        Conflict: As ``transaction``.
    """
    if isinstance(step, Withdrawal):
        return server.update_request(step.becomes, step.stored.match)
    body = cargo.resolved(step.item)
    if step.over is None:
        return server.create_request(body, _condition(server, step.item))
    now = _fresh(server, step.over)
    return server.update_request(_in_place_of(now, body), now.match)


def _entry(server: FhirServer, cargo: Cargo, step: Step) -> dict[str, Any]:
    if isinstance(step, Withdrawal):
        return _put(server, step.stored, step.becomes)
    body = cargo.resolved(step.item)
    if step.over is not None:
        now = _fresh(server, step.over)
        return _put(server, now, _in_place_of(now, body))
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


def _fresh(server: FhirServer, looked_at: Stored) -> Stored:
    """Read again what is to be updated, for its ETag byte for byte; it must be the version we looked at."""
    if looked_at.etag:
        return looked_at
    now = server.read(looked_at.reference)
    if now is None or now.version != looked_at.version:
        raise Conflict(f"{looked_at.reference} has changed while it was looked at")
    return now


def _in_place_of(now: Stored, body: Resource) -> Resource:
    return {"resourceType": body["resourceType"], "id": now.resource["id"]} | body
