"""The calendar file: opened with libraries not of our making, and compared with the plan day by day."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import icalendar
import pytest
import recurring_ical_events

from fhircare.bundle import read
from fhircare.errors import TemplateError
from fhircare.plan import Session, WearDay
from fhircare.render import calendar
from tests.conftest import EXAMPLES, reading_of
from tests.courses import example_course
from tests.test_render_patient import Of, changed

if TYPE_CHECKING:
    from fhircare.plan import Plan


def occurrences(data: bytes, start: str) -> list[tuple[dt.datetime, dt.timedelta]]:
    """Every occurrence of the events whose title starts so, as recurring-ical-events expands them."""
    found = recurring_ical_events.of(icalendar.Calendar.from_ical(data)).between(
        dt.date(2026, 1, 1), dt.date(2030, 1, 1)
    )
    return sorted(
        (event["dtstart"].dt, event.end - event.start)
        for event in found
        if str(event["summary"]).startswith(start)
    )


def sessions_of(plan: Plan, zone: str) -> list[tuple[dt.datetime, dt.timedelta]]:
    assert plan.wear is not None
    return sorted(
        (dt.datetime.combine(day.on, session.start, ZoneInfo(zone)), dt.timedelta(minutes=session.minutes))
        for day in plan.wear.days
        for session in day.sessions
    )


@pytest.mark.parametrize("record", EXAMPLES)
def test_every_wear_session_is_an_event_and_no_other(record: str) -> None:
    """The recurring events, expanded, are exactly the schedule's sessions on the clinic's clock."""
    plan = reading_of(record).plan
    assert plan.clinic is not None

    data = calendar(reading_of(record), language="en")

    assert occurrences(data, "Leg wear") == sessions_of(plan, plan.clinic.time_zone)


@pytest.mark.parametrize("record", EXAMPLES)
def test_a_skin_check_follows_every_session(record: str) -> None:
    """It begins when the leg comes off and lasts as long as redness may."""
    plan = reading_of(record).plan
    assert plan.clinic is not None
    assert plan.wear is not None
    redness = dt.timedelta(minutes=plan.wear.redness_minutes)

    assert occurrences(calendar(reading_of(record), language="en"), "Skin check") == [
        (start + length, redness) for start, length in sessions_of(plan, plan.clinic.time_zone)
    ]


@pytest.mark.parametrize("record", EXAMPLES)
def test_every_visit_is_an_event_at_its_instant(record: str) -> None:
    """Visits keep their instant, their length and whether they are booked."""
    plan = reading_of(record).plan
    cal = icalendar.Calendar.from_ical(calendar(reading_of(record), language="en"))
    visits = [event for event in cal.walk("VEVENT") if str(event["summary"]) == "Clinic visit"]

    assert [(event.start, event.end - event.start) for event in visits] == [
        (visit.start, dt.timedelta(minutes=visit.minutes)) for visit in plan.visits
    ]
    assert {str(event["status"]) for event in visits} == {
        "TENTATIVE"
    }  # the planner proposes; the clinic books


def schedule_over(first: dt.date, days: int) -> Of:
    """Anna's plan with one session at 9:00, the same each day."""
    plan = reading_of("anna-first-locking").plan
    assert plan.wear is not None
    session = Session(start=dt.time(9), minutes=60, sitting=40, standing=15, walking=5)
    made = tuple(
        WearDay(on=first + dt.timedelta(days=n), step=1, sessions=(session,), rule="hold", why="test")
        for n in range(days)
    )
    return Of(dataclasses.replace(plan, wear=dataclasses.replace(plan.wear, days=made)))


@pytest.mark.parametrize("first", [dt.date(2026, 10, 30), dt.date(2027, 3, 12)])
def test_clock_times_stay_when_the_clocks_change(first: dt.date) -> None:
    """Over the nights of 2026-11-01 and 2027-03-14 (15 U.S.C. 260a) nine o'clock stays nine o'clock."""
    found = occurrences(calendar(schedule_over(first, 5), language="en"), "Leg wear")

    assert [start.replace(tzinfo=None) for start, _ in found] == [
        dt.datetime.combine(first + dt.timedelta(days=n), dt.time(9)) for n in range(5)
    ]
    offsets = [start.utcoffset() for start, _ in found]
    assert offsets[0] != offsets[-1]


def test_the_file_keeps_the_rules_of_the_format() -> None:
    """RFC 5545: CRLF, lines of at most 75 octets, a VTIMEZONE for every TZID, COUNT without UNTIL, unique
    UIDs.
    """
    data = calendar(reading_of("diego-spanish-large-print"))
    cal = icalendar.Calendar.from_ical(data)
    events = cal.walk("VEVENT")

    assert all(line.endswith(b"\r") for line in data.split(b"\n")[:-1])
    assert max(len(line.rstrip(b"\r")) for line in data.split(b"\n")) <= 75
    assert {str(zone["tzid"]) for zone in cal.walk("VTIMEZONE")} == {"America/Denver"}
    assert len({str(event["uid"]) for event in events}) == len(events)
    assert all("UNTIL" not in event["rrule"] for event in events if "rrule" in event)
    assert "METHOD" not in cal
    assert {str(event["class"]) for event in events} == {"PRIVATE"}


def test_titles_say_nothing_of_illness() -> None:
    """A title on a locked screen tells no diagnosis, no name, no clinic."""
    cal = icalendar.Calendar.from_ical(calendar(reading_of("anna-first-locking")))
    titles = {str(event["summary"]).split(":")[0] for event in cal.walk("VEVENT")}

    assert titles == {"Leg wear", "Skin check", "Clinic visit"}


def test_every_event_carries_the_caution() -> None:
    """When to stop, whom to call and, for a draft, that it is one."""
    for event in icalendar.Calendar.from_ical(calendar(reading_of("anna-first-locking"))).walk("VEVENT"):
        assert (
            "Stop if it hurts or the skin is not whole. Call +1-815-555-0140. Emergency: 911."
            in event["description"]
        )
        assert "DRAFT" in event["description"]


def test_a_revision_keeps_its_uids_and_counts_up() -> None:
    """The same place in the plan has the same UID in every revision; SEQUENCE grows."""

    def sequences(revision: int) -> dict[str, int]:
        cal = icalendar.Calendar.from_ical(calendar(changed("anna-first-locking", revision=revision)))
        return {str(event["uid"]): int(event["sequence"]) for event in cal.walk("VEVENT")}

    first, second = sequences(1), sequences(2)

    assert first.keys() == second.keys()
    assert set(first.values()) == {0}
    assert set(second.values()) == {1}


def test_the_same_plan_gives_the_same_bytes() -> None:
    """No clock and no chance in the file."""
    assert calendar(reading_of("ben-replacement-socket")) == calendar(reading_of("ben-replacement-socket"))


@pytest.mark.parametrize("zone", ["Atlantis/Center", "", "../etc/passwd"])
def test_an_unknown_time_zone_is_refused(zone: str) -> None:
    """No event floats on a clock nobody knows."""
    clinic = reading_of("anna-first-locking").plan.clinic
    assert clinic is not None

    with pytest.raises(TemplateError, match="time zone is unknown"):
        calendar(changed("anna-first-locking", clinic=dataclasses.replace(clinic, time_zone=zone)))
    with pytest.raises(TemplateError, match="no clinic"):
        calendar(changed("anna-first-locking", clinic=None))


def test_text_of_the_bundle_adds_no_line() -> None:
    """A line break in a name cannot start a property of its own."""
    clinic = reading_of("anna-first-locking").plan.clinic
    assert clinic is not None
    evil = dataclasses.replace(clinic, name="X\r\nATTENDEE:mailto:a@b.example", phone="1\nBEGIN:VALARM")
    cal = icalendar.Calendar.from_ical(calendar(changed("anna-first-locking", clinic=evil)))

    assert all("attendee" not in event for event in cal.walk("VEVENT"))
    assert len(cal.walk("VALARM")) == len(
        icalendar.Calendar.from_ical(calendar(reading_of("anna-first-locking"))).walk("VALARM")
    )


def events_of(state: str) -> dict[str, icalendar.cal.Component]:
    cal = icalendar.Calendar.from_ical(calendar(read(example_course("anna-first-locking")[state])))
    return {str(event["uid"]): event for event in cal.walk("VEVENT")}


def test_a_stop_takes_back_every_reminder_to_wear_the_leg() -> None:
    """RFC 5545 3.8.1.11 and 3.8.7.4: what an earlier file put into a phone comes again under its UID, with a
    higher SEQUENCE, cancelled and without an alarm; the day of the stop says that the leg stays off.
    """
    before, after = events_of("revised"), events_of("stopped")
    stopped = dt.date(2026, 11, 20)
    to_wear = {
        uid: event
        for uid, event in before.items()
        if str(event["summary"]).startswith(("Leg wear", "Skin check")) and event.start.date() >= stopped
    }

    assert to_wear
    for uid, event in to_wear.items():
        again = after[uid]
        assert str(again["status"]) == "CANCELLED"
        assert int(again["sequence"]) > int(event["sequence"])
        assert again["dtstart"].dt == event["dtstart"].dt
        assert not again.walk("VALARM")
        assert "Leg wear" not in again["summary"]
    assert [event.start for event in after.values() if "Leg off" in event["summary"]] == [stopped]


def test_a_released_plan_cancels_only_what_it_no_longer_holds() -> None:
    """After the approval each time to wear the leg is live, and what the plan dropped from then on is not."""
    after = events_of("released")
    live = [event for event in after.values() if str(event.get("status")) != "CANCELLED"]
    gone = [event for event in after.values() if str(event.get("status")) == "CANCELLED"]
    plan = read(example_course("anna-first-locking")["released"]).plan
    assert plan.clinic is not None

    worn = calendar(read(example_course("anna-first-locking")["released"]))
    assert occurrences(worn, "Leg wear") == sessions_of(plan, plan.clinic.time_zone)
    assert gone
    assert not {str(event["uid"]) for event in live} & {str(event["uid"]) for event in gone}


def test_the_end_of_wear_calls_too() -> None:
    """The alarm of a skin check rings when the leg comes off: forgetting that is what harms."""
    cal = icalendar.Calendar.from_ical(calendar(reading_of("anna-first-locking")))
    checks = [event for event in cal.walk("VEVENT") if str(event["summary"]) == "Skin check"]

    assert checks
    assert all(
        [alarm["trigger"].dt for alarm in event.walk("VALARM")] == [dt.timedelta()] for event in checks
    )
    assert all("Take the leg off now" in event["description"] for event in checks)
