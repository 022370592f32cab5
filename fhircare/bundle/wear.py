"""The break-in wearing schedule, both ways.

=================================  =====================================================================
plan.wear                          FHIR ServiceRequest, performer the person, intent plan
=================================  =====================================================================
days[] with the same sessions      one *phase*: consecutive days, one request per session of the day
session.start, .minutes            occurrenceTiming.repeat: timeOfDay, duration, 1 per 1 d within boundsPeriod
session.sitting, .standing, …      orderDetail ``split``, parameters sitting, standing, walking, all-day
a day without sessions             a request of code no-wear, occurrencePeriod
day.rule, .why, .step              orderDetail ``wear-rule`` on the phase's first request: code, text, and the
                                   parameters days (Period) and step
pace, pace_why                     the request of code wear-schedule: orderDetail ``pace``
wakes, sleeps                      its orderDetail ``waking-day``
rest_minutes, redness_minutes      its orderDetails ``rest`` and ``redness``
binding[]                          its notes
overrides[]                        its orderDetails ``override``: text is the reason
=================================  =====================================================================

The parameters are R5's ServiceRequest.orderDetail.parameter, in HL7's cross-version extension; each detail also
says itself as text. A phase ends where anything a session says changes.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from itertools import groupby
from typing import Any, NamedTuple, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import PARAMETER, Json, detail, filled, parameter
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.located import Node, Read, choice, listed, made
from fhircare.bundle.people import role_reference
from fhircare.bundle.source import Source
from fhircare.bundle.timing import bounds, expand, minutes
from fhircare.plan import Override, Pace, Session, WearDay, WearSchedule
from fhircare.spec import terms

PERTAINS = "http://hl7.org/fhir/StructureDefinition/resource-pertainsToGoal"


def request(draft: Draft, key: str, code: Json, **body: Any) -> Json:
    """Return the elements of a request of the plan that the person carries out."""
    known = {
        "identifier": draft.own(key),
        "basedOn": draft.reference("order"),
        "status": draft.plan.status,
        "intent": "plan",
        "category": [fhir.concept("", terms.coding("us-core-category", "functional-status"))],
        "code": code,
        "subject": draft.subject,
        "authoredOn": draft.plan.written_at and draft.plan.written_at.isoformat(),
        "requester": role_reference(draft, "prosthetist"),
        "performer": draft.reference("patient"),
        "reasonReference": draft.reference("limb"),
    }
    places = ("extension", "identifier", "basedOn", "status", "intent", "category", "code", "orderDetail", "subject")
    merged = known | body
    first = {name: merged.pop(name) for name in places if name in merged}
    return filled(first | merged)


def add_request(draft: Draft, key: str, body: Json, title: str, *rows: tuple[str, str]) -> Json:
    """Add a request of the plan and return a reference to it."""
    profile = "servicerequest" if draft.plan.patient else ""
    return draft.add("ServiceRequest", key, body, text=says(title, *rows), profile=profile)


def write_wear(draft: Draft, goals: list[Json]) -> list[Json]:
    """Add the schedule and its phases; return references in order.

    Args:
        draft: The bundle so far.
        goals: References to the plan's goals, in its order.
    """
    wear = draft.plan.wear
    if wear is None:
        return []
    added = [_write_schedule(draft, wear)]
    told = [{"url": PERTAINS, "valueReference": goal} for goal in _wear_goals(draft, goals)]
    for number, days in enumerate(_phases(wear.days), start=1):
        added += _write_phase(draft, number, days, told)
    return added


def _wear_goals(draft: Draft, goals: list[Json]) -> list[Json]:
    wanted = (any(t.measure == "daily-wear" for t in goal.targets) for goal in draft.plan.goals)
    return [reference for reference, is_wear in zip(goals, wanted, strict=True) if is_wear][:1]


def _phases(days: tuple[WearDay, ...]) -> Iterator[list[WearDay]]:
    return (list(run) for _, run in groupby(days, key=lambda day: day.sessions))


def _write_schedule(draft: Draft, wear: WearSchedule) -> Json:
    span = fhir.period(wear.days[0].on, wear.days[-1].on)
    waking = f"{wear.wakes:%H:%M} to {wear.sleeps:%H:%M}"
    details = [
        fhir.filled({"extension": [_pace(wear.pace)], **fhir.concept(wear.pace_why, terms.coding("wear", "pace"))}),
        detail(
            "wear",
            "waking-day",
            f"Waking day {waking}",
            parameter("wakes", "String", wear.wakes.isoformat()),
            parameter("sleeps", "String", wear.sleeps.isoformat()),
        ),
        detail(
            "wear",
            "rest",
            f"At least {wear.rest_minutes} minutes of rest between two sessions",
            parameter("rest", "Quantity", fhir.quantity(wear.rest_minutes, "min")),
        ),
        detail(
            "wear",
            "redness",
            f"Redness must be gone {wear.redness_minutes} minutes after taking the prosthesis off",
            parameter("redness", "Quantity", fhir.quantity(wear.redness_minutes, "min")),
        ),
        *(_override(one) for one in wear.overrides),
    ]
    text = (
        f"Wear the prosthesis as the days of this plan say, between {waking}. Rest at least {wear.rest_minutes} "
        f"minutes between two sessions and look at the skin after each. Redness that is still there "
        f"{wear.redness_minutes} minutes after taking the prosthesis off means: do not wear it, and call."
    )
    body = request(
        draft,
        "wear",
        fhir.term("activity", "wear-schedule"),
        orderDetail=details,
        occurrencePeriod=span,
        note=[{"text": line} for line in wear.binding],
        patientInstruction=text,
    )
    return add_request(
        draft,
        "wear",
        body,
        "Break-in wearing schedule",
        ("From", f"{wear.days[0].on} to {wear.days[-1].on}"),
        ("Pace", f"{wear.pace}: {wear.pace_why}"),
        ("What to do", text),
        *(("Held back by", line) for line in wear.binding),
        *((f"{one.setting} set to {one.value}", f"{one.reason} ({one.by})") for one in wear.overrides),
    )


def _pace(pace: str) -> Json:
    return parameter("pace", "CodeableConcept", fhir.term("pace", pace))


def _override(one: Override) -> Json:
    said = [("setting", one.setting), ("value", one.value), ("usual", one.usual), ("decided-by", one.by)]
    told = [parameter(code, "String", text) for code, text in said if text]
    return detail("wear", "override", one.reason, *told)


def _write_phase(draft: Draft, number: int, days: list[WearDay], told: list[Json]) -> list[Json]:
    reasons = [_reason(run) for run in _same_reason(days)]
    span = fhir.period(days[0].on, days[-1].on)
    dates = f"{days[0].on} to {days[-1].on}"
    if not days[0].sessions:
        key = f"wear/{number}"
        body = request(
            draft,
            key,
            fhir.term("activity", "no-wear"),
            orderDetail=reasons,
            occurrencePeriod=span,
            patientInstruction="Do not wear the prosthesis on these days.",
        )
        return [add_request(draft, key, body, "Days without the prosthesis", ("On", dates))]
    return [
        _write_session(draft, f"wear/{number}/{place}", session, span, [] if place > 1 else reasons, told)
        for place, session in enumerate(days[0].sessions, start=1)
    ]


def _same_reason(days: list[WearDay]) -> Iterator[list[WearDay]]:
    return (list(run) for _, run in groupby(days, key=lambda day: (day.rule, day.why, day.step)))


def _reason(days: list[WearDay]) -> Json:
    return detail(
        "wear-rule",
        days[0].rule,
        days[0].why,
        parameter("days", "Period", fhir.period(days[0].on, days[-1].on)),
        parameter("step", "Quantity", fhir.quantity(days[0].step, "1")),
    )


def _write_session(
    draft: Draft, key: str, session: Session, span: Json, reasons: list[Json], told: list[Json]
) -> Json:
    split = f"Sit {session.sitting} min, stand {session.standing} min, walk {session.walking} min"
    parts = {"sitting": session.sitting, "standing": session.standing, "walking": session.walking}
    amounts = [parameter(code, "Quantity", fhir.quantity(value, "min")) for code, value in parts.items()]
    if session.all_day:
        amounts.append(parameter("all-day", "Boolean", True))  # noqa: FBT003
    length = "all day" if session.all_day else f"for {session.minutes} minutes"
    text = (
        f"From {session.start:%H:%M}, wear the prosthesis {length}. {split}. Then take it off and look at the skin."
    )
    repeat = {
        "boundsPeriod": span,
        "duration": session.minutes,
        "durationUnit": "min",
        "frequency": 1,
        "period": 1,
        "periodUnit": "d",
        "timeOfDay": [session.start.isoformat()],
    }
    body = request(
        draft,
        key,
        fhir.term("activity", "wear-session"),
        extension=told,
        orderDetail=[detail("wear", "split", split, *amounts), *reasons],
        occurrenceTiming={"repeat": repeat},
        patientInstruction=text,
    )
    rows = (("Days", f"{span['start']} to {span['end']}"), ("What to do", text))
    return add_request(draft, key, body, "Wear the prosthesis", *rows)


# ---------------------------------------------------------------------------------------------- reading


class _Placed(NamedTuple):
    """A session on a day."""

    start: dt.time
    session: Read[Session]
    path: str


class _Reason(NamedTuple):
    """Why a day is as it is."""

    rule: Read[str]
    why: Read[str]
    step: Read[int]
    path: str


def activity(resource: Node) -> str:
    """Return which part of the schedule a request is, "" for none of ours."""
    return resource.get("code").code_in("activity").value


def read_wear(source: Source, requests: list[Node], start: dt.date | None) -> Read[WearSchedule | None]:
    """Read the schedule from its requests; days between the first and the last that nothing tells of have no wear.

    Args:
        source: The bundle.
        requests: The plan's own requests, whatever they are.
        start: The plan's first day.
    """
    placed: dict[dt.date, list[_Placed]] = {}
    reasons: dict[dt.date, _Reason] = {}
    for one in requests:
        kind = activity(one)
        if kind == "wear-session":
            for day, session in _read_session(source, one, start):
                placed.setdefault(day, []).append(session)
        if kind in {"wear-session", "no-wear"}:
            reasons |= _read_reasons(one)
    days = sorted({*placed, *reasons})
    if not days:
        return Read(None)
    if (days[-1] - days[0]).days > 3660:
        source.skip(Node(None, source.root.path), "has a wearing schedule of more than ten years")
        return Read(None)
    every = [days[0] + dt.timedelta(days=n) for n in range((days[-1] - days[0]).days + 1)]
    told = listed(_read_day(day, placed.get(day, []), reasons.get(day)) for day in every)
    schedule = next((one for one in requests if activity(one) == "wear-schedule"), Node(None, ""))
    return _read_schedule(source, schedule, told)


def _read_session(source: Source, one: Node, start: dt.date | None) -> Iterator[tuple[dt.date, _Placed]]:
    timing = one.get("occurrenceTiming")
    repeat = timing.get("repeat")
    expansion = expand(timing, start=start)
    length = minutes(repeat)
    if expansion.remarks or not expansion.occurrences or length is None:
        source.skip(one, "is a wear session that the calendar cannot place")
        return
    split = next((d for d in one.items("orderDetail") if d.code_in("wear").value == "split"), Node(None, ""))
    clock = Node(None, "")
    if repeat.texts("timeOfDay"):
        clock = Node(None, f"{repeat.path}.timeOfDay[0]")
    for found in expansion.occurrences:
        if found.on is None or found.at is None:
            source.skip(one, "is a wear session without a clock time")
            return
        session = made(
            Session,
            start=Read(found.at, clock.path),
            minutes=Read(length, repeat.get("duration").path),
            sitting=_minutes(split, "sitting"),
            standing=_minutes(split, "standing"),
            walking=_minutes(split, "walking"),
            all_day=_value(split, "all-day").boolean("valueBoolean"),
        )
        yield found.on, _Placed(found.at, session, repeat.get("boundsPeriod").path)


def _value(of: Node, code: str) -> Node:
    """Return the ``value`` extension of the parameter with this code."""
    return next(iter(values(of, code)), Node(None, ""))


def values(of: Node, code: str) -> list[Node]:
    """Return the ``value`` extensions of all parameters with this code, in order."""
    return [
        one.extension("value")
        for one in of.extensions(PARAMETER)
        if one.extension("code").get("valueCodeableConcept").code_in("wear").value == code
    ]


def _minutes(of: Node, code: str) -> Read[int]:
    found = _value(of, code).get("valueQuantity")
    number = found.integer("value")
    return Read(number.value, number.path) if number.value is not None and found.get("code").value == "min" else Read(0)


def _read_reasons(one: Node) -> dict[dt.date, _Reason]:
    found: dict[dt.date, _Reason] = {}
    for told in one.items("orderDetail"):
        rule = told.code_in("wear-rule")
        span = _value(told, "days").get("valuePeriod")
        first, last = span.date("start").value, span.date("end").value
        if not rule or first is None or last is None or (last - first).days > 3660:
            continue
        step = _value(told, "step").get("valueQuantity").integer("value")
        reason = _Reason(rule, told.text("text"), Read(step.value or 0, step.path), span.path)
        for turn in range((last - first).days + 1):
            found[first + dt.timedelta(days=turn)] = reason
    return found


def _read_day(day: dt.date, placed: list[_Placed], reason: _Reason | None) -> Read[WearDay]:
    sessions = [one.session for one in sorted(placed, key=lambda one: (one.start, one.session.value.minutes))]
    path = placed[0].path if placed else reason.path if reason else ""
    return made(
        WearDay,
        on=Read(day, path),
        step=reason.step if reason else Read(0),
        sessions=listed(sessions),
        rule=reason.rule if reason else Read(""),
        why=reason.why if reason else Read(""),
    )


def _read_schedule(source: Source, one: Node, days: Read[tuple[WearDay, ...]]) -> Read[WearSchedule]:
    details = {found.value: d for d in one.items("orderDetail") if (found := d.code_in("wear"))}
    none = Node(None, "")
    pace = details.get("pace", none)
    waking = details.get("waking-day", none)
    if not one:
        source.skip(Node(None, source.root.path), "has wear sessions without the schedule's own settings")
    return made(
        WearSchedule,
        pace=choice(_value(pace, "pace").get("valueCodeableConcept").code_in("pace"), get_args(Pace), "usual"),
        pace_why=pace.text("text"),
        days=days,
        wakes=_clock(waking, "wakes", dt.time.min),
        sleeps=_clock(waking, "sleeps", dt.time.max),
        rest_minutes=_minutes(details.get("rest", none), "rest"),
        redness_minutes=_minutes(details.get("redness", none), "redness"),
        binding=listed(text for note in one.items("note") if (text := note.text("text"))),
        overrides=listed(_read_override(d) for d in one.items("orderDetail") if d.code_in("wear").value == "override"),
    )


def _clock(of: Node, code: str, otherwise: dt.time) -> Read[dt.time]:
    found = _value(of, code).time("valueString")
    return Read(otherwise) if found.value is None else Read(found.value, found.path)


def _read_override(told: Node) -> Read[Override]:
    def text(code: str) -> Read[str]:
        return _value(told, code).text("valueString")

    return made(
        Override,
        setting=text("setting"),
        value=text("value"),
        usual=text("usual"),
        reason=told.text("text"),
        by=text("decided-by"),
    )


__all__ = ["activity", "add_request", "bounds", "read_wear", "request", "values", "write_wear"]
