"""Orders in: a physician's ServiceRequest or DeviceRequest, and who and what it is about.

An order comes from a server (by its id, or as the one open order of a patient) or from a file (a Bundle,
NDJSON, or one resource). What it refers to is gathered with it: patient, requester, conditions, the Task that
tracks it. Insurance is left where it is.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from fhircare.errors import Fault, InputError, ServerRefused
from fhircare.exchange.client import Resource, place
from fhircare.exchange.entries import references
from fhircare.exchange.speech import heard

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from fhircare.exchange.client import FhirServer

KINDS = ("ServiceRequest", "DeviceRequest")
_ORDERS = ("order", "original-order", "filler-order", "reflex-order", "instance-order")
_OPEN = ("active", "on-hold", "draft")
_MOST_GATHERED = 40
_WITH_IT = ("Patient", "Practitioner", "PractitionerRole", "Organization", "Condition", "Observation")


@dataclass(frozen=True, slots=True)
class Referral:
    """An order and what belongs to it."""

    order: Resource = field(repr=False)
    """The ServiceRequest or DeviceRequest."""
    patient: Resource = field(repr=False)
    """Whom it is for."""
    requester: Resource | None = field(default=None, repr=False)
    """The Practitioner who wrote it, where known."""
    organization: Resource | None = field(default=None, repr=False)
    """Where they work, where known."""
    conditions: tuple[Resource, ...] = field(default=(), repr=False)
    """What it was written for first, then what else is on file."""
    task: Resource | None = field(default=None, repr=False)
    """The Task that tracks it."""
    source: str = ""
    """The server's base, or "" for a file."""

    @property
    def reference(self) -> str:
        """The order's literal reference, such as ServiceRequest/12; without an id, its number."""
        numbers = self.order.get("identifier") or [{}]
        name = self.order.get("id") or numbers[0].get("value", "")
        return f"{self.order['resourceType']}/{name}"


def order_from_server(server: FhirServer, *, order: str = "", patient: str = "") -> Referral:
    """Return an order from a server.

    Args:
        server: The server.
        order: Its id or literal reference; "" to find the patient's one open order.
        patient: Literal reference of the patient, or an identifier as SYSTEM|VALUE.

    Raises:
        InputError: When neither leads to exactly one order; lists the candidates' ids.
        ServerRefused, ServerUnavailable: As ``FhirServer``.
    """
    found = _by_id(server, order) if order else _of_patient(server, patient)
    gathered = _Gathered(lambda reference: _read(server, reference))
    subject = gathered.get(str((found.get("subject") or {}).get("reference", "")))
    if subject is None:
        raise ServerRefused("holds this order without a patient that can be read")
    person = f"Patient/{subject['id']}"
    others = [
        heard(server, row)
        for row in server.search("Condition", {"patient": person}).matches
        if str((row.get("subject") or {}).get("reference", "")).endswith(person)
    ]
    name = f"{found['resourceType']}/{found['id']}"
    asks = server.capabilities.offers("Task", "search-type")
    rows = server.search("Task", {"focus": name}).matches if asks else []
    tasks = [heard(server, row) for row in rows]
    return _referral(found, subject, gathered, others, tasks, server.base)


def order_from_data(resources: Iterable[Resource], *, order: str = "") -> Referral:
    """Return the order among resources read from a file.

    Args:
        resources: The entries of a bundle, or the lines of NDJSON, each a resource; a Bundle is unpacked.
        order: Its id or literal reference when there is more than one.

    Raises:
        InputError: When there is not exactly one, or its patient is not there.
    """
    by_name: dict[str, Resource] = {}
    for name, resource in unpacked(resources):
        by_name[name] = resource
        by_name[f"{resource.get('resourceType')}/{resource.get('id')}"] = resource
    everything = list({id(r): r for r in by_name.values()}.values())
    orders = [r for r in everything if is_order(r)]
    if order:
        orders = [r for r in orders if order in (r.get("id"), f"{r['resourceType']}/{r.get('id')}")]
    found = _the_one(orders, "the file")
    gathered = _Gathered(lambda reference: by_name.get(reference) or by_name.get(place(reference)))
    subject = gathered.get(str((found.get("subject") or {}).get("reference", "")))
    if subject is None:
        raise InputError(Fault("subject", "is not in the file", "add the patient to it"))
    conditions = [r for r in everything if r.get("resourceType") == "Condition"]
    tasks = [r for r in everything if r.get("resourceType") == "Task"]
    return _referral(found, subject, gathered, conditions, tasks, "")


def is_order(resource: Resource) -> bool:
    """Return whether a resource is an order that asks for something, and not a plan or a proposal."""
    return resource.get("resourceType") in KINDS and resource.get("intent") in _ORDERS


def unpacked(resources: Iterable[Resource]) -> Iterable[tuple[str, Resource]]:
    """Yield each resource with the name it is referred to by; bundles are opened."""
    for resource in resources:
        if resource.get("resourceType") == "Bundle":
            for entry in resource.get("entry") or []:
                if isinstance(entry, dict) and isinstance(entry.get("resource"), dict):
                    yield str(entry.get("fullUrl", "")), entry["resource"]
        else:
            yield f"{resource.get('resourceType')}/{resource.get('id', '')}", resource


class _Gathered:
    """Reads what an order refers to, once each, and not without end."""

    def __init__(self, read: Callable[[str], Resource | None]) -> None:
        self._read, self._had = read, dict[str, Resource | None]()

    def get(self, reference: str) -> Resource | None:
        if not reference:
            return None
        if reference not in self._had:
            if len(self._had) >= _MOST_GATHERED:
                return None
            self._had[reference] = self._read(reference)
        return self._had[reference]


def _referral(
    order: Resource,
    patient: Resource,
    gathered: _Gathered,
    conditions: list[Resource],
    tasks: list[Resource],
    source: str,
) -> Referral:
    person, organization = _requester(order, gathered)
    reasons = [gathered.get(str(r["reference"])) for r in references(order.get("reasonReference"))]
    first = [r for r in reasons if r is not None and r.get("resourceType") == "Condition"]
    rest = [c for c in conditions if _current(c) and c.get("id") not in [f.get("id") for f in first]]
    name = f"{order['resourceType']}/{order.get('id', '')}"
    tracking = [t for t in tasks if str((t.get("focus") or {}).get("reference", "")).endswith(name)]
    return Referral(order, patient, person, organization, (*first, *rest), next(iter(tracking), None), source)


def _requester(order: Resource, gathered: _Gathered) -> tuple[Resource | None, Resource | None]:
    found = gathered.get(str((order.get("requester") or {}).get("reference", "")))
    if found is None or found.get("resourceType") == "Practitioner":
        return found, None
    if found.get("resourceType") == "Organization":
        return None, found
    practitioner = gathered.get(str((found.get("practitioner") or {}).get("reference", "")))
    return practitioner, gathered.get(str((found.get("organization") or {}).get("reference", "")))


def _current(condition: Resource) -> bool:
    codings = (condition.get("clinicalStatus") or {}).get("coding") or [{"code": "active"}]
    verified = (condition.get("verificationStatus") or {}).get("coding") or [{}]
    return codings[0].get("code") in ("active", "recurrence", "relapse") and verified[0].get("code") not in (
        "refuted",
        "entered-in-error",
    )


def _read(server: FhirServer, reference: str) -> Resource | None:
    """Read what is on this very server and belongs to an order; nothing else is followed."""
    name = place(reference.removeprefix(f"{server.base}/"))
    if (
        not name
        or name.partition("/")[0] not in _WITH_IT
        or ("://" in reference and server.base not in reference)
    ):
        return None
    stored = server.read(name)
    return heard(server, stored.resource) if stored else None


def _by_id(server: FhirServer, order: str) -> Resource:
    names = [order] if "/" in order else [f"{kind}/{order}" for kind in KINDS]
    for name in names:
        if place(name) != name or name.partition("/")[0] not in KINDS:
            raise InputError(Fault("--order", "is no id of an order", "such as ServiceRequest/12"))
        stored = server.read(name)
        if stored is not None:
            return heard(server, stored.resource)
    raise InputError(Fault("--order", "is not on the server", "check the id, or name the patient"))


def _of_patient(server: FhirServer, patient: str) -> Resource:
    system, bar, value = patient.partition("|")
    if bar:
        person = server.find("Patient", system, value)
        if person is None:
            raise InputError(Fault("--patient", "is not known there", "check system and number"))
        patient = f"Patient/{person['id']}"
    if place(patient) != patient or not patient.startswith("Patient/"):
        raise InputError(Fault("--patient", "is no patient", "Patient/ID, or SYSTEM|NUMBER"))
    orders = [
        heard(server, row)
        for kind in KINDS
        if server.capabilities.offers(kind, "search-type")
        for row in server.search(kind, {"patient": patient}).matches
        if str((row.get("subject") or {}).get("reference", "")).endswith(patient)
    ]
    return _the_one([row for row in orders if is_order(row)], "the server")


def _the_one(orders: list[Resource], where: str) -> Resource:
    still = [order for order in orders if order.get("status") in _OPEN]
    if len(still) == 1:
        return still[0]
    if not still:
        raise InputError(
            Fault("", f"no open order in {where}", "orders that are closed or plans do not count")
        )
    names = ", ".join(sorted(f"{o['resourceType']}/{o.get('id', '?')}" for o in still))
    raise InputError(
        Fault("--order", f"is needed: {where} holds {len(still)} open orders", f"one of {names}")
    )
