"""Whom to call, when the clinic is open, and the visits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from babel.dates import get_day_names

from fhircare.errors import TemplateError
from fhircare.plan import WEEKDAYS, Clinic, OpeningHours, Visit, Weekday
from fhircare.render.said import Said, Sentence, Value

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable

    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonView:
    """Somebody to call: what they are to the person, their name, where they work, their phone."""

    role: Said
    name: Value
    place: Value | None
    phone: Said


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactsView:
    """Whom to call.

    Attributes:
        clinic: The clinic's name.
        phone: Its number.
        after_hours: The number for when it is closed, or the sentence that there is none.
        has_after_hours: True when ``after_hours`` is a number.
        emergency: The emergency number.
        hours: Opening hours, a line each.
        closures: Other days on which it is closed, a line each.
        address: Address, a line each.
        email: E-mail, or None.
        people: Professionals and the caregiver.
    """

    clinic: Value
    phone: Value
    after_hours: Said
    has_after_hours: bool
    emergency: Value
    hours: tuple[Sentence, ...]
    closures: tuple[Sentence, ...]
    address: tuple[Value, ...]
    email: Value | None
    people: tuple[PersonView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitView:
    """One visit."""

    day: Value
    time: Value
    length: Value
    what: tuple[Said, ...]
    role: Sentence
    status: Sentence
    window: Sentence


def contacts_view(reading: Readable, words: Words) -> ContactsView:
    """Whom to call.

    Raises:
        TemplateError: When the bundle names no clinic with a phone: no page that advises is made without one.
    """
    clinic, source = reading.plan.clinic, reading.source
    if clinic is None or not words.phone(clinic.phone) or not words.phone(clinic.emergency_phone):
        raise TemplateError(
            "the bundle names no clinic phone or no emergency number — no page is made without them; "
            "add them to the clinic's Organization"
        )
    if clinic.after_hours_phone:
        after_hours: Said = words.phone(clinic.after_hours_phone, source("clinic.after_hours_phone"))
    else:
        after_hours = words.say("contact.no-after-hours")
    return ContactsView(
        clinic=words.text(clinic.name, source("clinic.name")),
        phone=words.phone(clinic.phone, source("clinic.phone")),
        after_hours=after_hours,
        has_after_hours=bool(clinic.after_hours_phone),
        emergency=words.phone(clinic.emergency_phone, source("clinic.emergency_phone")),
        hours=tuple(_hours(part, index, reading, words) for index, part in enumerate(clinic.opening_hours)),
        closures=tuple(_closures(clinic, reading, words)),
        address=tuple(_address(clinic, reading, words)),
        email=words.text(clinic.email, source("clinic.email")) if clinic.email else None,
        people=tuple(_people(reading, words)),
    )


def weekday_names(days: Iterable[Weekday], words: Words, source: str = "") -> Value:
    """Days of the week as a list; three or more in a row as first to last."""
    names = get_day_names("wide", "format", words.locale)
    numbers = sorted(WEEKDAYS.index(day) for day in set(days))
    if len(numbers) > 2 and numbers == list(range(numbers[0], numbers[-1] + 1)):
        text = f"{names[numbers[0]]} \N{EN DASH} {names[numbers[-1]]}"
    else:
        text = str(words.join([Value(names[number]) for number in numbers]))
    return Value(text, source, "number", " ".join(WEEKDAYS[number] for number in numbers))


def _hours(hours: OpeningHours, index: int, reading: Readable, words: Words) -> Sentence:
    place = f"clinic.opening_hours[{index}]"
    return words.say(
        "contact.open",
        days=weekday_names(hours.days, words, reading.source(f"{place}.days[0]")),
        opens=words.time(hours.opens, reading.source(f"{place}.opens")),
        closes=words.time(hours.closes, reading.source(f"{place}.closes")),
    )


def _closures(clinic: Clinic, reading: Readable, words: Words) -> Iterable[Sentence]:
    for index, closure in enumerate(clinic.closures):
        place = f"clinic.closures[{index}]"
        first = words.date(closure.first, reading.source(f"{place}.first"))
        if closure.first == closure.last:
            yield words.say("contact.closed-day", first=first)
        else:
            last = words.date(closure.last, reading.source(f"{place}.last"))
            yield words.say("contact.closed-on", first=first, last=last)


def _address(clinic: Clinic, reading: Readable, words: Words) -> Iterable[Value]:
    if clinic.address is None:
        return
    place = "clinic.address"
    for index, line in enumerate(clinic.address.lines):
        yield words.text(line, reading.source(f"{place}.lines[{index}]"))
    town = f"{clinic.address.city}, {clinic.address.state} {clinic.address.postal_code}".strip(", ")
    yield words.text(town, reading.source(f"{place}.city"))


def _people(reading: Readable, words: Words) -> Iterable[PersonView]:
    plan = reading.plan
    for index, person in enumerate(plan.professionals):
        place = f"professionals[{index}]"
        source = reading.source
        yield PersonView(
            role=words.say(f"contact.role.{person.role}"),
            name=words.text(str(person.name), source(f"{place}.name.family")),
            place=words.text(person.organization, source(f"{place}.organization"))
            if person.organization
            else None,
            phone=words.phone(person.phone, source(f"{place}.phone"))
            if person.phone
            else words.say("contact.no-phone"),
        )
    helper = plan.patient.caregiver if plan.patient is not None else None
    if helper is not None:
        place = "patient.caregiver"
        source = reading.source
        yield PersonView(
            role=words.say("contact.caregiver"),
            name=words.text(str(helper.name), source(f"{place}.name.family")),
            place=words.text(helper.relationship, source(f"{place}.relationship"), lang="en")
            if helper.relationship
            else None,
            phone=words.phone(helper.phone, source(f"{place}.phone"))
            if helper.phone
            else words.say("contact.no-phone"),
        )


def visits_view(reading: Readable, words: Words) -> tuple[VisitView, ...]:
    """The visits, in order of time."""
    numbered = sorted(enumerate(reading.plan.visits), key=lambda pair: pair[1].start)
    return tuple(_visit(visit, index, reading, words) for index, visit in numbered)


def _visit(visit: Visit, index: int, reading: Readable, words: Words) -> VisitView:
    place, source = f"visits[{index}]", reading.source
    earliest = words.date(visit.earliest, source(f"{place}.earliest"))
    if visit.earliest == visit.latest:
        window = words.say("visit.window-day", earliest=earliest)
    else:
        window = words.say(
            "visit.window", earliest=earliest, latest=words.date(visit.latest, source(f"{place}.latest"))
        )
    return VisitView(
        day=words.date(visit.start.date(), source(f"{place}.start"), style="full"),
        time=words.time(visit.start.timetz().replace(tzinfo=None), source(f"{place}.start")),
        length=words.length(visit.minutes, source(f"{place}.minutes")),
        what=tuple(
            words.coded("visit", kind, kind, source(f"{place}.kinds[{number}]"))
            for number, kind in enumerate(visit.kinds)
        ),
        role=words.say(f"contact.role.{visit.role}"),
        status=words.say(f"visit.status.{visit.status}"),
        window=window,
    )


def next_visit(reading: Readable, visits: tuple[VisitView, ...], on: dt.date) -> VisitView | None:
    """The first visit on or after a day that is not cancelled."""
    ordered = sorted(reading.plan.visits, key=lambda visit: visit.start)
    for visit, view in zip(ordered, visits, strict=True):
        if visit.start.date() >= on and visit.status != "cancelled":
            return view
    return None
