"""The wearing schedule as a reader sees it: days, sessions, today, this week, the fridge sheet's weeks."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fhircare.render.said import Said, Sentence, Value
from fhircare.render.view.people import weekday_names

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.plan import Plan, Session, WearDay, WearSchedule
    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words

FRIDGE_WEEKS, FRIDGE_WEEKS_LARGE = 5, 4
"""Weeks that the fridge sheet holds on one page; later days stand in the day table only. In large print the
sentence that says so takes the room of one week more."""


LOG_SHEETS = 4
"""Sheets of the log that are printed with their dates, a week each; who needs more copies one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionView:
    """One session. ``minutes`` is the bare number, for the picture; the rest is worded."""

    number: int
    start: Value
    end: Value
    length: Value
    short: Value
    all_day: bool
    minutes: int
    sitting: Value
    standing: Value
    walking: Value


@dataclass(frozen=True, slots=True, kw_only=True)
class DayView:
    """One day of the schedule.

    ``sessions`` is empty on a day without wear. ``as_before`` is True when each session is as long as on the
    day before, and split alike.
    """

    number: int
    on: dt.date
    date: Value
    short: Value
    weekday: Value
    month_day: Value
    sessions: tuple[SessionView, ...]
    total: Value
    brief: Said
    source: str
    as_before: bool = False

    @property
    def minutes(self) -> int:
        """Minutes of wear in the day."""
        return sum(session.minutes for session in self.sessions)

    @property
    def all_day(self) -> bool:
        """True when the day is worn from morning to night."""
        return any(session.all_day for session in self.sessions)


@dataclass(frozen=True, slots=True, kw_only=True)
class WearView:
    """The schedule.

    Attributes:
        days: Every day, in order.
        listed: The days that the person has before them: all of a first plan, of a revised one those from the
            day it was written for.
        sheets: ``listed`` by sevens, for the sheets of the log; None where a sheet has room left. None at all
            while wear is stopped.
        columns: Numbers of the sessions of the fullest day, from 1.
        pace: The pace in words.
        lead: From how much to how much wear is built up.
        rest: Least rest between sessions, in a sentence; None when no day has two sessions or no rest is
            asked.
        redness: Minutes in which redness must have gone.
        kept_free: Times the person is busy and days without wear, a sentence each.
        today: The day that counts as today, when it is in the schedule.
        today_note: What is said instead, before the first day and after the last.
        week: The days of the seven from today on; none while wear is stopped.
        weeks: The days in weeks as the reader's country counts them, None where the schedule has no day.
        more: The sentence that the schedule goes on after ``weeks``, or None.
    """

    days: tuple[DayView, ...]
    listed: tuple[DayView, ...]
    sheets: tuple[tuple[DayView | None, ...], ...]
    columns: tuple[int, ...]
    pace: Sentence
    lead: Sentence
    rest: Sentence | None
    redness: Value
    kept_free: tuple[Sentence, ...]
    today: DayView | None
    today_of: Sentence | None
    today_note: Sentence | None
    week: tuple[DayView, ...]
    week_days: tuple[Value, ...]
    weeks: tuple[tuple[DayView | None, ...], ...]
    more: Sentence | None


def wear_view(reading: Readable, words: Words, on: dt.date | None, *, large: bool = False) -> WearView | None:
    """Word the schedule; None when the plan has none.

    Args:
        reading: The plan and where it came from.
        words: The reader's words.
        on: The day that counts as today; None for the day the plan was written for (``today_of_plan``).
        large: True when the page is in large print: the fridge sheet then holds less.
    """
    wear = reading.plan.wear
    if wear is None:
        return None
    days = tuple(_day(day, index, reading, words) for index, day in enumerate(wear.days))
    first = today_of_plan(reading.plan)
    on = on or first
    listed = tuple(day for day in days if day.on >= first) if reading.plan.revision > 1 else days
    stopped = reading.plan.stopped_since is not None
    today = next((day for day in days if day.on == on and not stopped), None)
    start = min(max(on, days[0].on), days[-1].on)
    week = tuple(day for day in days if 0 <= (day.on - start).days < 7 and not stopped)
    weeks, more = _weeks(listed, words, large=large)
    worn = [day for day in days if day.sessions] or list(days)
    rest = None
    if wear.rest_minutes and any(len(day.sessions) > 1 for day in days):
        rest = words.say(
            "glance.rest-between", rest=words.length(wear.rest_minutes, reading.source("wear.rest_minutes"))
        )
    lead = "wear.lead.same" if worn[0].minutes == worn[-1].minutes else "wear.lead"
    return WearView(
        days=days,
        listed=listed,
        sheets=() if stopped else _sheets(listed),
        columns=tuple(range(1, max(len(day.sessions) for day in days) + 1)),
        pace=words.say(f"wear.pace.{wear.pace}"),
        lead=words.say(lead, first=worn[0].total, last=worn[-1].total),
        rest=rest,
        redness=words.length(wear.redness_minutes, reading.source("wear.redness_minutes")),
        kept_free=tuple(kept_free(wear, reading, words)),
        today=today,
        today_of=words.say("glance.day-of", n=words.number(today.number), total=words.number(len(days)))
        if today is not None
        else None,
        today_note=words.say("glance.stopped") if stopped else _note(days, on, words),
        week=week,
        week_days=_week_days(days, words),
        weeks=weeks,
        more=more,
    )


def today_of_plan(plan: Plan) -> dt.date:
    """The day a plan was written for: the first of its schedule, or when it was revised or stopped."""
    if plan.wear is None:
        return dt.date.min
    first, last = plan.wear.days[0].on, plan.wear.days[-1].on
    if plan.revision <= 1:
        return first
    written = plan.written_at.date() if plan.written_at is not None else first
    return min(max(first, plan.stopped_since or written), last)


def kept_free(wear: WearSchedule, reading: Readable, words: Words) -> Iterable[Sentence]:
    """Times the person is busy and days without wear, a sentence each."""
    for index, busy in enumerate(wear.busy):
        place = f"wear.busy[{index}]"
        yield words.say(
            "wear.busy.therapy" if busy.what == "therapy" else "wear.busy",
            days=weekday_names(busy.days, words, reading.source(f"{place}.days[0]")),
            starts=words.time(busy.starts, reading.source(f"{place}.starts")),
            ends=words.time(busy.ends, reading.source(f"{place}.ends")),
        )
    for index, off in enumerate(wear.days_without_wear):
        place = f"wear.days_without_wear[{index}]"
        first = words.date(off.first, reading.source(f"{place}.first"))
        if off.first == off.last:
            yield words.say("wear.off-day", first=first)
        else:
            yield words.say(
                "wear.off-days", first=first, last=words.date(off.last, reading.source(f"{place}.last"))
            )


def _day(day: WearDay, index: int, reading: Readable, words: Words) -> DayView:
    place = f"wear.days[{index}]"
    source = reading.source(f"{place}.on")
    sessions = tuple(
        _session(session, number, f"{place}.sessions[{number}]", reading, words)
        for number, session in enumerate(day.sessions)
    )
    minutes_source = reading.source(f"{place}.sessions[0].minutes") if sessions else source
    return DayView(
        number=index + 1,
        on=day.on,
        date=words.date(day.on, source),
        short=words.date(day.on, source, style="short"),
        weekday=words.date(day.on, source, style="weekday"),
        month_day=words.date(day.on, source, style="month"),
        sessions=sessions,
        total=words.length(day.minutes, minutes_source),
        brief=_brief(sessions, words),
        source=source,
        as_before=index > 0 and _split(day) == _split(reading.plan.wear.days[index - 1]),  # type: ignore[union-attr]
    )


def _split(day: WearDay) -> list[tuple[int, int, int, int]]:
    return [(one.minutes, one.sitting, one.standing, one.walking) for one in day.sessions]


def _sheets(days: tuple[DayView, ...]) -> tuple[tuple[DayView | None, ...], ...]:
    """The days by sevens, the last seven filled up."""
    starts = range(0, len(days), 7)[:LOG_SHEETS]
    return tuple((*days[at : at + 7], *(None,) * (7 - len(days[at : at + 7]))) for at in starts)


def _session(session: Session, index: int, place: str, reading: Readable, words: Words) -> SessionView:
    source = reading.source
    end = (dt.datetime.combine(dt.date.min, session.start) + dt.timedelta(minutes=session.minutes)).time()
    length = source(f"{place}.minutes")
    return SessionView(
        number=index + 1,
        start=words.time(session.start, source(f"{place}.start")),
        end=words.time(end, length),
        length=words.length(session.minutes, length),
        short=words.length(session.minutes, length, width="short"),
        all_day=session.all_day,
        minutes=session.minutes,
        sitting=words.length(session.sitting, source(f"{place}.sitting"), width="short"),
        standing=words.length(session.standing, source(f"{place}.standing"), width="short"),
        walking=words.length(session.walking, source(f"{place}.walking"), width="short"),
    )


def _brief(sessions: tuple[SessionView, ...], words: Words) -> Said:
    """A day in as few words as fit a calendar square."""
    if not sessions:
        return words.say("fridge.off")
    if any(session.all_day for session in sessions):
        return words.say("ramp.all-day")
    lengths = {session.minutes for session in sessions}
    if len(lengths) == 1 and len(sessions) > 1:
        return words.say("fridge.cell", n=words.number(len(sessions)), length=sessions[0].short)
    names = {f"v{session.number}": session.short for session in sessions}
    return Sentence("", " + ".join(f"{{{name}}}" for name in names), names)


def _note(days: tuple[DayView, ...], on: dt.date, words: Words) -> Sentence | None:
    if on < days[0].on:
        return words.say("glance.before", day=days[0].date)
    if on > days[-1].on:
        return words.say("glance.after", day=days[-1].date)
    return None


def _monday_to(day: dt.date, first: int) -> dt.date:
    """The first day of a day's week, where weeks start on weekday ``first`` (0 is Monday)."""
    return day - dt.timedelta(days=(day.weekday() - first) % 7)


def _week_days(days: tuple[DayView, ...], words: Words) -> tuple[Value, ...]:
    start = _monday_to(days[0].on, words.locale.first_week_day)
    return tuple(words.date(start + dt.timedelta(days=number), style="weekday") for number in range(7))


def _weeks(
    days: tuple[DayView, ...], words: Words, *, large: bool
) -> tuple[tuple[tuple[DayView | None, ...], ...], Sentence | None]:
    by_date = {day.on: day for day in days}
    start = _monday_to(days[0].on, words.locale.first_week_day)
    count = (days[-1].on - start).days // 7 + 1
    room = FRIDGE_WEEKS_LARGE if large else FRIDGE_WEEKS
    shown = count if count <= room else room - large
    starts = [start + dt.timedelta(weeks=number) for number in range(shown)]
    weeks = tuple(tuple(by_date.get(day) for day in _seven(first)) for first in starts)
    return weeks, words.say("fridge.more", day=days[-1].date) if shown < count else None


def _seven(start: dt.date) -> Iterable[dt.date]:
    return (start + dt.timedelta(days=number) for number in range(7))
