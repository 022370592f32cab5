"""Puts needed visits on days: when the clinic is open and the person can come, with as few trips as may be.

Fewest trips is the classical question of stabbing intervals with points. Taking the window that ends first,
going as late in it as a day can be had, and serving every window that day lies in is provably least; so no
solver is needed. Among the days that serve the same windows, the one that suits best is then taken.
"""

from __future__ import annotations

import datetime as dt
import functools
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from fhircare.errors import DeliveryError, Fault
from fhircare.plan import WEEKDAYS, Clinic, DateRange, OpeningHours, Weekday

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fhircare.delivery import FollowUp, FreeSlot


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
        late_days: How far past its window a visit is looked for when there is no day in it.
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
    late_days: int = 0

    @classmethod
    def of(cls, clinic: Clinic, wanted: FollowUp, late_days: int) -> Diary:
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
            late_days=late_days,
        )
        public_holidays(clinic.holiday_country, clinic.holiday_region, 2000)
        return diary

    def at(self, day: dt.date) -> dt.datetime | None:
        """Return the time of a visit on a day that suits best, None when there can be none."""
        if not self.free(day):
            return None
        if self.slots:
            return self._slot_by_day[day]
        time = self._time_by_weekday[day.weekday()]
        return None if time is None else dt.datetime.combine(day, time, self.zone)

    def free(self, day: dt.date) -> bool:
        """Return whether there can be a visit on a day."""
        if any(day in span for span in self.not_on):
            return False
        if self.slots:
            return day in self._slot_by_day
        return (
            self._time_by_weekday[day.weekday()] is not None
            and not any(day in span for span in self.closures)
            and day not in public_holidays(self.holiday_country, self.holiday_region, day.year)
        )

    @cached_property
    def _slot_by_day(self) -> dict[dt.date, dt.datetime]:
        found: dict[dt.date, dt.datetime] = {}
        for slot in self.slots:
            start = slot.start.astimezone(self.zone)
            best = found.get(start.date())
            if slot.minutes >= self.minutes and (best is None or self._better(start, best)):
                found[start.date()] = start
        return found

    def _better(self, one: dt.datetime, other: dt.datetime) -> bool:
        return (self._off(one.time()), one) < (self._off(other.time()), other)

    @cached_property
    def _time_by_weekday(self) -> tuple[dt.time | None, ...]:
        """The time that suits best on each day of the week, Monday first; None when the clinic is closed."""
        found: list[dt.time | None] = []
        for weekday in WEEKDAYS:
            times = [self._time(hours) for hours in self.hours if weekday in hours.days]
            fitting = [time for time in times if time is not None]
            found.append(min(fitting, key=lambda t: (self._off(t), t), default=None))
        return tuple(found)

    def _time(self, hours: OpeningHours) -> dt.time | None:
        opens, last = _minute(hours.opens), _minute(hours.closes) - self.minutes
        if last < opens:
            return None
        wished = opens if self.time is None else max(opens, min(last, _minute(self.time)))
        return dt.time(wished // 60, wished % 60)

    def _off(self, time: dt.time) -> int:
        """Minutes between a time and the one that suits."""
        return 0 if self.time is None else abs(_minute(time) - _minute(self.time))

    def discomfort(self, day: dt.date) -> int:
        """Return how little a free day suits, in days one would rather wait: wrong weekday, wrong time."""
        time = self._slot_by_day[day].time() if self.slots else self._time_by_weekday[day.weekday()]
        off = 0 if time is None else self._off(time)
        return 7 * (bool(self.days) and WEEKDAYS[day.weekday()] not in self.days) + min(off // 120, 3)

    def in_words(self) -> str:
        """Return where visits are looked for, for the sentence that none was found."""
        return "a free slot" if self.slots else "a day on which the clinic is open and the person can come"


def book(needs: Sequence[Need], diary: Diary) -> tuple[tuple[Booking, ...], tuple[str, ...]]:
    """Return the trips that serve the needs, in order, and a sentence for each need that cannot be met.

    A need whose window holds no day at all is looked for past it, unless there are slots to keep to; its
    booking says so. The trips are as few as can be; each need goes to that trip of them which is nearest to
    the day it would best be.
    """
    trips, unmet = _fewest_trips(needs, diary)
    for trip in trips:
        for need in trip.needs[1:]:  # the first is what the trip is for; the others may go with another
            nearest = min(
                (t for t in trips if need.earliest <= t.day <= need.latest),
                key=lambda t: (abs((t.day - need.on).days), t.day),
            )
            if nearest is not trip:
                trip.needs.remove(need)
                nearest.needs.append(need)
    return tuple(sorted((trip.booked(diary) for trip in trips), key=lambda b: b.start)), tuple(unmet)


@dataclass
class _Trip:
    """A trip being made up: the days its first need can be met on, what it serves, and its day so far."""

    days: list[dt.date]
    needs: list[Need]
    day: dt.date
    note: str = ""

    def best_day(self, diary: Diary) -> dt.date:
        """Return the day that suits best of those in the windows of all its needs."""
        opens = max(need.earliest for need in self.needs)
        closes = min(need.latest for need in self.needs[1:]) if len(self.needs) > 1 else self.days[-1]

        def cost(day: dt.date) -> tuple[int, dt.date]:
            away = sum(abs((day - need.on).days) for need in self.needs)
            return away + diary.discomfort(day) * len(self.needs), day

        return min((day for day in self.days if opens <= day <= closes), key=cost, default=self.day)

    def booked(self, diary: Diary) -> Booking:
        """Return the trip with its time and what there is to say about it."""
        start = diary.at(self.best_day(diary))
        if start is None:
            raise AssertionError("a day that is not free was booked")
        notes = (self.note,) if self.note else ()
        if len({need.kind for need in self.needs}) > 1:
            notes = (*notes, "Combined, so that it is one trip.")
        return Booking(start, tuple(self.needs), notes)


def _fewest_trips(needs: Sequence[Need], diary: Diary) -> tuple[list[_Trip], list[str]]:
    waiting = sorted(needs, key=lambda need: (need.latest, need.earliest, need.kind))
    trips: list[_Trip] = []
    unmet: list[str] = []
    while waiting:
        need = waiting.pop(0)
        days = [day for day in _days(need.earliest, need.latest) if diary.free(day)]
        note = ""
        if not days and not diary.slots:
            late = _days(need.latest + dt.timedelta(days=1), need.latest + dt.timedelta(days=diary.late_days))
            days = [day for day in late if diary.free(day)][:1]
            note = f"Later than {need.latest:%Y-%m-%d}: until then there was not {diary.in_words()}."
        if not days:
            window = f"{need.earliest:%Y-%m-%d} to {need.latest:%Y-%m-%d}"
            unmet.append(f"No visit from {window} ({need.kind}): there is not {diary.in_words()}.")
            continue
        together = [need, *(other for other in waiting if other.earliest <= days[-1] <= other.latest)]
        waiting = [other for other in waiting if other not in together]
        trip = _Trip(days, together, days[-1], note)
        trip.day = trip.best_day(diary)
        trips.append(trip)
    return trips, unmet


def _minute(time: dt.time) -> int:
    return time.hour * 60 + time.minute


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
    import holidays

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
