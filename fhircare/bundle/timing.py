"""What a FHIR Timing means on the calendar.

R4 leaves the expansion to the reader; these are the readings this house takes, with what the standard says:

- ``event`` without ``repeat`` is those moments. With both, the events are the moments ("understood as an
  interpretation of the information in the repeat structure"); a difference is remarked on.
- The start is boundsPeriod.start, else the start told by the context. Without either nothing is placed.
- boundsPeriod.end is included, at its own precision (R4 Period). boundsDuration counts from the start,
  included.
- Days and weeks step by days, months and years by the calendar; hours and less need a start with a time.
- ``dayOfWeek`` filters days. ``timeOfDay``, else ``when``, else ``frequency`` are the slots of a day; unnamed
  slots get no time. C, AC and PC are three meals. ``count`` stops it.
- Ranges (frequencyMax, periodMax, durationMax) are scheduled at their lower bound.
- "3 per 1 wk" without days is no calendar: it is not placed. No day is ever picked.
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from fhircare.plan import WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.bundle.located import Node

LIMIT = 4000
"""No expansion is longer: ten years of one slot a day."""

_MEALS = {"C", "AC", "PC"}
_MINUTES = {
    "s": Decimal(1) / 60,
    "min": Decimal(1),
    "h": Decimal(60),
    "d": Decimal(1440),
    "wk": Decimal(10080),
}
# R4, ValueSet timing-abbreviation: (frequency, period, unit, when).
CODES: dict[str, tuple[int, int, str, tuple[str, ...]]] = {
    "QD": (1, 1, "d", ()),
    "BID": (2, 1, "d", ()),
    "TID": (3, 1, "d", ()),
    "QID": (4, 1, "d", ()),
    "QOD": (1, 2, "d", ()),
    "AM": (1, 1, "d", ("MORN",)),
    "PM": (1, 1, "d", ("AFT",)),
    "BED": (1, 1, "d", ("HS",)),
    "WK": (1, 1, "wk", ()),
    "MO": (1, 1, "mo", ()),
    "Q1H": (1, 1, "h", ()),
    "Q2H": (1, 2, "h", ()),
    "Q3H": (1, 3, "h", ()),
    "Q4H": (1, 4, "h", ()),
    "Q6H": (1, 6, "h", ()),
    "Q8H": (1, 8, "h", ()),
}
"""Timing.code and what it says by itself."""


@dataclass(frozen=True)
class Occurrence:
    """One time that something is to happen.

    Attributes:
        on: The day, None when the timing tells none.
        at: The clock time, with an offset when the timing gave one; None when the timing names none.
        moment: The event-timing code it is tied to, such as MORN, or "".
    """

    on: dt.date | None
    at: dt.time | None = None
    moment: str = ""


@dataclass(frozen=True)
class Expansion:
    """What a timing comes to.

    Attributes:
        occurrences: In order; empty when nothing can be placed.
        remarks: What a reader should know: contradictions, and why nothing was placed.
        endless: True when the timing itself has no end; the occurrences then stop at the horizon.
    """

    occurrences: tuple[Occurrence, ...] = ()
    remarks: tuple[str, ...] = ()
    endless: bool = False

    @property
    def dates(self) -> tuple[dt.date, ...]:
        """Every day on which something happens, once each."""
        return tuple(dict.fromkeys(one.on for one in self.occurrences if one.on))


@dataclass(frozen=True)
class _Rule:
    """``repeat``, read."""

    frequency: int
    period: Decimal
    unit: str
    days: tuple[str, ...]
    times: tuple[dt.time, ...]
    when: tuple[str, ...]
    count: int | None


def expand(timing: Node, *, start: dt.date | None = None, horizon: dt.date | None = None) -> Expansion:
    """Return what a Timing comes to.

    Args:
        timing: The Timing.
        start: First day told by the context (ServiceRequest.authoredOn, CarePlan.period.start).
        horizon: Last day of interest, for timings without an end of their own.
    """
    events = tuple(_event(node) for node in _strings(timing, "event"))
    repeat = timing.get("repeat")
    if events:
        days = _expand(timing, start, horizon).dates if repeat else ()
        told = tuple(dict.fromkeys(one.on for one in events if one.on))
        remarks = ("event and repeat do not agree; the events were taken",) if days and days != told else ()
        return Expansion(events, remarks)
    return _expand(timing, start, horizon)


def minutes(repeat: Node) -> int | None:
    """Return ``duration`` in whole minutes, None when it is absent or in a unit of no fixed length."""
    value = repeat.decimal("duration").value
    factor = _MINUTES.get(repeat.get("durationUnit").string())
    return None if value is None or factor is None else int(value * factor)


def bounds(repeat: Node, start: dt.date | None = None) -> tuple[dt.date | None, dt.date | None]:
    """Return the first and the last day of a Timing.repeat, both included, as far as it tells."""
    span = repeat.get("boundsPeriod")
    first = span.date("start").value or start
    last = _last_day(span.get("end").string())
    for name, value in (
        ("boundsDuration", repeat.get("boundsDuration")),
        ("boundsRange", repeat.get("boundsRange").get("low")),
    ):
        length = value.decimal("value").value if repeat.get(name) else None
        unit = value.get("code").string()
        if length is not None and first is not None:
            last = (
                _step(first, length, unit) - dt.timedelta(days=1) if unit in {"d", "wk", "mo", "a"} else last
            )
    return first, last


def _expand(timing: Node, start: dt.date | None, horizon: dt.date | None) -> Expansion:
    repeat = timing.get("repeat")
    rule = _rule(timing)
    if rule is None:
        return Expansion((), ("says no more than its text",))
    first, last = bounds(repeat, start)
    if first is None:
        if rule.count and not rule.period:
            return Expansion(tuple(Occurrence(None) for _ in range(min(rule.count, LIMIT))))
        return Expansion((), ("has no first day",))
    endless = last is None and rule.count is None
    end = min(day for day in (last, horizon, dt.date.max) if day)
    remarks = []
    slots = len(rule.times) or len(rule.when)
    if slots and rule.frequency != slots and not rule.days:
        remarks.append("its frequency is not its number of times in the day")
    try:
        found = _limited(_occurrences(rule, repeat, first, end), rule.count)
    except OverflowError:
        return Expansion((), (*remarks, "runs past the end of the calendar"), endless)
    except _NotPlacedError as reason:
        return Expansion((), (*remarks, str(reason)), endless)
    return Expansion(found, tuple(remarks), endless)


class _NotPlacedError(Exception):
    """The timing is no calendar; says why."""


def _rule(timing: Node) -> _Rule | None:
    repeat = timing.get("repeat")
    told = {"frequency", "period", "dayOfWeek", "timeOfDay", "when", "count"}
    if isinstance(repeat.value, dict) and told & repeat.value.keys():
        return _Rule(
            frequency=repeat.integer("frequency").value or 1,
            period=repeat.decimal("period").value or Decimal(0),
            unit=repeat.get("periodUnit").string(),
            days=repeat.texts("dayOfWeek").value,
            times=tuple(t for t in (_clock(one) for one in _strings(repeat, "timeOfDay")) if t),
            when=repeat.texts("when").value,
            count=repeat.integer("count").value,
        )
    code = next((c.get("code").string() for c in timing.get("code").items("coding")), "")
    if code not in CODES:
        return None
    frequency, period, unit, when = CODES[code]
    return _Rule(frequency, Decimal(period), unit, (), (), when, None)


def _occurrences(rule: _Rule, repeat: Node, first: dt.date, end: dt.date) -> Iterator[Occurrence]:
    if rule.unit in {"h", "min", "s"}:
        yield from _by_the_clock(rule, repeat, end)
        return
    slots = _slots(rule)
    for day in _days(rule, first, end):
        for at, moment in slots:
            yield Occurrence(day, at, moment)


def _slots(rule: _Rule) -> list[tuple[dt.time | None, str]]:
    if rule.times:
        return [(at, "") for at in rule.times]
    if rule.when:
        return [(None, code) for code in rule.when for _ in range(3 if code in _MEALS else 1)]
    return [(None, "")] * max(1, min(rule.frequency, 24) if rule.unit == "d" else 1)


def _days(rule: _Rule, first: dt.date, end: dt.date) -> Iterator[dt.date]:
    unit = rule.unit or "d"
    period = rule.period or Decimal(1)
    if unit not in {"d", "wk", "mo", "a"} or period <= 0:
        raise _NotPlacedError("has a period in an unknown unit")
    daily = unit == "d" and period == 1
    if rule.days:
        if not daily and unit != "wk":
            raise _NotPlacedError("has both a period and days of the week, which say different things")
        yield from _on_weekdays(rule.days, first, end, int(period) if unit == "wk" else 1)
        return
    named = len(rule.times) or len(rule.when)
    if rule.frequency > 1 and not named and not daily:
        raise _NotPlacedError("says how often in a period, not on which days")
    if rule.unit == "" and not (rule.times or rule.when):
        yield first
        return
    for turn in range(LIMIT):
        day = _step(first, period * turn, unit)
        if day > end:
            return
        yield day


def _on_weekdays(days: tuple[str, ...], first: dt.date, end: dt.date, weeks: int) -> Iterator[dt.date]:
    monday = first - dt.timedelta(days=first.weekday())
    for turn in range(LIMIT * 7):
        day = first + dt.timedelta(days=turn)
        if day > end:
            return
        if WEEKDAYS[day.weekday()] in days and (day - monday).days // 7 % max(weeks, 1) == 0:
            yield day


def _by_the_clock(rule: _Rule, repeat: Node, end: dt.date) -> Iterator[Occurrence]:
    told = repeat.get("boundsPeriod").get("start").string()
    step = dt.timedelta(minutes=float(_MINUTES[rule.unit] * rule.period / max(rule.frequency, 1)))
    if "T" not in told or step <= dt.timedelta(0):
        raise _NotPlacedError("steps by hours or less, and its start has no time")
    try:
        moment = dt.datetime.fromisoformat(told)
    except ValueError:
        raise _NotPlacedError("has a start that is no date and time") from None
    while moment.date() <= end:
        yield Occurrence(moment.date(), moment.timetz())
        moment += step


def _limited(found: Iterator[Occurrence], count: int | None) -> tuple[Occurrence, ...]:
    most = LIMIT if count is None else max(0, min(count, LIMIT))
    return tuple(one for one, _ in zip(found, range(most), strict=False)) if most else ()


def _step(day: dt.date, length: Decimal, unit: str) -> dt.date:
    try:
        if unit in {"d", "wk"}:
            return day + dt.timedelta(days=int(length * (7 if unit == "wk" else 1)))
        months = day.month - 1 + int(length * (12 if unit == "a" else 1))
        year, month = day.year + months // 12, months % 12 + 1
        return dt.date(year, month, min(day.day, calendar.monthrange(year, month)[1]))
    except (OverflowError, ValueError):
        return dt.date.max


def _last_day(text: str) -> dt.date | None:
    """Return the last day of a date at its own precision: 2012-01 is the whole month."""
    try:
        if len(text) == 4:
            return dt.date(int(text), 12, 31)
        if len(text) == 7:
            year, month = int(text[:4]), int(text[5:])
            return dt.date(year, month, calendar.monthrange(year, month)[1])
        return dt.date.fromisoformat(text[:10]) if text else None
    except ValueError:
        return None


def _event(text: str) -> Occurrence:
    try:
        if "T" in text:
            moment = dt.datetime.fromisoformat(text)
            return Occurrence(moment.date(), moment.timetz())
        return Occurrence(dt.date.fromisoformat(text))
    except ValueError:
        return Occurrence(None)


def _clock(text: str) -> dt.time | None:
    try:
        return dt.time.fromisoformat(text)
    except ValueError:
        return None


def _strings(node: Node, name: str) -> tuple[str, ...]:
    return node.texts(name).value
