"""The visits of a plan that another system wrote, as a calendar file (RFC 5545).

Only what has a start with an offset and a length that is told is placed, at the very moment it names (in UTC:
the clinic's time zone is not known). Nothing else is: a schedule of another system is told on the page, not
laid out. The bytes hang on the bundle alone: ``DTSTAMP`` is the visit's own start.
"""

from __future__ import annotations

import datetime as dt
import uuid
from typing import TYPE_CHECKING

from icalendar import Calendar, Event

from fhircare.errors import TemplateError
from fhircare.render.said import clean, shorten

if TYPE_CHECKING:
    from fhircare.bundle.retold import Guest, Item
    from fhircare.bundle.told import Told
    from fhircare.render.words import Words

_STATUS = {
    "proposed": "TENTATIVE",
    "pending": "TENTATIVE",
    "waitlist": "TENTATIVE",
    "booked": "CONFIRMED",
    "arrived": "CONFIRMED",
    "checked-in": "CONFIRMED",
    "fulfilled": "CONFIRMED",
    "cancelled": "CANCELLED",
    "noshow": "CANCELLED",
}
"""FHIR appointment status to ``STATUS``, as FHIR's own mapping of Appointment to iCalendar goes."""
_LONGEST = dt.timedelta(days=31)


def guest_calendar(guest: Guest, words: Words) -> bytes:
    """Write the visits of a retold plan.

    Raises:
        TemplateError: When none of its visits tells when it starts and how long it takes.
    """
    made = Calendar()
    made.add("prodid", "-//fhircare//Plan calendar//EN")
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    made.add("x-wr-calname", str(words.say("guest.calendar")))
    events = [event for visit in guest.parts.get("visits", ()) if (event := _event(guest, visit, words))]
    if not events:
        raise TemplateError(
            "the bundle holds no visit with a start and a length, so there is nothing for a calendar — "
            "add Appointments with start and end"
        )
    for event in events:
        made.add_component(event)
    return bytes(made.to_ical())


def _event(guest: Guest, visit: Item, words: Words) -> Event | None:
    told = {fact.element: fact.told for fact in reversed(visit.facts)}
    start = told["start"].value if "start" in told and told["start"].kind == "moment" else None
    if start is None:
        return None
    try:
        begins = start.astimezone(dt.UTC)
        ends = _end(told.get("end"), told.get("minutesDuration"), begins)
    except (OverflowError, ValueError):
        return None
    if ends is None or not dt.timedelta(0) < ends - begins <= _LONGEST:
        return None
    event = Event()
    event.add("uid", f"{uuid.uuid5(uuid.NAMESPACE_URL, _name(guest, visit, begins))}@fhircare.invalid")
    event.add("dtstamp", begins)
    event.add("summary", str(words.say("calendar.visit")))
    event.add("dtstart", begins)
    event.add("dtend", ends)
    event.add("class", "PRIVATE")
    notes = [str(words.say("caution.guest.running")), *_notes(guest, words)]
    title = [shorten(clean(str(visit.title.value)), 200)] if visit.title else []
    event.add("description", "\n".join([*title, *notes]))
    if status := _STATUS.get(told["status"].value if "status" in told else ""):
        event.add("status", status)
    return event


def _end(end: Told | None, minutes: Told | None, begins: dt.datetime) -> dt.datetime | None:
    if end is not None and end.kind == "moment":
        finish: dt.datetime = end.value
        return finish.astimezone(dt.UTC)
    if minutes is not None and minutes.kind == "number":
        return begins + dt.timedelta(minutes=int(minutes.value))
    return None


def _name(guest: Guest, visit: Item, begins: dt.datetime) -> str:
    title = visit.title.value if visit.title else ""
    person = guest.person.value if guest.person else ""
    return f"{person}/{title}/{begins.isoformat()}/{visit.path}"


def _notes(guest: Guest, words: Words) -> list[str]:
    phones = [f"{one.name.value}: {phone.value}" for one in guest.contacts for phone in one.phones]
    return [clean(line) for line in phones] or [str(words.say("contact.guest.none"))]
