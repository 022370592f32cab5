"""The settings around the days of the break-in, both ways.

=========================  =============================================================================
plan.wear                  FHIR: the ServiceRequest of code wear-schedule
=========================  =============================================================================
pace, pace_why             orderDetail ``pace``: parameter pace, text
wakes, sleeps              orderDetail ``waking-day``
rest_minutes               orderDetail ``rest``
redness_minutes            orderDetail ``redness``
busy[]                     orderDetail ``busy`` each: weekday (each), starts, ends, what
days_without_wear[]        orderDetail ``without-wear`` each: days (Period); text is the reason
binding[]                  note each
overrides[]                orderDetail ``override`` each: setting, value, usual, decided-by; text the reason
=========================  =============================================================================
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.located import Node, Read, choice, listed, made
from fhircare.bundle.request import (
    activity,
    add_request,
    detail,
    details,
    number,
    parameter,
    string,
    term_in,
    value,
    values,
)
from fhircare.bundle.wear import read_days
from fhircare.plan import Busy, DateRange, Override, Pace, WearSchedule
from fhircare.plan.people import WEEKDAYS

if TYPE_CHECKING:
    from fhircare.bundle.datatypes import Json
    from fhircare.bundle.draft import Draft
    from fhircare.bundle.source import Source

_KINDS = ("therapy", "work", "school", "other")


def write_schedule(draft: Draft) -> list[Json]:
    """Add the settings of the schedule; return a reference to them in a list, empty without a schedule."""
    wear = draft.plan.wear
    if wear is None:
        return []
    waking = f"{wear.wakes:%H:%M} and {wear.sleeps:%H:%M}"
    text = (
        f"Wear the prosthesis as the days of this plan say, between {waking}. Rest at least "
        f"{wear.rest_minutes} minutes between two sessions and look at the skin after each. Redness that is "
        f"still there {wear.redness_minutes} minutes after taking the prosthesis off means: do not wear it, "
        "and call."
    )
    added = add_request(
        draft,
        "wear",
        fhir.term("activity", "wear-schedule"),
        ("Days", f"{wear.days[0].on} to {wear.days[-1].on}"),
        ("Pace", f"{wear.pace}: {wear.pace_why}"),
        ("What to do", text),
        *(("Held back by", line) for line in wear.binding),
        *((f"{one.setting} set to {one.value}", f"{one.reason} ({one.by})") for one in wear.overrides),
        orderDetail=_details(wear),
        occurrencePeriod=fhir.period(wear.days[0].on, wear.days[-1].on),
        note=[{"text": line} for line in wear.binding],
        patientInstruction=text,
        wear=True,
    )
    return [added]


def _details(wear: WearSchedule) -> list[Json]:
    rest = f"At least {wear.rest_minutes} minutes of rest between two sessions"
    redness = f"Redness must be gone {wear.redness_minutes} minutes after taking the prosthesis off"
    return [
        detail(
            "detail",
            "pace",
            wear.pace_why,
            parameter("pace", "CodeableConcept", fhir.term("pace", wear.pace)),
        ),
        detail(
            "detail",
            "waking-day",
            f"Waking day {wear.wakes:%H:%M} to {wear.sleeps:%H:%M}",
            parameter("wakes", "String", wear.wakes.isoformat()),
            parameter("sleeps", "String", wear.sleeps.isoformat()),
        ),
        detail("detail", "rest", rest, _minutes("rest", wear.rest_minutes)),
        detail("detail", "redness", redness, _minutes("redness", wear.redness_minutes)),
        *(_busy(one) for one in wear.busy),
        *(
            detail(
                "detail",
                "without-wear",
                one.reason,
                parameter("days", "Period", fhir.period(one.first, one.last)),
            )
            for one in wear.days_without_wear
        ),
        *(_override(one) for one in wear.overrides),
    ]


def _minutes(code: str, length: int) -> Json:
    return parameter(code, "Quantity", fhir.quantity(length, "min"))


def _busy(one: Busy) -> Json:
    return detail(
        "detail",
        "busy",
        f"{', '.join(one.days)}, {one.starts:%H:%M} to {one.ends:%H:%M}: {one.what}",
        *(parameter("weekday", "String", day) for day in one.days),
        parameter("starts", "String", one.starts.isoformat()),
        parameter("ends", "String", one.ends.isoformat()),
        parameter("what", "String", one.what),
    )


def _override(one: Override) -> Json:
    said = [("setting", one.setting), ("value", one.value), ("usual", one.usual), ("decided-by", one.by)]
    return detail(
        "detail", "override", one.reason, *(parameter(code, "String", text) for code, text in said if text)
    )


# ---------------------------------------------------------------------------------------------- reading


def read_wear(source: Source, requests: list[Node], start: dt.date | None) -> Read[WearSchedule | None]:
    """Read the schedule; None when no day of it is told.

    Days without their settings (a part of a bundle) get none: no pace is known to be other than the usual,
    the waking day is the whole day, and 0 minutes stand for rest and redness that nobody stated.
    """
    days = read_days(source, requests, start)
    if not days.value:
        return Read(None)
    one = next((request for request in requests if activity(request) == "wear-schedule"), Node(None, ""))
    if not one:
        source.skip(source.root, "has wear sessions without the schedule's own settings")
    waking = _only(one, "waking-day")
    return made(
        WearSchedule,
        pace=choice(term_in(_only(one, "pace"), "pace", "pace"), get_args(Pace), "usual"),
        pace_why=_only(one, "pace").text("text"),
        days=days,
        wakes=_clock(waking, "wakes", dt.time.min),
        sleeps=_clock(waking, "sleeps", dt.time.max),
        rest_minutes=number(_only(one, "rest"), "rest", "min"),
        redness_minutes=number(_only(one, "redness"), "redness", "min"),
        busy=listed(busy for told in details(one, "detail", "busy") if (busy := _read_busy(told))),
        days_without_wear=listed(
            span for told in details(one, "detail", "without-wear") if (span := _read_range(told))
        ),
        binding=listed(text for note in one.items("note") if (text := note.text("text"))),
        overrides=listed(_read_override(told) for told in details(one, "detail", "override")),
    )


def _only(of: Node, code: str) -> Node:
    return next(iter(details(of, "detail", code)), Node(None, ""))


def _clock(of: Node, code: str, otherwise: dt.time) -> Read[dt.time]:
    found = value(of, code).time("valueString")
    return Read(otherwise) if found.value is None else Read(found.value, found.path)


def _read_busy(told: Node) -> Read[Busy] | None:
    days: list[Read[Any]] = [day.text("valueString") for day in values(told, "weekday")]
    starts, ends = value(told, "starts").time("valueString"), value(told, "ends").time("valueString")
    if starts.value is None or ends.value is None or any(day.value not in WEEKDAYS for day in days):
        return None
    what = choice(string(told, "what"), _KINDS, "other")
    return made(Busy, days=listed(days), starts=starts, ends=ends, what=what)


def _read_range(told: Node) -> Read[DateRange] | None:
    span = value(told, "days").get("valuePeriod")
    first, last = span.date("start"), span.date("end")
    return made(DateRange, first=first, last=last, reason=told.text("text")) if first and last else None


def _read_override(told: Node) -> Read[Override]:
    return made(
        Override,
        setting=string(told, "setting"),
        value=string(told, "value"),
        usual=string(told, "usual"),
        reason=told.text("text"),
        by=string(told, "decided-by"),
    )
