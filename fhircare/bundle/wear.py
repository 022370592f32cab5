"""The days and sessions of the break-in, both ways.

=================================  =====================================================================
plan.wear.days                     FHIR ServiceRequest, performer the person, intent plan
=================================  =====================================================================
days with the same sessions        one *phase*: consecutive days, one request per session of the day
session.start, .minutes            occurrenceTiming.repeat: timeOfDay, duration, 1 per 1 d within boundsPeriod
session.sitting, .standing, …      orderDetail ``split``, parameters sitting, standing, walking, all-day
a day without sessions             a request of code no-wear, occurrencePeriod
day.rule, .why, .step              orderDetail of the rule's code on the phase's first request: its text, and
                                   the parameters days (Period) and step
=================================  =====================================================================

A phase ends where anything a session says changes. Each detail also says itself as text, and the request says
itself to the person (patientInstruction). The settings around the days are in ``schedule``.
"""

from __future__ import annotations

import datetime as dt
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.located import Node, Read, listed, made
from fhircare.bundle.request import activity, add_request, detail, details, number, parameter, value
from fhircare.bundle.timing import expand, minutes
from fhircare.plan import Session, WearDay
from fhircare.spec import terms

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.bundle.datatypes import Json
    from fhircare.bundle.draft import Draft
    from fhircare.bundle.source import Source

PERTAINS = "http://hl7.org/fhir/StructureDefinition/resource-pertainsToGoal"
_TEN_YEARS = 3660


def write_days(draft: Draft, goals: list[Json]) -> list[Json]:
    """Add the phases of the schedule; return references in order.

    Args:
        draft: The bundle so far.
        goals: References to the plan's goals, in its order.
    """
    days = draft.plan.wear.days if draft.plan.wear else ()
    told = [{"url": PERTAINS, "valueReference": goal} for goal in _wear_goals(draft, goals)]
    phases = (list(run) for _, run in groupby(days, key=lambda day: day.sessions))
    return [one for number, phase in enumerate(phases, 1) for one in _write_phase(draft, number, phase, told)]


def _wear_goals(draft: Draft, goals: list[Json]) -> list[Json]:
    wanted = (any(t.measure == "daily-wear" for t in goal.targets) for goal in draft.plan.goals)
    return [reference for reference, is_wear in zip(goals, wanted, strict=True) if is_wear][:1]


def _write_phase(draft: Draft, number: int, days: list[WearDay], told: list[Json]) -> list[Json]:
    runs = groupby(days, key=lambda day: (day.rule, day.why, day.step))
    reasons = [_reason(list(run)) for _, run in runs]
    span = fhir.period(days[0].on, days[-1].on)
    if days[0].sessions:
        return [
            _write_session(draft, f"wear/{number}/{place}", session, span, [] if place > 1 else reasons, told)
            for place, session in enumerate(days[0].sessions, start=1)
        ]
    text = "Do not wear the prosthesis on these days."
    return [
        add_request(
            draft,
            f"wear/{number}",
            fhir.term("activity", "no-wear"),
            ("Days", _dates(span)),
            ("What to do", text),
            *(("Why", day.why) for day in days[:1]),
            orderDetail=reasons,
            occurrencePeriod=span,
            patientInstruction=text,
            wear=draft.plan.status != "on-hold",  # during a stop, not to wear it is what holds
        )
    ]


def _dates(span: Json) -> str:
    return f"{span['start']} to {span['end']}"


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
    amounts = [parameter(code, "Quantity", fhir.quantity(amount, "min")) for code, amount in parts.items()]
    if session.all_day:
        amounts.append(parameter("all-day", "Boolean", True))  # noqa: FBT003 - a FHIR boolean
    length = "all day" if session.all_day else f"for {session.minutes} minutes"
    start = f"From {session.start:%H:%M}, wear the prosthesis {length}."
    text = f"{start} {split}. Then take it off and look at the skin."
    repeat = {
        "boundsPeriod": span,
        "duration": session.minutes,
        "durationUnit": "min",
        "frequency": 1,
        "period": 1,
        "periodUnit": "d",
        "timeOfDay": [session.start.isoformat()],
    }
    return add_request(
        draft,
        key,
        fhir.term("activity", "wear-session"),
        ("Days", _dates(span)),
        ("What to do", text),
        extension=told,
        orderDetail=[detail("detail", "split", split, *amounts), *reasons],
        occurrenceTiming={"repeat": repeat},
        patientInstruction=text,
        wear=True,
    )


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


def read_days(source: Source, requests: list[Node], start: dt.date | None) -> Read[tuple[WearDay, ...]]:
    """Read the days of the schedule; a day between the first and the last that nothing tells of has no wear.

    Args:
        source: The bundle.
        requests: The plan's requests, whatever they are.
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
    length = (days[-1] - days[0]).days if days else 0
    if length > _TEN_YEARS:
        source.skip(source.root, "has a wearing schedule of more than ten years")
        return Read(())
    every = [days[0] + dt.timedelta(days=n) for n in range(length + 1)] if days else []
    return listed(_read_day(day, placed.get(day, []), reasons.get(day)) for day in every)


def _read_session(source: Source, one: Node, start: dt.date | None) -> Iterator[tuple[dt.date, _Placed]]:
    timing = one.get("occurrenceTiming")
    repeat = timing.get("repeat")
    expansion = expand(timing, start=start)
    length = minutes(repeat)
    if expansion.remarks or not expansion.occurrences or length is None:
        source.skip(one, "is a wear session that the calendar cannot place")
        return
    split = next(iter(details(one, "detail", "split")), Node(None, ""))
    for found in expansion.occurrences:
        if found.on is None or found.at is None:
            source.skip(one, "is a wear session without a day and a clock time")
            return
        session = made(
            Session,
            start=Read(found.at.replace(tzinfo=None), f"{repeat.path}.timeOfDay[0]"),
            minutes=Read(length, repeat.get("duration").path),
            sitting=number(split, "sitting", "min"),
            standing=number(split, "standing", "min"),
            walking=number(split, "walking", "min"),
            all_day=value(split, "all-day").boolean("valueBoolean"),
        )
        yield found.on, _Placed(found.at.replace(tzinfo=None), session, repeat.get("boundsPeriod").path)


def _read_reasons(one: Node) -> dict[dt.date, _Reason]:
    found: dict[dt.date, _Reason] = {}
    rule_system = terms.uri("wear-rule")
    for told in one.items("orderDetail"):
        if not any(coding.get("system").value == rule_system for coding in told.items("coding")):
            continue
        span = value(told, "days").get("valuePeriod")
        first, last = span.date("start").value, span.date("end").value
        if first is None or last is None or (last - first).days > _TEN_YEARS:
            continue
        step = number(told, "step", "1")
        reason = _Reason(told.code_in("wear-rule"), told.text("text"), step, span.path)
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
