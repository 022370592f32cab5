"""The wearing schedule: what to do on each day of the break-in."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Gt, MinLen

from fhircare.plan.part import Minutes, Part, Text
from fhircare.plan.people import DateRange, Weekday

Pace = Literal["usual", "cautious", "experienced", "return-to-wear"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Session(Part):
    """One stretch of wearing the prosthesis, from putting it on to taking it off and looking at the skin."""

    start: dt.time
    """When to put it on, clock time in the clinic's zone."""
    minutes: Annotated[int, Gt(0)]
    """How long, in minutes."""
    sitting: Minutes
    """Minutes of it sitting."""
    standing: Minutes
    """Minutes of it standing."""
    walking: Minutes
    """Minutes of it walking. Sitting, standing and walking add up to ``minutes``."""
    all_day: bool = False
    """True when it lasts the whole waking day: ``minutes`` is then what the waking day holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WearDay(Part):
    """One day of the schedule. A day without sessions is a day on which the prosthesis is not worn."""

    on: dt.date
    """The date."""
    step: Annotated[int, Ge(0)]
    """Rung of the ladder the day stands on, from 1; 0 on a day without wear."""
    sessions: tuple[Session, ...]
    """In the order of the day, never overlapping."""
    rule: Text
    """Key of the rule that placed the day on this rung."""
    why: Text
    """The reason in a sentence a prosthetist can check."""

    @property
    def minutes(self) -> int:
        """Minutes of wear on this day."""
        return sum(session.minutes for session in self.sessions)


@dataclass(frozen=True, slots=True, kw_only=True)
class Override(Part):
    """A number the clinician set otherwise than the usual."""

    setting: Text
    """Name of the setting, such as first_day_minutes."""
    value: Text
    """What it was set to, as written."""
    usual: str = ""
    """What it would have been."""
    reason: Text
    """Why."""
    by: Text
    """Who decided."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Busy(Part):
    """A stretch of some days in which the person cannot start or finish a wear session."""

    days: Annotated[tuple[Weekday, ...], MinLen(1)]
    """Days of the week."""
    starts: dt.time
    """Clock time."""
    ends: dt.time
    """Clock time."""
    what: Literal["therapy", "work", "school", "other"] = "other"
    """What it is. Therapy is worn for; the rest is not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WearSchedule(Part):
    """The break-in wearing schedule."""

    pace: Pace
    """How fast wear is built up."""
    pace_why: Text
    """Why this pace."""
    days: Annotated[tuple[WearDay, ...], MinLen(1)]
    """One entry a day, in order, without gaps."""
    wakes: dt.time
    """Start of the waking day."""
    sleeps: dt.time
    """End of the waking day."""
    rest_minutes: Minutes
    """Least rest between two sessions."""
    busy: tuple[Busy, ...] = ()
    """When the person cannot put the prosthesis on or take it off."""
    days_without_wear: tuple[DateRange, ...] = ()
    """Days on which the person cannot wear it at all."""
    redness_minutes: Annotated[int, Gt(0)]
    """Minutes after taking the prosthesis off in which redness must have gone."""
    binding: tuple[Text, ...] = ()
    """What held the plan back, if anything, in a sentence each."""
    overrides: tuple[Override, ...] = ()
    """What the clinician set otherwise, with the reasons."""
