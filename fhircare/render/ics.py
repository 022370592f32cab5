"""The plan as a calendar file: RFC 5545, in the clinic's time zone.

A run of days with the same session (start and length) becomes one recurring event, so that a phone shows
every session and a person can move one phase by hand. Each session has its skin check. Rules kept here:

* ``UID`` is made from the clinic, the plan's number and the event's own place in the plan; ``SEQUENCE``
  grows with the plan's revision; ``DTSTAMP`` is when the plan was written: the same plan gives the same
  bytes.
* ``RRULE`` says ``COUNT``, never ``UNTIL``: the length of a run is known, and ``UNTIL`` must be in UTC (RFC
  5545, 3.3.10).
* No ``METHOD``: the file is for keeping, it invites nobody. Titles are neutral and every event is private.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from icalendar import Alarm, Calendar, Event

from fhircare.errors import TemplateError
from fhircare.render.said import clean

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.plan import Clinic, Plan, Session, Visit
    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words

REMIND_BEFORE = dt.timedelta(minutes=15)
"""How long before a session or visit the calendar reminds (common practice, no source)."""
_STATUS = {"booked": "CONFIRMED", "fulfilled": "CONFIRMED", "proposed": "TENTATIVE", "cancelled": "CANCELLED"}
"""FHIR appointment status to ``STATUS``, as FHIR's own mapping of Appointment to iCalendar goes."""


@dataclass(frozen=True, slots=True)
class _Run:
    """Consecutive days with the same session."""

    first: dt.date
    days: int
    number: int
    session: Session


def calendar_of(reading: Readable, words: Words) -> bytes:
    """Write the calendar of a plan.

    Raises:
        TemplateError: When the plan names no clinic, or its time zone is not in the time zone database.
    """
    plan = reading.plan
    if plan.clinic is None:
        raise TemplateError(
            "the bundle names no clinic, so there is no time zone for a calendar — add the clinic"
        )
    try:
        zone = ZoneInfo(plan.clinic.time_zone)
    except (KeyError, ValueError, OSError) as error:  # ZoneInfoNotFoundError is a KeyError
        raise TemplateError(
            "the clinic's time zone is unknown — write an IANA name such as America/Chicago"
        ) from error
    made = Calendar()
    made.add("prodid", "-//fhircare//Plan calendar//EN")
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    made.add("x-wr-calname", f"{words.say('calendar.name')} {clean(plan.number)}, {plan.revision}")
    made.add("x-wr-timezone", plan.clinic.time_zone)
    events = [*_wear_events(plan, plan.clinic, zone, words), *_visit_events(plan, plan.clinic, zone, words)]
    for event in events:
        made.add_component(event)
    starts = [event.start for event in events]
    if starts:
        # The zone's rules over the years of the plan: fixed by the plan, never by today.
        first, last = min(map(_day, starts)), max(map(_day, starts))
        made.add_missing_timezones(dt.date(first.year, 1, 1), dt.date(last.year + 1, 12, 31))
    return bytes(made.to_ical())


def _day(start: dt.date | dt.datetime) -> dt.date:
    return start.date() if isinstance(start, dt.datetime) else start


def _runs(plan: Plan) -> Iterator[_Run]:
    """Split the schedule into runs, in order of their first day."""
    if plan.wear is None:
        return
    open_runs: dict[int, _Run] = {}
    for day in plan.wear.days:
        still: dict[int, _Run] = {}
        for number, session in enumerate(day.sessions, start=1):
            run = open_runs.pop(number, None)
            same = run is not None and (run.session.start, run.session.minutes, run.session.all_day) == (
                session.start, session.minutes, session.all_day,
            )  # fmt: skip
            if run is not None and same:
                still[number] = _Run(run.first, run.days + 1, number, run.session)
            else:
                if run is not None:
                    yield run
                still[number] = _Run(day.on, 1, number, session)
        yield from open_runs.values()
        open_runs = still
    yield from open_runs.values()


def _wear_events(plan: Plan, clinic: Clinic, zone: ZoneInfo, words: Words) -> Iterable[Event]:
    wear = plan.wear
    if wear is None or plan.stopped_since is not None:  # a calendar must not call to wear what is stopped
        return
    redness = words.length(wear.redness_minutes)
    notes = _notes(plan, clinic, words)
    for run in sorted(_runs(plan), key=lambda run: (run.first, run.number)):
        session = run.session
        length = words.length(session.minutes)
        start = dt.datetime.combine(run.first, session.start, zone)
        title = "calendar.wear.all-day" if session.all_day else "calendar.wear"
        place = f"wear/{run.first.isoformat()}/{run.number}"
        event = _event(plan, clinic, place, start, session.minutes, str(words.say(title, length=length)))
        event.add("description", "\n".join([str(words.say("calendar.wear.note", length=length)), *notes]))
        _recur(event, run.days)
        event.add("transp", "TRANSPARENT")
        event.add_component(_alarm(str(event["summary"])))
        yield event
        # A sum of clock times: what the person reads on the clock, also in a night when the clocks change.
        naive = dt.datetime.combine(run.first, session.start) + dt.timedelta(minutes=session.minutes)
        check = _event(
            plan, clinic, f"skin/{run.first.isoformat()}/{run.number}", naive.replace(tzinfo=zone),
            wear.redness_minutes, str(words.say("calendar.skin")),
        )  # fmt: skip
        note = words.say("calendar.skin.note", redness=redness, phone=clean(clinic.phone))
        check.add("description", "\n".join([str(note), *notes]))
        _recur(check, run.days)
        check.add("transp", "TRANSPARENT")
        yield check


def _visit_events(plan: Plan, clinic: Clinic, zone: ZoneInfo, words: Words) -> Iterable[Event]:
    seen: dict[tuple[str, ...], int] = {}
    for visit in plan.visits:
        seen[visit.kinds] = seen.get(visit.kinds, 0) + 1
        place = f"visit/{'+'.join(visit.kinds)}/{seen[visit.kinds]}"
        start = visit.start.astimezone(zone)
        event = _event(plan, clinic, place, start, visit.minutes, str(words.say("calendar.visit")))
        event.add("description", "\n".join([_what(visit, words), *_notes(plan, clinic, words)]))
        event.add("status", _STATUS[visit.status])
        if clinic.address is not None:
            event.add("location", clean(", ".join([clinic.name, *clinic.address.lines, clinic.address.city])))
        event.add_component(_alarm(str(event["summary"])))
        yield event


def _what(visit: Visit, words: Words) -> str:
    kinds = [str(words.coded("visit", kind, kind)) for kind in visit.kinds]
    return ". ".join([*kinds, str(words.say(f"visit.status.{visit.status}"))])


def _notes(plan: Plan, clinic: Clinic, words: Words) -> list[str]:
    """The cautions that stand in every event."""
    phone, emergency = clean(clinic.phone), clean(clinic.emergency_phone)
    notes = [str(words.say("calendar.stop", phone=phone, emergency=emergency))]
    if plan.status == "draft" or plan.intent == "proposal":
        notes.append(str(words.say("caution.draft")))
    if plan.stopped_since is not None:
        notes.append(str(words.say("caution.running-stopped")))
    return notes


def _event(plan: Plan, clinic: Clinic, place: str, start: dt.datetime, minutes: int, summary: str) -> Event:
    stamp = (plan.written_at or start).astimezone(dt.UTC)
    name = uuid.uuid5(uuid.NAMESPACE_URL, f"{clinic.uri}/plans/{plan.number}/calendar/{place}")
    event = Event()
    event.add("uid", f"{name}@{urlsplit(clinic.uri).hostname or 'fhircare.invalid'}")
    event.add("dtstamp", stamp)
    event.add("last-modified", stamp)
    event.add("sequence", plan.revision - 1)
    event.add("summary", summary)
    event.add("dtstart", start)
    event.add("duration", dt.timedelta(minutes=minutes))
    event.add("class", "PRIVATE")
    return event


def _recur(event: Event, days: int) -> None:
    if days > 1:
        event.add("rrule", {"freq": "daily", "count": days})


def _alarm(text: str) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", text)
    alarm.add("trigger", -REMIND_BEFORE)
    return alarm
