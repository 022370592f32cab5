"""Where a day's wear sessions go: within the waking day, around what else is on, with a rest in between.

Everything is reckoned in minutes of real time since the day began at midnight, so that a day of 23 or 25
hours is what it is; clock times are made at the end. Sessions start on the quarter hour.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fhircare.plan import WEEKDAYS
from fhircare.planner.rules import rules

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from zoneinfo import ZoneInfo

    from fhircare.plan import Busy

QUARTER: Final = 15
_DAY: Final = 24 * 60


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the day, in minutes since it began; the end is not included."""

    start: int
    end: int

    @property
    def minutes(self) -> int:
        """How long it is."""
        return self.end - self.start

    def overlap(self, other: Span) -> int:
        """Return the minutes it shares with another."""
        return max(0, min(self.end, other.end) - max(self.start, other.start))


@dataclass(frozen=True, slots=True)
class DayFrame:
    """What a day leaves for wear.

    Attributes:
        window: From the first minute in which the prosthesis may be put on to the last in which it is off.
        busy: Stretches in which it cannot be put on or taken off.
        therapy: Stretches for which it is worn, if the day's minutes allow.
    """

    window: Span
    busy: tuple[Span, ...] = ()
    therapy: tuple[Span, ...] = ()

    def whole(self) -> tuple[Span, ...] | None:
        """Return the whole window in one stretch, None when nothing is left of it.

        A busy stretch at either end, in which it could not be put on or taken off, is left out.
        """
        start, end = self.window.start, self.window.end
        for stretch in sorted(self.busy, key=lambda s: s.start):
            if stretch.start < start < stretch.end:
                start = stretch.end
        for stretch in sorted(self.busy, key=lambda s: -s.end):
            if stretch.start < end < stretch.end:
                end = stretch.start
        return (Span(start, end),) if start < end else None


class Clock:
    """Turns clock times of one date into minutes since it began, and back, by the rules of its zone."""

    def __init__(self, on: dt.date, zone: ZoneInfo) -> None:
        self._midnight = dt.datetime.combine(on, dt.time(), zone)
        following = dt.datetime.combine(on + dt.timedelta(days=1), dt.time(), zone)
        # Most days are 24 hours long, and on them a clock time simply is its minute.
        self.plain: bool = self._midnight.utcoffset() == following.utcoffset()
        self._zone, self._on = zone, on

    def minute(self, time: dt.time) -> int:
        """Return the minute of a clock time; one that the clock skips counts as when it moves on."""
        if self.plain:
            return time.hour * 60 + time.minute
        moment = dt.datetime.combine(self._on, time.replace(second=0, microsecond=0), self._zone)
        return int((moment.astimezone(dt.UTC) - self._midnight.astimezone(dt.UTC)).total_seconds()) // 60

    def time(self, minute: int) -> dt.time:
        """Return the clock time of a minute; the inverse of ``minute``."""
        if self.plain:
            return dt.time(minute // 60, minute % 60)
        moment = self._midnight.astimezone(dt.UTC) + dt.timedelta(minutes=minute)
        return moment.astimezone(self._zone).time().replace(tzinfo=None, fold=0)

    def unmistakable(self, minute: int) -> bool:
        """Return whether the minute's clock time comes only once that day."""
        return self.plain or self.minute(self.time(minute)) == minute


def frame(
    on: dt.date,
    waking: tuple[dt.time, dt.time],
    busy: Sequence[Busy],
    clock: Clock,
    *,
    after_waking: int,
    before_sleep: int,
) -> DayFrame:
    """Return what a date leaves for wear.

    Args:
        on: The date.
        waking: When the person gets up and goes to bed.
        busy: What else is on, on which days of the week.
        clock: The date's clock.
        after_waking: Minutes after waking before the prosthesis goes on.
        before_sleep: Minutes before sleep in which it is off.
    """
    weekday = WEEKDAYS[on.weekday()]
    today = [stretch for stretch in busy if weekday in stretch.days]
    return DayFrame(
        window=Span(clock.minute(waking[0]) + after_waking, clock.minute(waking[1]) - before_sleep),
        busy=_spans((b for b in today if b.what != "therapy"), clock),
        therapy=_spans((b for b in today if b.what == "therapy"), clock),
    )


def _spans(busy: Iterable[Busy], clock: Clock) -> tuple[Span, ...]:
    return tuple(Span(clock.minute(b.starts), clock.minute(b.ends)) for b in busy)


def place(
    day: DayFrame, sessions: int, minutes: int, *, rest: int, through: int, clock: Clock
) -> tuple[Span, ...] | None:
    """Return where ``sessions`` of ``minutes`` go, or None when the day does not hold them.

    A session never starts or ends inside a busy stretch. It runs through a whole one only when the stretch is
    at most ``through`` minutes long: as long as the person has worn it in one go before. Among what is left,
    sessions cover therapy first, keep clear of busy stretches next, and then lie near their best starts.

    Args:
        day: What the day leaves.
        sessions: How many.
        minutes: How long each is.
        rest: Least minutes between the end of one and the start of the next.
        through: Longest busy stretch that a session may run through.
        clock: The day's clock.
    """
    starts = _starts(day, minutes, through, clock)
    own = [_own_cost(day, Span(start, start + minutes)) for start in starts]
    costs = [
        [abs(start - wanted) + cost for start, cost in zip(starts, own, strict=True)]
        for wanted in (clock.minute(time) for time in rules().best_starts[sessions])
    ]
    return _cheapest(starts, costs, minutes, rest)


def _starts(day: DayFrame, minutes: int, through: int, clock: Clock) -> list[int]:
    first = -(-day.window.start // QUARTER) * QUARTER
    regular = range(first, day.window.end - minutes + 1, QUARTER)
    # The window's own edge counts too: the whole waking day need not begin on the quarter hour.
    edges = [day.window.start] if day.window.start + minutes <= day.window.end else []
    return [
        start
        for start in sorted({*regular, *edges})
        if _allowed(day.busy, start, start + minutes, through) and clock.unmistakable(start)
    ]


def _allowed(busy: Sequence[Span], start: int, end: int, through: int) -> bool:
    for stretch in busy:
        if end <= stretch.start or start >= stretch.end:
            continue
        runs_through = start <= stretch.start and end >= stretch.end
        if not runs_through or stretch.minutes > through:
            return False
    return True


def _own_cost(day: DayFrame, session: Span) -> int:
    """What speaks for or against a session wherever it would best start: therapy for, busy hours against."""
    covered = sum(session.overlap(stretch) for stretch in day.therapy) if day.therapy else 0
    crossed = any(session.overlap(stretch) for stretch in day.busy) if day.busy else False
    return 10 * _DAY * crossed - 100 * _DAY * covered


def _cheapest(starts: list[int], costs: list[list[int]], minutes: int, rest: int) -> tuple[Span, ...] | None:
    """Choose one start per session, in order and far enough apart, with the least cost together.

    For each session in turn the best way to reach every start is kept: (cost, starts so far). Exact, because
    what follows depends only on where the last session starts.
    """
    ways: list[tuple[int, tuple[int, ...]] | None] = [
        (cost, (start,)) for cost, start in zip(costs[0], starts, strict=True)
    ]
    for row in costs[1:]:
        onward: list[tuple[int, tuple[int, ...]] | None] = []
        best: tuple[int, tuple[int, ...]] | None = None
        reach = 0
        for start, cost in zip(starts, row, strict=True):
            while reach < len(starts) and starts[reach] + minutes + rest <= start:
                way = ways[reach]
                if way is not None and (best is None or way < best):
                    best = way
                reach += 1
            onward.append(None if best is None else (best[0] + cost, (*best[1], start)))
        ways = onward
    found = min((way for way in ways if way is not None), default=None)
    return None if found is None else tuple(Span(start, start + minutes) for start in found[1])
