"""How the sessions of a rung lie on a date: for a record being planned, and for a plan being revised.

A ``Layout`` knows the waking day, what else is on, the ladder and the clinic's zone. It answers for any rung
and date, and depends on nothing else, so that a plan read from its bundle is revised by the rules it was
made with.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from fhircare.errors import PlanningError
from fhircare.plan import Session
from fhircare.planner.rules import LEAVE_OUT, PACE, Settings, settings_for
from fhircare.planner.wear.day import Clock, DayFrame, Span, frame, place
from fhircare.planner.wear.ladder import Rung, ladder, split
from fhircare.planner.wear.pace import Policy

if TYPE_CHECKING:
    import datetime as dt

    from fhircare.plan import Busy, DateRange, Override, Pace, Plan


@dataclass(frozen=True)
class Layout:
    """What the sessions of a day depend on.

    Attributes:
        wakes: Start of the waking day.
        sleeps: End of it.
        busy: When the prosthesis cannot be put on or taken off.
        days_without_wear: Days on which it cannot be worn.
        settings: The numbers of the pace, with the clinician's own in their place.
        zone: The clinic's zone.
    """

    wakes: dt.time
    sleeps: dt.time
    busy: tuple[Busy, ...]
    days_without_wear: tuple[DateRange, ...]
    settings: Settings
    zone: ZoneInfo
    _placed: dict[tuple[DayFrame, int], tuple[Span, ...] | None] = field(
        default_factory=dict, repr=False, compare=False
    )
    _clocks: dict[dt.date, Clock] = field(default_factory=dict, repr=False, compare=False)
    _weeks: dict[tuple[int, int], tuple[Session, ...] | None] = field(
        default_factory=dict, repr=False, compare=False
    )
    """The sessions of a rung by day of the week: days of 24 hours differ in nothing else."""
    _frames: dict[int, DayFrame] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def rungs(self) -> tuple[Rung, ...]:
        """The ladder.

        Raises:
            PlanningError: When the waking day does not hold even the first session.
        """
        waking = (
            _minute(self.sleeps)
            - self.settings["before_sleep_minutes"]
            - _minute(self.wakes)
            - self.settings["after_waking_minutes"]
        )
        return ladder(self.settings, waking)

    @cached_property
    def policy(self) -> Policy:
        """What ``next_step`` decides by."""
        return Policy(
            rungs=len(self.rungs),
            days_per_step=self.settings["days_per_step"],
            pause_days=self.settings["pause_days"],
            target_percent=self.settings["target_percent"],
            pain_limit=self.settings["pain_limit"],
        )

    def without_wear(self, on: dt.date) -> DateRange | None:
        """Return the stretch of days without wear that a date lies in, None when it may be worn."""
        return next((span for span in self.days_without_wear if on in span), None)

    def sessions(self, step: int, on: dt.date) -> tuple[Session, ...] | None:
        """Return the sessions of a rung on a date, None when the day does not hold them.

        A session runs through a whole busy stretch only when sessions at least that long were worn on the
        rung below; the whole day runs through anything.

        Raises:
            PlanningError: When there is no such rung.
        """
        if not 1 <= step <= len(self.rungs):
            raise PlanningError(f"There is no step {step}", f"the ladder has steps 1 to {len(self.rungs)}")
        key, clock = (on.weekday(), step), self.clock(on)
        if clock.plain and key in self._weeks:
            return self._weeks[key]
        rung = self.rungs[step - 1]
        spans = self._spans(rung, clock, self.frame(on))
        found = None if spans is None else tuple(_session(span, rung, clock) for span in spans)
        if clock.plain:
            self._weeks[key] = found
        return found

    def clock(self, on: dt.date) -> Clock:
        """Return the clock of a date."""
        if on not in self._clocks:
            self._clocks[on] = Clock(on, self.zone)
        return self._clocks[on]

    def frame(self, on: dt.date) -> DayFrame:
        """Return what a date leaves for wear."""
        settings, clock = self.settings, self.clock(on)
        if clock.plain and on.weekday() in self._frames:
            return self._frames[on.weekday()]
        found = frame(
            on,
            (self.wakes, self.sleeps),
            self.busy,
            clock,
            after_waking=settings["after_waking_minutes"],
            before_sleep=settings["before_sleep_minutes"],
        )
        if clock.plain:
            self._frames[on.weekday()] = found
        return found

    def would_fit(self, step: int, on: dt.date, *, busy: bool = True, rest: int | None = None) -> bool:
        """Return whether a rung would fit a date if something gave way, to tell which constraint binds.

        Args:
            step: The rung.
            on: The date.
            busy: False to leave busy stretches out of account.
            rest: Another least rest between sessions.
        """
        rung, today = self.rungs[step - 1], self.frame(on)
        if not busy:
            today = replace(today, busy=())
        if rung.all_day:
            return today.whole() is not None and not today.busy
        return self._placed_anew(rung, self.clock(on), today, rest) is not None

    def _placed_anew(
        self, rung: Rung, clock: Clock, today: DayFrame, rest: int | None = None
    ) -> tuple[Span, ...] | None:
        return place(
            today,
            rung.sessions,
            rung.minutes,
            rest=self.settings["rest_minutes"] if rest is None else rest,
            through=self.rungs[rung.number - 2].minutes if rung.number > 1 else 0,
            clock=clock,
        )

    def _spans(self, rung: Rung, clock: Clock, today: DayFrame) -> tuple[Span, ...] | None:
        key = (today, rung.number)
        if clock.plain and key in self._placed:
            return self._placed[key]
        if rung.all_day:
            spans = today.whole()
            below = self.rungs[-2].total if len(self.rungs) > 1 else 0
            if spans is not None and spans[0].minutes < below:
                spans = None  # what else is on leaves less of the day than the rung below has
        else:
            spans = self._placed_anew(rung, clock, today)
        if clock.plain:
            self._placed[key] = spans
        return spans


def layout_of(plan: Plan) -> Layout:
    """Return the layout a plan was made with, from the plan alone.

    Raises:
        PlanningError: When the plan has no wearing schedule or no clinic, whose zone its clock times are in.
        DeliveryError: When its overrides are not ones this planner knows.
    """
    if plan.wear is None or plan.clinic is None:
        raise PlanningError("The plan has no wearing schedule, or no clinic whose zone it is in")
    wear = plan.wear
    numbers = tuple(o for o in wear.overrides if o.setting not in (LEAVE_OUT, PACE))
    routine = (wear.wakes, wear.sleeps, wear.busy, wear.days_without_wear)
    return _layout(*routine, wear.pace, numbers, plan.clinic.time_zone)


@lru_cache(maxsize=32)
def _layout(
    wakes: dt.time,
    sleeps: dt.time,
    busy: tuple[Busy, ...],
    days_without_wear: tuple[DateRange, ...],
    pace: Pace,
    numbers: tuple[Override, ...],
    zone: str,
) -> Layout:
    """Return the layout of what is equal in all revisions of a plan; sessions are placed once for all."""
    settings = settings_for(pace, numbers)
    return Layout(wakes, sleeps, busy, days_without_wear, settings, ZoneInfo(zone))


def _session(span: Span, rung: Rung, clock: Clock) -> Session:
    sitting, standing, walking = split(span.minutes, rung)
    return Session(
        start=clock.time(span.start),
        minutes=span.minutes,
        sitting=sitting,
        standing=standing,
        walking=walking,
        all_day=rung.all_day,
    )


def _minute(time: dt.time) -> int:
    return time.hour * 60 + time.minute
