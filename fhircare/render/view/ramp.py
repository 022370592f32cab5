"""The wear ramp as a picture: where its bars, lines and labels go. The template draws them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fhircare.render.said import Said, Sentence, Value
    from fhircare.render.view.wear import DayView, WearView
    from fhircare.render.words import Words

WIDTH, HEIGHT, HEIGHT_LARGE = 640, 250, 300
"""Size of the picture in its own units; it scales to the page."""
RIGHT = 6
"""Room at the right edge."""
FONT, FONT_LARGE = 15, 23
"""Size of the letters: 12 and 18 points when the picture is as wide as the text of a printed page."""


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
    """The picture: bars for the days, lines for the hours, and words for those who cannot see it."""

    bars: tuple[Bar, ...]
    lines: tuple[Line, ...]
    sessions: tuple[int, ...]
    describe: Sentence
    font: int
    left: int
    base: int
    height: int
    width: int = WIDTH


def ramp_view(wear: WearView, words: Words, *, large: bool = False) -> RampView:
    """Lay out the picture of a schedule.

    Args:
        wear: The schedule.
        words: The reader's words.
        large: True for large print: larger letters, fewer of them.
    """
    font = FONT_LARGE if large else FONT
    height = HEIGHT_LARGE if large else HEIGHT
    left, base, top = round(font * 2.3), height - round(font * 2.7), round(font * 2.2)  # the word, then 15
    hours = max(2, math.ceil(max(day.minutes for day in wear.days) / 60))
    step = next(step for step in (1, 2, 3, 4, 6) if hours <= step * 6)
    top_hours = math.ceil(hours / step) * step
    scale = (base - top) / (top_hours * 60)
    room = (WIDTH - left - RIGHT) / len(wear.days)
    every = next(every for every in (1, 2, 5, 7, 14, 28, len(wear.days)) if room * every >= font * 1.4)
    place = _Place(left, base, room, scale, every, labels=room >= font * 3)
    bars = tuple(_bar(day, place, words) for day in wear.days)
    lines = tuple(
        Line(round(base - hour * 60 * scale, 1), words.number(hour)) for hour in range(0, top_hours + 1, step)
    )
    worn = [day for day in wear.days if day.sessions] or list(wear.days)
    describe = words.say(
        "ramp.describe",
        n=words.number(len(wear.days)),
        first=worn[0].total, start=worn[0].date, last=worn[-1].total, end=worn[-1].date,
    )  # fmt: skip
    return RampView(
        bars=bars, lines=lines, sessions=wear.columns, describe=describe,
        font=font, left=left, base=base, height=height,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Place:
    """Where bars go: left edge, base line, room for a day, height of a minute, which days are named."""

    left: int
    base: int
    room: float
    scale: float
    every: int
    labels: bool


def _bar(day: DayView, place: _Place, words: Words) -> Bar:
    x = place.left + (day.number - 1) * place.room
    y = float(place.base)
    parts = []
    for session in day.sessions:
        height = session.minutes * place.scale
        y -= height
        parts.append(Part(session.number, round(y, 1), round(height, 1)))
    label: Said | None = words.length(day.minutes, width="short") if day.sessions and place.labels else None
    return Bar(
        x=round(x + place.room * 0.14, 1),
        middle=round(x + place.room / 2, 1),
        width=round(place.room * 0.72, 1),
        parts=tuple(parts),
        top=round(y, 1),
        label=label,
        day=words.number(day.number) if (day.number - 1) % place.every == 0 else None,
        off=not day.sessions,
        source=day.source,
    )
