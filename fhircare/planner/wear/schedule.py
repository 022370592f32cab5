"""The break-in wearing schedule, day by day, each day with its rule and its reason.

The invariants, tested as properties:

* every day from the first to the last is there once; a day the person cannot wear it has no session;
* sessions lie within the waking day, never overlap, and leave the stated rest between them;
* no session starts or ends inside a busy stretch, and it runs through one only when it was worn that long
  before;
* a day stands at most one rung above the day worn before it, and on no higher rung after days without wear;
* wear never falls from one worn day to the next unless the rule of the day is step-back or shortened;
* total wear never rises faster than the pace allows;
* sitting, standing and walking add up to each session.

The schedule runs until the whole day has been worn for ``all_day_days`` days, and for ``least_days`` at
least: 21 days at the usual pace. When it no longer leads on, it ends after ``stalled_days``.
"""

from __future__ import annotations

import copy
import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from fhircare.errors import PlanningError
from fhircare.plan import WEEKDAYS, Override, Session, WearDay, WearSchedule
from fhircare.planner.wear.day import Span
from fhircare.planner.wear.ladder import lengths
from fhircare.planner.wear.layout import Layout
from fhircare.planner.wear.pace import Climber, DayOutcome, PaceChoice
from fhircare.planner.words import duration, weekdays_in_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.delivery import DeliveryRecord
    from fhircare.planner.rules import Settings

OPEN_WOUND = "open-wound"


def wear_schedule(
    record: DeliveryRecord,
    choice: PaceChoice,
    settings: Settings,
    *,
    overrides: tuple[Override, ...] = (),
    binding: tuple[str, ...] = (),
) -> WearSchedule:
    """Return the schedule of a record at a pace.

    Args:
        record: The delivery record.
        choice: The pace, and why.
        settings: Its numbers, with the clinician's own in their place.
        overrides: What the clinician set otherwise besides numbers, to stand among the overrides.
        binding: What else held the plan back, to stand after what held wear back.

    Raises:
        PlanningError: When the skin is open, or when no day holds even the first session.
    """
    if OPEN_WOUND in record.limb.skin:
        raise PlanningError(
            "limb.skin says open-wound: there is no wear plan over an open wound",
            "the prosthetist and the physician decide when wear may start; "
            "record the skin as healed-wound once it has closed",
        )
    routine = record.routine
    layout = Layout(
        wakes=routine.wakes,
        sleeps=routine.sleeps,
        busy=routine.busy,
        days_without_wear=routine.days_without_wear,
        settings=settings,
        zone=ZoneInfo(record.clinic.time_zone),
    )
    days, held_back = days_from(layout, first_day(record), Climber(layout.policy))
    return WearSchedule(
        pace=choice.pace,
        pace_why=choice.why,
        days=days,
        wakes=routine.wakes,
        sleeps=routine.sleeps,
        rest_minutes=settings["rest_minutes"],
        busy=routine.busy,
        days_without_wear=routine.days_without_wear,
        redness_minutes=settings["redness_minutes"],
        binding=(*held_back, *binding),
        overrides=(*settings.overrides, *overrides),
    )


def first_day(record: DeliveryRecord) -> dt.date:
    """Return the first day of wear at home: as wished, or the day after delivery."""
    return record.wear.starts_on or record.prosthesis.delivered_on + dt.timedelta(days=1)


def days_from(
    layout: Layout, start: dt.date, climber: Climber
) -> tuple[tuple[WearDay, ...], tuple[str, ...]]:
    """Return the days from a date on, and what held wear back, in a sentence each.

    For a first schedule the climber is new; for a revised one it has lived through the days reported so far.
    It is not changed.

    Args:
        layout: How sessions lie on a date.
        start: The first day.
        climber: Where the person stands.

    Raises:
        PlanningError: When wear was stopped and no clinician has released it, or when no day has room.
    """
    builder = _Builder(layout)
    days = builder.days(start, copy.copy(climber))
    return days, tuple(builder.binding())


@dataclass
class _Builder:
    """Walks through the days, asking the policy where each stands and the layout what it holds."""

    layout: Layout
    shortened: dict[int, dict[int, dt.date]] = field(default_factory=dict)
    """Rungs that some days do not hold, with a date for each such day of the week."""
    no_room: set[int] = field(default_factory=set)
    """Days of the week that hold no session at all."""
    reached: bool = False
    """Whether the whole day was worn for as long as it should be."""
    highest: int = 0
    """Highest rung that a day stood on."""

    def days(self, start: dt.date, climber: Climber) -> tuple[WearDay, ...]:
        settings, top = self.layout.settings, len(self.layout.rungs)
        if climber.decide().rule == "stop":
            raise PlanningError(
                "Wear was stopped, and nobody has let it begin again",
                "a clinician who has seen the person releases it first",
            )
        found: list[WearDay] = []
        all_day = highest = stalled = 0
        patience = settings["stalled_days"] * settings["days_per_step"]
        while len(found) < settings["most_days"]:
            enough = all_day >= settings["all_day_days"] or (highest < top and stalled >= patience)
            if len(found) >= settings["least_days"] and enough:
                break
            day = self._day(start + dt.timedelta(days=len(found)), climber)
            found.append(day)
            all_day += day.step == top
            stalled = 0 if day.step > highest else stalled + bool(day.sessions)
            highest = max(highest, day.step)
            # Planned as if all goes well; the log will tell, and the same policy answers it.
            climber.live(DayOutcome(day.step, day.minutes, day.minutes, "carry-on", 0))
        if not any(day.sessions for day in found):
            raise PlanningError(
                "No day leaves room for even the first session",
                "shorten what is in routine.busy or routine.days_without_wear, or wake earlier",
            )
        self.reached, self.highest = all_day >= settings["all_day_days"], highest
        return tuple(found)

    def _day(self, on: dt.date, climber: Climber) -> WearDay:
        off = self.layout.without_wear(on)
        if off is not None:
            reason = f": {off.reason}" if off.reason else ""
            return WearDay(on=on, step=0, sessions=(), rule="no-wear", why=f"No wear on this day{reason}.")
        decision = climber.decide()
        for step in range(decision.step, 0, -1):
            sessions = self.layout.sessions(step, on)
            if sessions is None:
                continue
            rule, why = str(decision.rule), decision.why
            if step < decision.step:
                self.shortened.setdefault(decision.step, {})[on.weekday()] = on
                rule = "shortened"
                why = f"The day does not hold step {decision.step}; this is the highest step that fits."
            told = f"{self._told(step)}{_therapy_told(self.layout, on, sessions)}"
            return WearDay(on=on, step=step, sessions=sessions, rule=rule, why=f"{why} {told}")
        self.no_room.add(on.weekday())
        why = "What else is on leaves no room for a session."
        return WearDay(on=on, step=0, sessions=(), rule="no-room", why=why)

    def _told(self, step: int) -> str:
        rung = self.layout.rungs[step - 1]
        head = f"Step {step} of {len(self.layout.rungs)}"
        if rung.all_day:
            return f"{head}: all day."
        count = {1: "one session", 2: "two sessions", 3: "three sessions"}[rung.sessions]
        return f"{head}: {count} of {duration(rung.minutes)}."

    def binding(self) -> Iterable[str]:
        """What held wear back, in a sentence each."""
        settings, rungs = self.layout.settings, self.layout.rungs
        rest = settings["rest_minutes"]
        wished = settings["sessions_a_day"]
        if rungs[0].sessions < wished and not rungs[0].all_day:
            yield (
                f"The waking day does not hold {wished} sessions of {duration(rungs[0].minutes)} "
                f"with {rest} minutes of rest between; fewer sessions are planned."
            )
        longest = max(rung.minutes for rung in rungs if rung.sessions == rungs[0].sessions)
        if longest < lengths(settings)[-1]:
            yield (
                f"The waking day does not hold {wished} sessions of {duration(lengths(settings)[-1])} "
                f"with {rest} minutes of rest between; the ladder goes over to one long session earlier."
            )
        for step, dates in sorted(self.shortened.items()):
            rung = rungs[step - 1]
            what = "the whole day" if rung.all_day else f"{rung.sessions} of {duration(rung.minutes)}"
            yield (
                f"On {weekdays_in_words(dates)} the day does not hold step {step} ({what}) around "
                f"{self._busy_told(set(dates))}; the highest step that fits stands instead."
                f"{self._would_fit_told(step, next(iter(dates.values())))}"
            )
        if self.no_room:
            yield (
                f"On {weekdays_in_words(self.no_room)} nothing fits around {self._busy_told(self.no_room)}; "
                "there is no wear on these days."
            )
        if not self.reached:
            yield (
                f"The schedule ends before the whole day was worn for {settings['all_day_days']} days; "
                f"its highest step is {self.highest} of {len(rungs)}. "
                "See the clinic about what stands in the way."
            )

    def _would_fit_told(self, step: int, on: dt.date) -> str:
        """What would have to give way, found by letting one thing give way at a time."""
        layout, least = self.layout, self.layout.settings["redness_minutes"]
        ways = []
        if layout.would_fit(step, on, busy=False):
            ways.append("the prosthesis could be put on or taken off in those hours")
        if least < layout.settings["rest_minutes"] and layout.would_fit(step, on, rest=least):
            ways.append(f"a rest of {least} minutes were enough")
        return f" It would fit if {', or if '.join(ways)}." if ways else ""

    def _busy_told(self, weekdays: set[int]) -> str:
        names = {WEEKDAYS[day] for day in weekdays}
        told = [
            f"{busy.what} {busy.starts:%H:%M} to {busy.ends:%H:%M}"
            for busy in self.layout.busy
            if names & set(busy.days)
        ]
        return ", ".join(dict.fromkeys(told)) or "the waking day"


def _therapy_told(layout: Layout, on: dt.date, sessions: tuple[Session, ...]) -> str:
    therapy = layout.frame(on).therapy
    if not therapy:
        return ""
    clock = layout.clock(on)
    worn = [Span(at, at + s.minutes) for s in sessions for at in (clock.minute(s.start),)]
    told = []
    for stretch in therapy:
        hours = f"therapy {clock.time(stretch.start):%H:%M} to {clock.time(stretch.end):%H:%M}"
        covered = sum(stretch.overlap(span) for span in worn)
        if covered == stretch.minutes:
            told.append(f"Worn for {hours}.")
        elif covered:
            told.append(f"Worn for {covered} minutes of {hours}.")
        else:
            told.append(f"Not worn for {hours}.")
    return "".join(f" {sentence}" for sentence in told)
