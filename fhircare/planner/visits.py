"""Which follow-up visits a person needs, and when each should fall.

Early checks in weeks after delivery, then a check every few months for life even when all is well (common
practice, no source), a review by the whole team each year (VA/DoD guideline 2017: Webster 2019, Am J Phys
Med Rehabil 98(9):820), and visits that something asks for: a part that wears out, a warranty that ends, a
ply forecast, new shoes, a change in weight. Visits are proposed for two years at a time; the cadence goes on
for life.

Here each need becomes a ``Need`` with the window it should fall in; ``fhircare.planner.booking`` puts them
on days.
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from fhircare.plan import Visit
from fhircare.planner.booking import Booking, Diary, Need, book

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from fhircare.delivery import DeliveryRecord

VisitKind = Literal[
    "fit-check", "regular-check", "annual-review", "socket-adjust", "weight-change", "shoe-change",
    "liner-replace", "part-replace", "warranty-end",
]  # fmt: skip

_EVENT_WHY: Mapping[str, str] = {
    "socket-adjust": "The ply trend reaches the threshold at which the socket needs adjusting.",
    "weight-change": "Body weight has changed, and with it the fit.",
    "shoe-change": "New shoes change how the leg stands.",
}


@dataclass(frozen=True, slots=True)
class Visits:
    """The visits, in order, and what could not be met, in a sentence each."""

    visits: tuple[Visit, ...]
    unmet: tuple[str, ...]


def visits_for(record: DeliveryRecord, settings: Mapping[str, int]) -> Visits:
    """Return the visits of a record, combined where their windows meet, on days the clinic is open.

    Raises:
        DeliveryError: When the clinic's holiday country or region is unknown.
    """
    wanted = record.follow_up
    diary = Diary.of(record.clinic, wanted, settings["late_days"])
    return plan_visits(needs(record, settings), diary, wanted.visit_minutes)


def plan_visits(wanted: Iterable[Need], diary: Diary, minutes: int) -> Visits:
    """Return needs put on days, as visits; for a delivery and, later, for what a log asks for."""
    booked, unmet = book(tuple(wanted), diary)
    return Visits(tuple(_visit(booking, minutes) for booking in booked), unmet)


def _visit(booking: Booking, minutes: int) -> Visit:
    kinds = tuple(dict.fromkeys(need.kind for need in booking.needs))
    day = booking.start.date()
    # A need that is overdue ends no window: the others' days would end before they begin.
    still_open = [need.latest for need in booking.needs if need.latest >= day]
    return Visit(
        kinds=kinds,
        start=booking.start,
        minutes=minutes,
        earliest=max(need.earliest for need in booking.needs),
        latest=min(still_open, default=max(need.latest for need in booking.needs)),
        why=" ".join(dict.fromkeys((*(need.why for need in booking.needs), *booking.notes))),
    )


def needs(record: DeliveryRecord, settings: Mapping[str, int]) -> tuple[Need, ...]:
    """Return what asks for a visit within the horizon, in order of date."""
    found = [*_cadence(record, settings), *_worn_out(record, settings)]
    return tuple(sorted(found, key=lambda need: (need.latest, need.on, need.kind)))


def event_need(kind: VisitKind, on: dt.date, within_days: int) -> Need:
    """Return the need for a visit that something new asks for.

    Args:
        kind: Such as socket-adjust, weight-change or shoe-change.
        on: Day from which it is needed.
        within_days: Days within which it should happen.
    """
    return Need(
        kind, on, on, on + dt.timedelta(days=within_days), _EVENT_WHY.get(kind, "Something asks for a visit.")
    )


def _cadence(record: DeliveryRecord, settings: Mapping[str, int]) -> Iterable[Need]:
    delivered, wanted = record.prosthesis.delivered_on, record.follow_up
    later = settings["later_window_days"]
    weeks_after = sorted(set(wanted.weeks_after))
    for weeks in weeks_after:
        # Windows of early checks never meet: two of them are never one trip.
        gaps = [abs(weeks - other) * 7 for other in (0, *weeks_after) if other != weeks]
        slack = min(settings["early_window_days"], (min(gaps) - 1) // 2)
        why = f"{_after(weeks, 'week')}: an early check of fit, skin and wear."
        yield _around("fit-check", delivered + dt.timedelta(weeks=weeks), slack, delivered, why)
    horizon = settings["horizon_months"]
    last_early = delivered + dt.timedelta(weeks=max(wanted.weeks_after))
    # No month is shorter than 28 days, so windows of regular checks never meet either.
    slack = min(later, (wanted.months_between * 28 - 1) // 2)
    for months in range(wanted.months_between, horizon + 1, wanted.months_between):
        on = add_months(delivered, months)
        if on > last_early:
            every = "month" if wanted.months_between == 1 else f"{wanted.months_between} months"
            why = f"{_after(months, 'month')}: a check every {every} even when all is well."
            yield _around("regular-check", on, slack, delivered, why)
    for months in range(12, horizon + 1, 12):
        why = f"{_after(months // 12, 'year')}: the yearly review by the whole team."
        yield _around("annual-review", add_months(delivered, months), later, delivered, why)


def _after(count: int, unit: str) -> str:
    return f"{count} {unit}{'s' if count > 1 else ''} after delivery"


def _worn_out(record: DeliveryRecord, settings: Mapping[str, int]) -> Iterable[Need]:
    delivered, lead = record.prosthesis.delivered_on, settings["lead_days"]
    ends = add_months(delivered, settings["horizon_months"])
    for part in record.prosthesis.components:
        dates: tuple[tuple[VisitKind, dt.date | None, str], ...] = (
            (
                "liner-replace" if part.kind == "liner" else "part-replace",
                part.replace_by,
                f"The {part.kind} is expected to be worn out by then.",
            ),
            (
                "warranty-end",
                part.warranty_until,
                f"The warranty of the {part.kind} ends; it is seen before that.",
            ),
        )
        for kind, day, why in dates:
            if day is not None and delivered < day <= ends:
                earliest = max(day - dt.timedelta(days=lead), delivered + dt.timedelta(days=1))
                yield Need(kind, max(earliest, day - dt.timedelta(days=lead // 2)), earliest, day, why)


def _around(kind: VisitKind, on: dt.date, slack: int, delivered: dt.date, why: str) -> Need:
    earliest = max(on - dt.timedelta(days=slack), delivered + dt.timedelta(days=1))
    return Need(kind, on, earliest, on + dt.timedelta(days=slack), why)


def add_months(day: dt.date, months: int) -> dt.date:
    """Return the day so many months later: the same day of the month, or its last where it has none."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))
