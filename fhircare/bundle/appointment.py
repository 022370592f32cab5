"""Follow-up visits, both ways.

=====================  =================================================================================
plan.visits[]          FHIR Appointment
=====================  =================================================================================
kinds                  reasonCode, one each
start                  start, with its offset; ``end`` follows from ``minutes``
minutes                minutesDuration
earliest, latest       requestedPeriod
role                   participant.type, ours; the actor is that professional where the plan names one
status                 status
why                    comment
=====================  =================================================================================

A visit is ``proposed`` until the clinic books it; a proposed appointment may still carry its time (app-3).
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.located import Node, Read, choice, listed, made
from fhircare.bundle.people import read_role, role_reference
from fhircare.plan import Visit
from fhircare.plan.goals import VisitStatus
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.source import Source

_SERVICE = {"prosthetist": "585", "physical-therapist": "65"}


def write_visits(draft: Draft) -> list[Json]:
    """Add the visits; return references in order."""
    return [_write_visit(draft, visit) for visit in draft.plan.visits]


def _write_visit(draft: Draft, visit: Visit) -> Json:
    key = draft.key("visit", *visit.kinds)
    end = visit.start + dt.timedelta(minutes=visit.minutes)
    title = ", ".join(terms.display("visit-kind", kind) or kind for kind in visit.kinds)
    service = _SERVICE.get(visit.role)
    body = {
        "identifier": draft.own(key, lasting=True),
        "status": visit.status,
        "serviceType": [fhir.concept("", terms.coding("service-type", service))] if service else [],
        "appointmentType": fhir.concept("", terms.coding("appointment-type", "FOLLOWUP")),
        "reasonCode": [fhir.term("visit-kind", kind) for kind in visit.kinds],
        "description": title,
        "start": instant(visit.start),
        "end": instant(end),
        "minutesDuration": visit.minutes,
        "comment": visit.why,
        "basedOn": draft.reference("order"),
        "participant": _participants(draft, visit),
        "requestedPeriod": [fhir.period(visit.earliest, visit.latest)],
    }
    said = says(
        title,
        ("When", f"{visit.start:%Y-%m-%d %H:%M}, {visit.minutes} minutes"),
        ("Between", f"{visit.earliest} and {visit.latest}"),
        ("With", terms.display("professional-role", visit.role)),
        ("Status", visit.status),
        ("Why then", visit.why),
    )
    return draft.add("Appointment", key, filled(body), text=said)


def instant(moment: dt.datetime) -> str:
    """Return a moment as a FHIR instant, to the second or better, with its offset."""
    return moment.isoformat()


def _participants(draft: Draft, visit: Visit) -> list[Json]:
    status = "accepted" if visit.status in {"booked", "fulfilled"} else "needs-action"
    told = {"required": "required", "status": status}
    role = fhir.term("professional-role", visit.role)
    people = [filled({"type": [role], "actor": role_reference(draft, visit.role)}) | told]
    if "patient" in draft.made:
        people.insert(0, {"actor": draft.made["patient"]} | told)
    return people


# ---------------------------------------------------------------------------------------------- reading


def read_visits(source: Source, appointments: list[Node]) -> Read[tuple[Visit, ...]]:
    """Read the visits that the plan refers to, in its order; one without a time is named as unread."""
    found: list[Read[Any]] = []
    for one in appointments:
        status = choice(one.text("status"), get_args(VisitStatus), None) or _nearest_status(one)
        start = one.instant("start")
        if status is None or not start:
            source.skip(one, "has no time, or a status that this plan has no place for")
            continue
        minutes = one.integer("minutesDuration").or_else(_length(one, start))
        window = one.first("requestedPeriod")
        day = start.then(lambda moment: moment.date() if moment else None)
        roles = (read_role(p.items("type")) for p in one.items("participant"))
        role = next((role for role in roles if role), None) or _actor_role(source, one)
        found.append(
            made(
                Visit,
                kinds=_read_kinds(one),
                start=start,
                minutes=minutes,
                earliest=window.date("start").or_else(day),
                latest=window.date("end").or_else(day),
                role=role,
                status=status,
                why=one.text("comment").or_else(one.text("description")),
            )
        )
    return listed(found)


def _nearest_status(one: Node) -> Read[Any] | None:
    """Return how a visit stands that was written with a finer status than ours."""
    said = one.text("status")
    same = {
        "pending": "proposed",
        "waitlist": "proposed",
        "arrived": "booked",
        "checked-in": "booked",
        "noshow": "cancelled",
    }
    return Read(same[said.value], said.path) if said.value in same else None


def _length(one: Node, start: Read[Any]) -> Read[int | None]:
    end = one.instant("end")
    if not end or end.value is None or start.value is None:
        return Read(0, one.path)
    return end.then(lambda moment: int((moment - start.value).total_seconds() // 60) if moment else 0)


def _read_kinds(one: Node) -> Read[tuple[str, ...]]:
    ours = [kind for reason in one.items("reasonCode") if (kind := reason.code_in("visit-kind"))]
    return listed(ours)


def _actor_role(source: Source, one: Node) -> Read[Any]:
    for participant in one.items("participant"):
        person = source.resolve(participant.get("actor"))
        role = read_role(person.items("code")) if person and person.kind == "PractitionerRole" else None
        if role is not None:
            return role
    return Read("prosthetist")
