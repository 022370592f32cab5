"""The plan as a calendar file: RFC 5545, in the clinic's time zone.

A run of days with the same session (start and length) becomes one recurring event, so that a phone shows
every session and a person can move one phase by hand. Each session has its skin check. Rules kept here:

* ``UID`` is made from the clinic, the plan's number and the event's own place in the plan; ``SEQUENCE``
  grows with the plan's revision; ``DTSTAMP`` is when the plan was written: the same plan gives the same
  bytes.
* ``RRULE`` says ``COUNT``, never ``UNTIL``: the length of a run is known, and ``UNTIL`` must be in UTC (RFC
  5545, 3.3.10).
* No ``METHOD``: the file is for keeping, it invites nobody. Titles are neutral and every event is private.
* What an earlier revision planned and this one does not is there once more, from the day this one was
  written: ``STATUS:CANCELLED`` under its own ``UID`` with the higher ``SEQUENCE``, without an alarm. A phone
  that took the earlier file in must not go on calling to wear a leg that was stopped.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from icalendar import Alarm, Calendar, Event

from fhircare.errors import TemplateError
from fhircare.render.said import clean

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

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


def calendar_of(reading: Readable, words: Words, earlier: Sequence[Plan] = ()) -> bytes:
    """Write the calendar of a plan.

    Args:
        reading: The plan in force and where it came from.
        words: The reader's words.
        earlier: The revisions before it: what they planned and this one does not is cancelled.

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
    events = list(_planned(plan, plan.clinic, zone, words))
    events += _cancelled(events, earlier, plan, zone, words)
    for event in events:
        made.add_component(event)
    starts = [event.start for event in events]
    if starts:
        # The zone's rules over the years of the plan: fixed by the plan, never by today.
        first, last = min(map(_day, starts)), max(map(_day, starts))
        made.add_missing_timezones(dt.date(first.year, 1, 1), dt.date(last.year + 1, 12, 31))
    return bytes(made.to_ical())


def _planned(plan: Plan, clinic: Clinic, zone: ZoneInfo, words: Words) -> Iterator[Event]:
    """Every event of one revision."""
    yield from _stop_events(plan, clinic, words)
    yield from _wear_events(plan, clinic, zone, words)
    yield from _visit_events(plan, clinic, zone, words)


def _cancelled(
    events: Sequence[Event], earlier: Sequence[Plan], plan: Plan, zone: ZoneInfo, words: Words
) -> list[Event]:
    """What earlier revisions put into calendars and this one does not hold, each once, taken back.

    What was over before this revision was written stays as it is: it is past, and calls nobody.
    """
    if plan.clinic is None:
        return []
    known = {str(event["uid"]) for event in events}
    since = plan.stopped_since or (plan.written_at.astimezone(zone).date() if plan.written_at else None)
    gone: dict[str, Event] = {}
    for old in earlier:
        if old.clinic is not None:
            gone |= {str(event["uid"]): event for event in _planned(old, old.clinic, zone, words)}
    left = (event for uid, event in gone.items() if uid not in known)
    return [
        _taken_back(event, plan, plan.clinic, words)
        for event in left
        if since is None or _last_day(event) >= since
    ]


def _last_day(event: Event) -> dt.date:
    rule: Any = event.get("rrule")
    return _day(event.start) + dt.timedelta(days=int(rule["count"]) - 1 if rule else 0)


def _taken_back(event: Event, plan: Plan, clinic: Clinic, words: Words) -> Event:
    """The same event, cancelled by ``plan``: no title that calls to wear, no alarm."""
    made = Event()
    stamp = (plan.written_at or dt.datetime.combine(_day(event.start), dt.time(), dt.UTC)).astimezone(dt.UTC)
    made.add("uid", event["uid"])
    made.add("dtstamp", stamp)
    made.add("last-modified", stamp)
    made.add("sequence", plan.revision - 1)
    made.add("summary", str(words.say("calendar.cancelled")))
    for name in ("dtstart", "duration", "rrule"):
        if name in event:
            made[name] = event[name]
    note = str(words.say("calendar.cancelled.note"))
    made.add("description", "\n".join([note, *_notes(plan, clinic, words)]))
    made.add("class", "PRIVATE")
    made.add("status", "CANCELLED")
    made.add("transp", "TRANSPARENT")
    return made


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
        check.add_component(_alarm(str(check["summary"]), dt.timedelta()))  # the leg comes off now
        yield check


def _stop_events(plan: Plan, clinic: Clinic, words: Words) -> Iterable[Event]:
    """While wear is stopped the day it began says so: a calendar without wear would only be silent."""
    if plan.stopped_since is None:
        return
    place = f"stop/{plan.stopped_since.isoformat()}"
    event = _event(plan, clinic, place, plan.stopped_since, 0, str(words.say("calendar.stopped")))
    event.add("description", "\n".join(_notes(plan, clinic, words)))
    event.add("transp", "TRANSPARENT")
    yield event


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
    return f"{'. '.join(kinds)} ({words.say(f'visit.status.{visit.status}')})"


def _notes(plan: Plan, clinic: Clinic, words: Words) -> list[str]:
    """The cautions that stand in every event."""
    phone, emergency = clean(clinic.phone), clean(clinic.emergency_phone)
    notes = [str(words.say("calendar.stop", phone=phone, emergency=emergency))]
    if plan.status == "draft" or plan.intent == "proposal":
        notes.append(str(words.say("caution.draft")))
    if plan.stopped_since is not None:
        notes.append(str(words.say("caution.running-stopped")))
    return notes


def _event(
    plan: Plan, clinic: Clinic, place: str, start: dt.date | dt.datetime, minutes: int, summary: str
) -> Event:
    """One event; a date without a time is the whole day, whatever ``minutes`` says."""
    moment = start if isinstance(start, dt.datetime) else dt.datetime.combine(start, dt.time(), dt.UTC)
    stamp = (plan.written_at or moment).astimezone(dt.UTC)
    name = uuid.uuid5(uuid.NAMESPACE_URL, f"{clinic.uri}/plans/{plan.number}/calendar/{place}")
    event = Event()
    event.add("uid", f"{name}@{urlsplit(clinic.uri).hostname or 'fhircare.invalid'}")
    event.add("dtstamp", stamp)
    event.add("last-modified", stamp)
    event.add("sequence", plan.revision - 1)
    event.add("summary", summary)
    event.add("dtstart", start)
    event.add("duration", dt.timedelta(minutes=minutes) if minutes else dt.timedelta(days=1))
    event.add("class", "PRIVATE")
    return event


def _recur(event: Event, days: int) -> None:
    if days > 1:
        event.add("rrule", {"freq": "daily", "count": days})


def _alarm(text: str, before: dt.timedelta = REMIND_BEFORE) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", text)
    alarm.add("trigger", -before)
    return alarm
