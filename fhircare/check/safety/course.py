"""The plan as a whole: whose it is, how it stands, its dates, and whether it is invented data."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from fhircare.check.safety.raw import code_of, date, items, obj, text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.check.gather import ResourceScope
    from fhircare.check.safety.held import Held
    from fhircare.check.safety.raw import Json

_TEST = "HTEST"
_SUBJECT = ("subject", "patient")
_PLAN = "/fhircare/plan"
_SCT = "http://snomed.info/sct"
_SIDES = {"24028007": "right", "7771000": "left"}
_ICD = {"Z89.611": "right", "Z89.612": "left"}
_PEOPLE = {"Organization", "Patient", "Practitioner", "PractitionerRole", "HealthcareService"}
_ACT_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
_SERIES = "/fhircare/plan-series"
_WITH_WEAR = {"wear-schedule", "wear-session", "sock-guide"}
"""Requests that make sense only while the prosthesis is worn."""


def check_course(held: Held) -> None:
    """Check status, revision, person, dates and the mark of invented data."""
    _status(held)
    _revision(held)
    _person(held)
    _side(held)
    _active(held)
    _devices(held)
    _dates(held)
    _marks(held)


def _status(held: Held) -> None:
    status, intent = held.status, text(held.plan.resource, "intent")
    if (intent == "plan") == (status == "draft") and status in {"draft", "active", "completed"}:
        held.say("plan.intent", (held.plan.path, "intent"))
    stopped = held.stopped
    for one in held.requests:
        if text(one.resource, "status") not in _statuses(held, one, stopped=stopped):
            held.say("plan.request-status", (one.path, "status"))
        if text(one.resource, "intent") != "plan":
            held.say("plan.request-intent", (one.path, "intent"))
        if one.resource.get("doNotPerform") is True:
            held.say("plan.do-not", (one.path, "doNotPerform"))


def _statuses(held: Held, one: ResourceScope, *, stopped: bool) -> set[str]:
    """Return the statuses a request may have: while wear is stopped, what needs no wear goes on."""
    kind = code_of(one.resource.get("code"), "activity")
    if not stopped or kind in _WITH_WEAR:
        return {held.status}
    if kind == "no-wear":
        return {"active" if held.status == "on-hold" else held.status}
    return {"active", "on-hold"} if kind == "" else {"active"}


def _identifiers(resource: Json, end: str) -> list[str]:
    rows = items(resource, "identifier")
    return [text(one, "value") for _, one in rows if text(one, "system").endswith(end)]


def _revision(held: Held) -> None:
    """The plan's number and revision are one; a revision says which plan it replaces."""
    plan = held.plan.resource
    own, series = _identifiers(plan, _PLAN), _identifiers(plan, _SERIES)
    number, _, revision = (own[0] if own else "").rpartition("/r")
    if len(own) != 1 or series != [number] or not revision.isdigit() or int(revision) < 1:
        held.say("plan.number", (held.plan.path, "identifier"))
        return
    before = int(revision) - 1
    replaced = [text(obj(one, "identifier"), "value") for _, one in items(plan, "replaces")]
    if replaced != ([f"{number}/r{before}"] if before else []):
        held.say("plan.replaces", (held.plan.path, "replaces"))
    bundle = held.bundle.resource
    if text(bundle, "type") == "collection" and text(obj(bundle, "identifier"), "value") not in {own[0], ""}:
        held.say("plan.bundle", ((held.bundle.path, "identifier"), "value"))


def _person(held: Held) -> None:
    """Every part of the plan is about the same person."""
    subject = held.resolve(held.plan.resource.get("subject"))
    if subject is None or subject.type != "Patient":
        if "reference" in obj(held.plan.resource, "subject"):
            held.missing("plan.subject", (held.plan.path, "subject"))
        return
    parts = [
        *held.requests,
        *held.support,
        *held.goals,
        *held.of_type("DeviceUseStatement", "CareTeam", "Flag"),
    ]
    parts += [found for _, one in items(held.plan.resource, "addresses") if (found := held.resolve(one))]
    for one in dict.fromkeys(parts):
        for name in _SUBJECT:
            if name in one.resource and held.resolve(one.resource[name]) is not subject:
                held.say("plan.other-person", (one.path, name))
    for one in held.requests:
        who = [held.resolve(told) for _, told in items(one.resource, "performer")]
        if any(found is not subject for found in who):
            held.say("plan.performer", (one.path, "performer"))


def _side(held: Held) -> None:
    """Right or left: one side in every place that names it."""
    limbs = [found for _, one in items(held.plan.resource, "addresses") if (found := held.resolve(one))]
    places = [(one, (one.path, "bodySite"), one.resource.get("bodySite")) for one in held.parts]
    sides = [(_side_of(site), path, site) for _, path, site in places if site is not None]
    if not sides:
        return
    side = next((_side_of(one.resource.get("bodySite")) for one in limbs if "bodySite" in one.resource), "")
    for said, path, site in sides:
        concept = site[0] if isinstance(site, list) and site else site
        if not side or said != side or text(concept, "text").lower() not in {side, ""}:
            held.say("plan.side", path)
    for one in limbs:
        codes = [text(coding, "code") for _, coding in items(one.resource.get("code"), "coding")]
        said = text(obj(one.resource, "code"), "text")
        limb = bool(code_of(one.resource.get("code"), "limb-level"))
        if limb and (not said.endswith(side) or any(_ICD.get(code, side) != side for code in codes)):
            held.say("plan.side", (one.path, "code"))
    if not text(held.plan.resource, "title").endswith(side):
        held.say("plan.side", (held.plan.path, "title"))


def _side_of(site: Any) -> str:
    concepts = site if isinstance(site, list) else [site]
    codings = [coding for one in concepts for _, coding in items(one, "coding")]
    return next(
        (_SIDES[c] for one in codings if (c := text(one, "code")) in _SIDES and one.get("system") == _SCT), ""
    )


def _devices(held: Held) -> None:
    """A device identifier is part of the whole UDI it was taken from."""
    for one in held.parts:
        for index, carrier in items(one.resource, "udiCarrier"):
            whole = text(carrier, "carrierHRF")
            if whole and text(carrier, "deviceIdentifier") not in whole:
                held.say("twice.udi", (((one.path, "udiCarrier"), index), "deviceIdentifier"))


def _active(held: Held) -> None:
    """Everybody the plan names is there."""
    for one in held.parts:
        if one.type in _PEOPLE and one.resource.get("active") is False:
            held.say("plan.inactive", (one.path, "active"))


def _dates(held: Held) -> None:
    delivered = held.delivered
    start = date(obj(held.plan.resource, "period").get("start"))
    created = date(held.plan.resource.get("created"))
    if delivered is None:
        held.missing("dates.delivery", (held.plan.path, "supportingInfo"))
        return
    if start and start < delivered:
        held.say("dates.start", ((held.plan.path, "period"), "start"))
    if created and (created - delivered).days < -1:
        held.say("dates.created", (held.plan.path, "created"))
    for one in held.of_type("DeviceUseStatement"):
        if date(one.resource.get("recordedOn")) not in {delivered, None}:
            held.say("dates.recorded", (one.path, "recordedOn"))
    for one in held.of_type("CareTeam"):
        if date(obj(one.resource, "period").get("start")) not in {delivered, None}:
            held.say("dates.team", ((one.path, "period"), "start"))
    for one in held.of_type("Condition"):
        lost = date(one.resource.get("onsetDateTime"))
        if code_of(one.resource.get("code"), "limb-level") and lost and lost > delivered:
            held.say("dates.amputation", (one.path, "onsetDateTime"))
    for one in held.of_type("Patient"):
        born = date(one.resource.get("birthDate"))
        if born and born >= delivered:
            held.say("dates.birth", (one.path, "birthDate"))
    for one in held.goals:
        _goal(held, one)
    _written(held)


def _goal(held: Held, one: ResourceScope) -> None:
    start = date(one.resource.get("startDate"))
    for index, target in items(one.resource, "target"):
        due = date(target.get("dueDate"))
        if start and due and due < start:
            held.say("dates.goal", ((((one.path, "target"), index)), "dueDate"))


def _written(held: Held) -> None:
    """The day of writing is one day wherever it stands."""
    created = held.plan.resource.get("created")
    if not isinstance(created, str):
        return
    for one in held.requests:
        if one.resource.get("authoredOn", created) != created:
            held.say("dates.written", (one.path, "authoredOn"))
    for one in held.parts:
        if one.type == "Condition" and date(one.resource.get("recordedDate")) not in {date(created), None}:
            held.say("dates.written", (one.path, "recordedDate"))
    for one in held.of_type("Provenance"):
        targets = [held.resolve(told) for _, told in items(one.resource, "target")]
        if held.plan not in targets:
            continue
        # A decision or an approval says why and names no record it was made from: it has its own, later time.
        decided = bool(items(one.resource, "reason")) and not any(True for _ in _records(one))
        recorded = one.resource.get("recorded")
        if recorded != created and not (decided and _later(recorded, created)):
            held.say("dates.written", (one.path, "recorded"))
        _origin(held, one)
    bundle = held.bundle.resource
    if text(bundle, "type") == "collection" and bundle.get("timestamp", created) != created:
        held.say("dates.written", (held.bundle.path, "timestamp"))


def _later(one: Any, other: str) -> bool:
    """Tell whether a moment is not before another; one that cannot be read is no such moment."""
    try:
        return dt.datetime.fromisoformat(one) >= dt.datetime.fromisoformat(other)
    except (TypeError, ValueError):
        return False


def _records(one: ResourceScope) -> Iterator[tuple[int, Json]]:
    """Yield the delivery records a Provenance names, each with its place among the entities."""
    for index, entity in items(one.resource, "entity"):
        record = obj(obj(entity, "what"), "identifier")
        if text(record, "system").endswith("/fhircare/delivery-record"):
            yield index, record


def _origin(held: Held, one: ResourceScope) -> None:
    """What the plan was made from is the record of its own number."""
    series = _identifiers(held.plan.resource, _SERIES)
    for index, record in _records(one):
        if [text(record, "value")] != series:
            held.say("twice.origin", (((one.path, "entity"), index), "what"))


def _marks(held: Held) -> None:
    """Invented data is marked on every resource, or on none."""
    marked = _is_test(held.plan.resource)
    for one in (held.bundle, *held.parts):
        if one is not held.plan and _is_test(one.resource) != marked:
            held.say("plan.test-data", (one.path, "meta"))


def _is_test(resource: Json) -> bool:
    labels = [(text(one, "system"), text(one, "code")) for _, one in items(obj(resource, "meta"), "security")]
    return (_ACT_REASON, _TEST) in labels
