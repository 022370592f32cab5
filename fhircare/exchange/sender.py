"""Sending one plan to one server: choose the way, send, read back, report."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from fhircare.errors import ServerRefused
from fhircare.exchange import outcome
from fhircare.exchange import same as sameness
from fhircare.exchange.cargo import Cargo
from fhircare.exchange.entries import entries, patient_of
from fhircare.exchange.fallback import send_document
from fhircare.exchange.memory import Memory, ShortMemory
from fhircare.exchange.report import DryRun, EntryReport, SendReport
from fhircare.exchange.sending import Limits, Sending
from fhircare.exchange.speech import said

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.exchange.capabilities import Capabilities
    from fhircare.exchange.client import FhirServer
    from fhircare.exchange.entries import Entry
    from fhircare.exchange.http import Request
    from fhircare.exchange.report import Way

Mode = Literal["auto", "transaction", "single", "document"]


@dataclass(frozen=True)
class Options:
    """How a plan is to be sent."""

    mode: Mode = "auto"
    """auto chooses from what the server says it can do."""
    limits: Limits = field(default_factory=Limits)
    overwrite: bool = False
    """Replace what others have changed there since the plan was last sent."""
    validate: bool = False
    """Ask the server's $validate about each resource first, where it offers that."""
    document: Callable[[dict[str, Any]], dict[str, Any]] | None = None
    """Makes the plan's document Bundle; needed for a server that takes documents only."""
    pdf: bytes | None = field(default=None, repr=False)
    """The handout, to go with the document."""


def send(
    server: FhirServer,
    bundle: dict[str, Any],
    *,
    destination: str = "",
    options: Options | None = None,
    memory: Memory | None = None,
    alive: Callable[[], None] = lambda: None,
    rest: Callable[[int], None] = lambda _round: None,
    alone: AbstractContextManager[Any] | None = None,
) -> SendReport:
    """Send a plan; doing it again changes nothing.

    Args:
        server: Where to.
        bundle: The plan's bundle, as ``fhircare.bundle.to_bundle`` makes it: in R4's spelling. An R5 server
            gets it said in R5.
        destination: The server's name, for the report.
        options: How.
        memory: What arrived there before.
        alive: Called before each request; may raise to stop.
        rest: Called with the number of the round to wait after an unclear answer.
        alone: Held while people and organisations are created, so that two senders do not create one twice.

    Raises:
        BundleError: When the bundle cannot be sent.
        ServerRefused, Conflict, ServerUnavailable, OutcomeUnclear: As ``fhircare.errors`` says of each.
    """
    options, theirs = options or Options(), said(server, bundle)
    found = entries(theirs)
    way, notes = _way(server, found, options)
    if way == "document":
        name, document = destination or server.base, said(server, _document(bundle, options))
        return send_document(server, bundle, entries(bundle), name, document, options.pdf, notes, rest=rest)
    sending = _sending(server, theirs, found, way, options, memory or ShortMemory())
    sending.alive, sending.rest = alive, rest
    if options.validate:
        notes += _validated(server, sending)
    actors, plan = _halves(sending)
    with alone or nullcontext():
        sending.settle(actors)
    sending.settle(plan)
    sending.remember()
    return _report(sending, destination or server.base, notes)


def dry_run(
    server: FhirServer,
    bundle: dict[str, Any],
    *,
    destination: str = "",
    options: Options | None = None,
    memory: Memory | None = None,
) -> DryRun:
    """Return the requests that ``send`` would make; the server is only read from.

    Raises:
        As ``send``.
    """
    options, theirs = options or Options(), said(server, bundle)
    found = entries(theirs)
    way, notes = _way(server, found, options)
    shown: list[Request] = []
    if way == "document":
        document = said(server, _document(bundle, options))
        send_document(server, bundle, entries(bundle), "", document, options.pdf, notes, shown)
    else:
        sending = _sending(server, theirs, found, way, options, memory or ShortMemory())
        sending.shown = shown
        for half in _halves(sending):
            sending.settle(half)
        if any(not item.reference for item in sending.cargo.items):
            notes.append("an id the server has yet to give stands as the bundle's own urn:uuid")
    return DryRun(destination or server.base, way, tuple(shown), tuple(notes))


def _way(server: FhirServer, found: tuple[Entry, ...], options: Options) -> tuple[Way, list[str]]:
    """Choose; what a server was said not to take in an earlier run is asked for again before it counts."""
    try:
        way, notes = choose_way(server.capabilities, found, options)
    except ServerRefused:
        if not server.ask_again():
            raise
        return choose_way(server.capabilities, found, options)
    if way != "transaction" and server.ask_again():
        return choose_way(server.capabilities, found, options)
    return way, notes


def choose_way(
    capabilities: Capabilities, found: tuple[Entry, ...], options: Options
) -> tuple[Way, list[str]]:
    """Return how the plan can be sent, and what to say about that.

    Raises:
        ServerRefused: When the server takes the plan in no way at all.
    """
    missing = set[str]()
    for entry in found:
        needs = ["read", "search-type"] if entry.owner != "own" else ["create", "read"]
        if entry.owner == "own" and entry.kind not in ("Provenance", "Binary"):
            needs += ["search-type", "update"]
        missing |= set(capabilities.missing([entry.kind], *needs))
    if options.mode == "document" or (options.mode == "auto" and missing):
        if not capabilities.offers("DocumentReference", "create"):
            raise ServerRefused(f"takes neither {', '.join(sorted(missing)) or 'plans'} nor documents")
        if not any(entry.in_force for entry in found):
            raise ServerRefused(f"does not take {', '.join(sorted(missing))}; only a plan goes as a document")
        why = f"the server does not take {', '.join(sorted(missing))}" if missing else "as asked"
        return "document", [f"sent as one document: {why}"]
    if missing:
        raise ServerRefused(
            f"does not take {', '.join(sorted(missing))}; mode = auto sends a document instead"
        )
    if options.mode == "single" or "transaction" not in capabilities.system:
        return "single", [] if options.mode == "single" else [
            "sent one by one: the server takes no transactions"
        ]
    return "transaction", []


def _document(bundle: dict[str, Any], options: Options) -> dict[str, Any]:
    if bundle.get("type") == "document":
        return bundle
    if options.document is None:
        raise ServerRefused("takes documents only, and no document was made of this plan")
    return options.document(bundle)


def _sending(
    server: FhirServer,
    bundle: dict[str, Any],
    found: tuple[Entry, ...],
    way: Literal["transaction", "single"],
    options: Options,
    memory: Memory,
) -> Sending:
    patient_of(found)
    return Sending(
        server,
        Cargo(found, server.base, server.capabilities.knows),
        memory,
        way,
        options.limits,
        outcome.private_texts(bundle),
        options.overwrite,
    )


def _halves(sending: Sending) -> tuple[list[Any], list[Any]]:
    actors = [item for item in sending.cargo.items if item.entry.owner == "actor"]
    return actors, [item for item in sending.cargo.items if item.entry.owner != "actor"]


def _validated(server: FhirServer, sending: Sending) -> list[str]:
    """Ask $validate about each resource; an error stops the sending before anything is written.

    References stand as they do in the bundle then, so what is said about references does not count.
    """
    checked, grave = 0, list[str]()
    for item in sending.cargo.items:
        if not server.capabilities.validates(item.entry.kind):
            continue
        checked += 1
        for problem in server.validate(sending.cargo.resolved(item)):
            if problem.grave and "reference" not in problem.text.lower():
                words = outcome.without(problem.text, sending.private)
                grave.append(f"{item.entry.place} {outcome.without(problem.where, sending.private)}: {words}")
    if grave:
        raise ServerRefused("$validate finds fault, nothing was sent: " + "; ".join(grave[:5]))
    return [
        f"{checked} resources passed the server's $validate" if checked else "the server offers no $validate"
    ]


def _report(sending: Sending, destination: str, notes: list[str]) -> SendReport:
    rows, verified = [], True
    for item in sending.cargo.items:
        note = item.note
        if item.stored is not None and item.entry.owner == "own" and not item.kept:
            differing = sameness.differences(
                sending.cargo.resolved(item), item.stored.resource, sending.server.base
            )
            if differing:
                verified = False
                note = f"stored otherwise than sent: {', '.join(differing[:3])}"
        rows.append(EntryReport(item.entry.place, item.entry.kind, item.outcome, item.reference, note))
    for withdrawal in sending.withdrawn:
        kind, state = withdrawal.stored.resource["resourceType"], withdrawal.becomes["status"]
        note = f"of an earlier revision, now {state}"
        rows.append(EntryReport("", kind, "withdrawn", withdrawal.stored.reference, note))
    return SendReport(destination, sending.way, tuple(rows), tuple(notes), verified)
