"""The wear ramp as a picture: where its bars, lines and labels go. The template draws them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fhircare.render.said import Said, Sentence, Value
from fhircare.render.view.wear import DayView, WearView
from fhircare.render.words import Words

WIDTH, HEIGHT = 640, 250
"""Size of the picture in its own units; it scales to the page."""
LEFT, RIGHT, TOP, BOTTOM = 34, 6, 24, 214
"""The plot: from the left edge, from the right edge, its top and its base line."""


@dataclass(frozen=True, slots=True)
class Part:
    """One session in a bar: ``number`` is the session's, from 1."""

    number: int
    y: float
    height: float


@dataclass(frozen=True, slots=True)
class Bar:
    """One day."""

    x: float
    middle: float
    width: float
    parts: tuple[Part, ...]
    top: float
    label: Said | None
    day: Value | None
    off: bool
    source: str


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the hour scale."""

    y: float
    hours: Value


@dataclass(frozen=True, slots=True, kw_only=True)
class RampView:
    """The picture: bars for the days, lines for the hours, and the description for those who cannot see it."""

    bars: tuple[Bar, ...]
    lines: tuple[Line, ...]
    sessions: tuple[int, ...]
    describe: Sentence
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    base: int = BOTTOM


def ramp_view(wear: WearView, words: Words) -> RampView:
    """Lay out the picture of a schedule."""
    hours = max(2, math.ceil(max(day.minutes for day in wear.days) / 60))
    step = next(step for step in (1, 2, 3, 4, 6) if hours <= step * 6)
    top_hours = math.ceil(hours / step) * step
    scale = (BOTTOM - TOP) / (top_hours * 60)
    room = (WIDTH - LEFT - RIGHT) / len(wear.days)
    every = next(every for every in (1, 2, 5, 7, 14, 28, len(wear.days)) if room * every >= 20)
    bars = tuple(_bar(day, room, scale, every, words) for day in wear.days)
    lines = tuple(
        Line(round(BOTTOM - hour * 60 * scale, 1), words.number(hour)) for hour in range(0, top_hours + 1, step)
    )
    worn = [day for day in wear.days if day.sessions] or list(wear.days)
    describe = words.say(
        "ramp.describe",
        n=words.number(len(wear.days)),
        first=worn[0].total, start=worn[0].date, last=worn[-1].total, end=worn[-1].date,
    )  # fmt: skip
    return RampView(bars=bars, lines=lines, sessions=wear.columns, describe=describe)


def _bar(day: DayView, room: float, scale: float, every: int, words: Words) -> Bar:
    x = LEFT + (day.number - 1) * room
    y = float(BOTTOM)
    parts = []
    for session in day.sessions:
        height = session.minutes * scale
        y -= height
        parts.append(Part(session.number, round(y, 1), round(height, 1)))
    label: Said | None = None
    if day.sessions and room >= 34:
        label = words.length(day.minutes, width="short")
    return Bar(
        x=round(x + room * 0.14, 1),
        middle=round(x + room / 2, 1),
        width=round(room * 0.72, 1),
        parts=tuple(parts),
        top=round(y, 1),
        label=label,
        day=words.number(day.number) if (day.number - 1) % every == 0 else None,
        off=not day.sessions,
        source=day.source,
    )
