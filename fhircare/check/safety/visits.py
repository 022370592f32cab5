"""Follow-up visits: after delivery, in time, each as long as it says, with the people it says."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from fhircare.check.safety.raw import code_of, date, items, text
from fhircare.check.safety.rules import BOUNDS

if TYPE_CHECKING:
    from fhircare.check.gather import ResourceScope
    from fhircare.check.safety.held import Held
    from fhircare.check.safety.raw import Json

_FIRM = {"booked", "fulfilled", "arrived", "checked-in"}
_SERVICE = "http://terminology.hl7.org/CodeSystem/service-type"
_SERVICES = {"prosthetist": "585", "physical-therapist": "65"}
_KIND = "http://terminology.hl7.org/CodeSystem/v2-0276"
_OFF = {"cancelled", "noshow", "entered-in-error"}


def check_visits(held: Held) -> None:
    """Check each visit, and that the first one comes soon enough."""
    if not held.visits:
        held.missing("visit.none", (held.plan.path, "activity"))
        return
    starts = []
    for one in held.visits:
        start = _moment(text(one.resource, "start"))
        if start is None:
            held.say("visit.start", (one.path, "start"))
            continue
        if text(one.resource, "status") not in _OFF:
            starts.append((start, one))
        _length(held, one, start)
        _window(held, one, start.date())
        _people(held, one)
    first, visit = min(starts, key=lambda one: one[0].timestamp(), default=(None, None))
    if first and visit and held.delivered:
        days = (first.date() - held.delivered).days
        if days > BOUNDS["first_visit_days"]:
            held.say("visit.late", (visit.path, "start"))


def _moment(value: str) -> dt.datetime | None:
    try:
        found = dt.datetime.fromisoformat(value) if "T" in value else None
    except ValueError:
        return None
    return found if found and found.tzinfo else None


def _length(held: Held, one: ResourceScope, start: dt.datetime) -> None:
    minutes, end = one.resource.get("minutesDuration"), _moment(text(one.resource, "end"))
    if (
        isinstance(minutes, bool)
        or not isinstance(minutes, int)
        or not 0 < minutes <= BOUNDS["visit_minutes"]
    ):
        held.say("visit.minutes", (one.path, "minutesDuration"))
    elif end is None or end - start != dt.timedelta(minutes=minutes):
        held.say("visit.end", (one.path, "end"))


def _window(held: Held, one: ResourceScope, day: dt.date) -> None:
    """The visit is after delivery, within the days asked for."""
    if held.delivered and day < held.delivered:
        held.say("visit.before-delivery", (one.path, "start"))
    for index, period in items(one.resource, "requestedPeriod"):
        first, last = date(period.get("start")), date(period.get("end"))
        place = ((one.path, "requestedPeriod"), index)
        if first is None or last is None or last < first:
            held.say("visit.window", place)
        elif text(one.resource, "status") not in _OFF | _FIRM and (
            day < first or (day - last).days > BOUNDS["visit_days_late"]
        ):
            held.say("visit.outside", (one.path, "start"))


def _people(held: Held, one: ResourceScope) -> None:
    """The person and a professional take part; both have said yes exactly when the visit is booked."""
    wanted = "accepted" if text(one.resource, "status") in _FIRM else "needs-action"
    persons = 0
    for index, told in items(one.resource, "participant"):
        place = ((one.path, "participant"), index)
        actor = held.resolve(told.get("actor"))
        persons += actor is not None and actor.type == "Patient"
        if text(told, "status") != wanted:
            held.say("visit.participant", (place, "status"))
        if text(told, "required") not in {"required", ""}:
            held.say("visit.required", (place, "required"))
        if actor and actor.type == "PractitionerRole":
            _service(held, one, code_of(next((t for _, t in items(told, "type")), None), "professional-role"))
        role = next((code for _, t in items(told, "type") if (code := code_of(t, "professional-role"))), "")
        if actor and actor.type == "PractitionerRole":
            roles = [code_of(code, "professional-role") for _, code in items(actor.resource, "code")]
            if role not in roles:
                held.say("visit.role", (place, "type"))
    if persons != 1:
        held.say("visit.person", (one.path, "participant"))
    _said(held, one)


def _service(held: Held, one: ResourceScope, role: str) -> None:
    """The service is that of whoever sees the person: HL7's service-type, and ours is a follow-up."""
    said = [
        (text(c, "system"), text(c, "code"))
        for _, t in items(one.resource, "serviceType")
        for _, c in items(t, "coding")
    ]
    if said and role in _SERVICES and (_SERVICE, _SERVICES[role]) not in said:
        held.say("visit.service", (one.path, "serviceType"))
    kind = [
        (text(c, "system"), text(c, "code")) for _, c in items(one.resource.get("appointmentType"), "coding")
    ]
    if kind and (_KIND, "FOLLOWUP") not in kind:
        held.say("visit.service", (one.path, "appointmentType"))


def _said(held: Held, one: ResourceScope) -> None:
    """Its description names what it is for, in the words of its codes."""
    kinds = [_display(reason) for _, reason in items(one.resource, "reasonCode")]
    if text(one.resource, "description") != ", ".join(kinds):
        held.say("visit.description", (one.path, "description"))


def _display(concept: Json) -> str:
    first = next((coding for _, coding in items(concept, "coding")), {})
    return text(first, "display") or text(first, "code")
