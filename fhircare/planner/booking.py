"""Puts needed visits on days: when the clinic is open and the person can come, with as few trips as may be.

Fewest trips is the classical question of stabbing intervals with points. Taking the window that ends first,
going as late in it as a day can be had, and serving every window that day lies in is provably least; so no solver
is needed. Among the days that serve the same windows, the one that suits best is then taken.
"""

from __future__ import annotations

import datetime as dt
import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from fhircare.errors import DeliveryError, Fault
from fhircare.plan import WEEKDAYS, Clinic, DateRange, OpeningHours, Weekday

if TYPE_CHECKING:
    from fhircare.delivery import FollowUp, FreeSlot

_WIDEN_DAYS = 28
"""How far past its window a visit is looked for when the clinic is closed all through it (decided here)."""


@dataclass(frozen=True, slots=True)
class Need:
    """One reason to be seen.

    Attributes:
        kind: Code of the visit's kind.
        on: The day it would best be.
        earliest: First day of its window.
        latest: Last day of its window.
        why: The reason, in a sentence.
    """

    kind: str
    on: dt.date
    earliest: dt.date
    latest: dt.date
    why: str


@dataclass(frozen=True, slots=True)
class Booking:
    """A visit's time, the needs it serves, and what there is to say about it."""

    start: dt.datetime
    needs: tuple[Need, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Diary:
    """When a visit can be: the clinic's hours and closures, the person's days, or free slots only.

    Attributes:
        zone: The clinic's zone.
        hours: Its opening hours.
        closures: Days on which it is closed.
        holiday_country: Whose public holidays it keeps, "" for none.
        holiday_region: The region, "" for none.
        minutes: Length of a visit.
        days: Days of the week that suit the person; none means any.
        time: Time that suits the person.
        not_on: Days on which the person cannot come.
        slots: When there are any, visits are placed in these only.
    """

    zone: ZoneInfo
    hours: tuple[OpeningHours, ...]
    closures: tuple[DateRange, ...] = ()
    holiday_country: str = ""
    holiday_region: str = ""
    minutes: int = 45
    days: tuple[Weekday, ...] = ()
    time: dt.time | None = None
    not_on: tuple[DateRange, ...] = ()
    slots: tuple[FreeSlot, ...] = ()
    _times: dict[dt.date, dt.datetime | None] = field(default_factory=dict, repr=False, compare=False)

    @classmethod
    def of(cls, clinic: Clinic, wanted: FollowUp) -> Diary:
        """Return the diary of a clinic for a person's wishes.

        Raises:
            DeliveryError: When the holiday country or region is unknown.
        """
        diary = cls(
            zone=ZoneInfo(clinic.time_zone),
            hours=clinic.opening_hours,
            closures=clinic.closures,
            holiday_country=clinic.holiday_country,
            holiday_region=clinic.holiday_region,
            minutes=wanted.visit_minutes,
            days=wanted.preferred_days,
            time=wanted.preferred_time,
            not_on=wanted.not_on,
            slots=wanted.free_slots,
        )
        public_holidays(clinic.holiday_country, clinic.holiday_region, 2000)
        return diary

    def at(self, day: dt.date) -> dt.datetime | None:
        """Return the time of a visit on a day that suits best, None when there can be none."""
        if day not in self._times:
            self._times[day] = self._find(day)
        return self._times[day]

    def _find(self, day: dt.date) -> dt.datetime | None:
        if any(day in span for span in self.not_on):
            return None
        if self.slots:
            fitting = [
                slot.start.astimezone(self.zone) for slot in self.slots if slot.minutes >= self.minutes
            ]
            starts = [start for start in fitting if start.date() == day]
            return min(starts, key=self._distance, default=None)
        if any(day in span for span in self.closures):
            return None
        if day in public_holidays(self.holiday_country, self.holiday_region, day.year):
            return None
        starts = [self._start(day, hours) for hours in self.hours if WEEKDAYS[day.weekday()] in hours.days]
        return min((start for start in starts if start), key=self._distance, default=None)

    def _start(self, day: dt.date, hours: OpeningHours) -> dt.datetime | None:
        opens = dt.datetime.combine(day, hours.opens, self.zone)
        last = dt.datetime.combine(day, hours.closes, self.zone) - dt.timedelta(minutes=self.minutes)
        if last < opens:
            return None
        wished = dt.datetime.combine(day, self.time, self.zone) if self.time else opens
        return max(opens, min(last, wished))

    def _distance(self, start: dt.datetime) -> tuple[int, dt.datetime]:
        if self.time is None:
            return 0, start
        return abs((start.hour - self.time.hour) * 60 + start.minute - self.time.minute), start

    def discomfort(self, day: dt.date) -> int:
        """Return how little a day suits, in days that one would rather wait: a wrong weekday, a wrong time."""
        start = self.at(day)
        minutes = self._distance(start)[0] if start else 0
        return 7 * (bool(self.days) and WEEKDAYS[day.weekday()] not in self.days) + min(minutes // 120, 3)

    def in_words(self) -> str:
        """Return where visits are looked for, for the sentence that none was found."""
        return "a free slot" if self.slots else "a day on which the clinic is open and the person can come"


def book(needs: Sequence[Need], diary: Diary) -> tuple[tuple[Booking, ...], tuple[str, ...]]:
    """Return the trips that serve the needs, in order, and a sentence for each need that cannot be met.

    A need whose window holds no day at all is looked for up to four weeks past it, unless there are slots to
    keep to; its booking says so.
    """
    waiting = sorted(needs, key=lambda need: (need.latest, need.earliest, need.kind))
    bookings: list[Booking] = []
    unmet: list[str] = []
    while waiting:
        need = waiting.pop(0)
        days = [day for day in _days(need.earliest, need.latest) if diary.at(day)]
        note = ""
        if not days and not diary.slots:
            late = _days(need.latest + dt.timedelta(days=1), need.latest + dt.timedelta(days=_WIDEN_DAYS))
            days = [day for day in late if diary.at(day)][:1]
            note = f"Later than {need.latest:%Y-%m-%d}: until then there was not {diary.in_words()}."
        if not days:
            window = f"{need.earliest:%Y-%m-%d} to {need.latest:%Y-%m-%d}"
            unmet.append(f"No visit from {window} ({need.kind}): there is not {diary.in_words()}.")
            continue
        together = [need, *(other for other in waiting if other.earliest <= days[-1] <= other.latest)]
        waiting = [other for other in waiting if other not in together]
        bookings.append(_booked(together, days, diary, note))
    return tuple(sorted(bookings, key=lambda booking: booking.start)), tuple(unmet)


def _booked(needs: list[Need], days: list[dt.date], diary: Diary, note: str) -> Booking:
    opens = max(need.earliest for need in needs)
    first = needs[0]

    def cost(day: dt.date) -> tuple[int, dt.date]:
        return sum(abs((day - need.on).days) for need in needs) + diary.discomfort(day) * len(needs), day

    day = min((day for day in days if day >= min(opens, days[-1])), key=cost)
    start = diary.at(day)
    assert start is not None, first.kind  # noqa: S101 - only days that can be had are in the list
    notes = (note,) if note else ()
    if len({need.kind for need in needs}) > 1:
        notes = (*notes, "Combined, so that it is one trip.")
    return Booking(start, tuple(needs), notes)


def _days(first: dt.date, last: dt.date) -> Iterator[dt.date]:
    for offset in range((last - first).days + 1):
        yield first + dt.timedelta(days=offset)


@functools.lru_cache(maxsize=256)
def public_holidays(country: str, region: str, year: int) -> frozenset[dt.date]:
    """Return the public holidays of a year, from the ``holidays`` library; none without a country.

    Raises:
        DeliveryError: When the library knows no such country or region.
    """
    if not country:
        return frozenset()
    import holidays  # noqa: PLC0415 - only a clinic that keeps public holidays pays for it

    try:
        return frozenset(holidays.country_holidays(country, subdiv=region or None, years=year))
    except NotImplementedError:
        known = holidays.list_supported_countries()
        if country not in known:
            fault = Fault(
                "clinic.holiday_country", "is not a known country", "use its ISO 3166 two-letter code"
            )
        else:
            mend = (
                "one of " + ", ".join(known[country]) if known[country] else "leave it empty for this country"
            )
            fault = Fault("clinic.holiday_region", "is not a known region of that country", mend)
        raise DeliveryError(fault) from None
