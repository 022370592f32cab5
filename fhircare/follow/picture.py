"""The course as a picture: planned against worn hours, signs found, ply with its forecast, goals.

Told apart without color, so that it prints in black and white: planned is an outline, worn is black; a sign
is a letter over its day. The picture names no person, says itself in the reader's language, carries a title
and a description for those who hear it, and the page beside it (``progress_page``) repeats every number.
"""

from __future__ import annotations

import datetime as dt
import textwrap
from decimal import Decimal
from html import escape
from typing import TYPE_CHECKING, Final

from fhircare.follow.course import gravest
from fhircare.follow.told import sign_said

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fhircare.follow.course import Course, CourseDay
    from fhircare.follow.goals import TargetProgress
    from fhircare.planner.socks import PlyTrend
    from fhircare.render.words import Words

_LEFT, _RIGHT, _DAY, _LEAST = 60, 24, 16, 680
_WEAR_TOP, _WEAR_HIGH = 84, 200
_PLY_TOP, _PLY_HIGH = 380, 110
_LINE, _LETTER = 18, 7.6
"""Height of a line and the widest mean width of a letter at 12 pixels, with which lines are broken."""
_INK: Final = "#1c1c1c"
_OUTLINE: Final = f'fill="none" stroke="{_INK}"'
_LETTERS: Final = {"watch": "w", "stop": "S", "emergency": "E"}


def svg(course: Course, words: Words) -> str:
    """Return the course drawn as SVG; it is the same for the same course and language.

    Args:
        course: The course.
        words: The reader's words.
    """
    days = course.days
    width = max(_LEFT + _DAY * _forecast_end(course.trend, days) + _RIGHT, _LEAST)
    goals = list(_goal_lines(course, words, width))
    top = _PLY_TOP + _PLY_HIGH + 50 if _has_socks(course) else _PLY_TOP
    high = top + _LINE * (len(goals) + 3)
    title = _title(course, words)
    size = f'viewBox="0 0 {width} {high}" width="{width}" height="{high}"'
    labels = f'role="img" lang="{escape(words.tag)}" aria-labelledby="progress-title progress-desc"'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} {labels}',
        'font-family="Verdana, DejaVu Sans, sans-serif" font-size="12">',
        f'<title id="progress-title">{escape(title)}</title>',
        f'<desc id="progress-desc">{escape(described(course, words))}</desc>',
        f'<rect width="{width}" height="{high}" fill="#ffffff"/>',
        _text(_LEFT, 26, title, size=16, bold=True),
        *_legend(words),
        *_wear(course, words, width),
        *_ply(course, words, width),
        _text(_LEFT, top, str(words.say("progress.goals")), bold=True),
        *(_text(_LEFT, top + _LINE * (row + 1), line) for row, line in enumerate(goals)),
        _text(_LEFT, high - 10, str(words.say("progress.foot"))),
    ]
    return "\n".join([*lines, "</svg>", ""])


def described(course: Course, words: Words) -> str:
    """Return what the picture shows, in sentences."""
    known = [day for day in course.days if day.logged and day.logged.worn is not None]
    told = [
        words.say("progress.all.days", days=words.number(len(course.days)), known=words.number(len(known)))
    ]
    if known:
        worn = sum(day.logged.worn or 0 for day in known if day.logged)
        planned = sum(day.planned or 0 for day in known)
        told.append(words.say("progress.all.worn", worn=words.length(worn), planned=words.length(planned)))
    if level := gravest(course.days):
        told.append(words.say("progress.all.gravest", level=words.say(f"progress.level.{level}")))
    if course.trend:
        pace = words.number(Decimal(f"{course.trend.per_day:.2f}"))
        told.append(words.say("progress.all.trend", pace=pace))
        if course.trend.reached_on:
            reached = {
                "ply": words.number(course.trend.threshold),
                "day": words.date(course.trend.reached_on, style="medium"),
            }
            told.append(words.say("progress.all.reaches", **reached))
    return " ".join([*map(str, told), *(f"{_goal(course, one, words)}." for one in course.goals)])


def _title(course: Course, words: Words) -> str:
    number, revision = words.text(course.plan.number), words.number(course.plan.revision)
    return str(words.say("progress.title", number=number, revision=revision))


def _legend(words: Words) -> Iterator[str]:
    x: float = _LEFT
    for name, look in (("planned", _OUTLINE), ("worn", f'fill="{_INK}"')):
        said = str(words.say(f"progress.{name}"))
        yield f'<rect x="{round(x, 1)}" y="42" width="12" height="14" {look}/>'
        yield _text(x + 18, 54, said)
        x += 40 + _LETTER * len(said)
    marks = ("watch", "stop", "emergency", "missing")
    yield _text(x, 54, "   ".join(str(words.say(f"progress.mark.{mark}")) for mark in marks))


def _wear(course: Course, words: Words, width: int) -> Iterator[str]:
    days = course.days
    most = max(
        (max(day.planned or 0, (day.logged.worn or 0) if day.logged else 0) for day in days), default=0
    )
    top = max(most, 60)
    last = max((n for n, day in enumerate(days) if day.logged), default=-1)
    for hour in range(0, top // 60 + 1, 2 if top > 360 else 1):
        y = _y(hour * 60, top, _WEAR_TOP, _WEAR_HIGH)
        yield f'<line x1="{_LEFT}" x2="{width - _RIGHT}" y1="{y}" y2="{y}" stroke="#b8b8b8"/>'
        yield _text(_LEFT - 8, y + 4, f"{hour} h", anchor="end")
    base = _WEAR_TOP + _WEAR_HIGH
    for number, day in enumerate(days):
        x = _LEFT + number * _DAY + 2
        yield f"<g><title>{escape(_told(course, day, words))}</title>"
        worn = day.logged.worn if day.logged else None
        if worn:
            y = _y(worn, top, _WEAR_TOP, _WEAR_HIGH)
            yield f'<rect x="{x + 2}" y="{y}" width="8" height="{round(base - y, 1)}" fill="{_INK}"/>'
        if day.planned:
            y = _y(day.planned, top, _WEAR_TOP, _WEAR_HIGH)
            yield f'<rect x="{x}" y="{y}" width="12" height="{round(base - y, 1)}" {_OUTLINE}/>'
        mark = _mark(day) or ("?" if number <= last and worn is None else "")
        if mark:
            yield _text(x + 6, _WEAR_TOP - 6, mark, anchor="middle", bold=True)
        yield "</g>"
        if number % 7 == 0:
            said = escape(str(words.date(day.on, style="month")))
            yield f'<text transform="translate({x},{base + 18}) rotate(35)">{said}</text>'


def _has_socks(course: Course) -> bool:
    """Tell whether there is a ply to draw: some socks, or a log that names a ply all the same."""
    socks = course.plan.socks
    return socks is not None and (
        bool(socks.socks) or any(day.logged and day.logged.ply_morning is not None for day in course.days)
    )


def _ply(course: Course, words: Words, width: int) -> Iterator[str]:
    socks, trend, days = course.plan.socks, course.trend, course.days
    if socks is None or not days or not _has_socks(course):
        return
    noted = [
        (number, ply)
        for number, day in enumerate(days)
        if day.logged and (ply := day.logged.ply_morning) is not None
    ]
    top = max(socks.adjust_at_ply + 1, *(ply for _, ply in noted), 1)
    yield _text(_LEFT, _PLY_TOP - 14, str(words.say("progress.ply")), bold=True)
    limit = _y(socks.adjust_at_ply, top, _PLY_TOP, _PLY_HIGH)
    across = f'<line x1="{_LEFT}" x2="{width - _RIGHT}" stroke="{_INK}"'
    yield f'{across} y1="{limit}" y2="{limit}" stroke-dasharray="2 4"/>'
    yield _text(_LEFT - 8, limit + 4, f"{socks.adjust_at_ply}", anchor="end")
    base = _PLY_TOP + _PLY_HIGH
    yield f'{across} y1="{base}" y2="{base}"/>'
    yield _text(_LEFT - 8, base + 4, "0", anchor="end")
    for number, ply in noted:
        y = _y(ply, top, _PLY_TOP, _PLY_HIGH)
        yield f'<circle cx="{_x(number)}" cy="{y}" r="3.5" fill="{_INK}">'
        yield f"<title>{escape(str(words.date(days[number].on)))}: {ply}</title></circle>"
    if trend and noted and trend.reached_on and trend.per_day > 0:
        last, ply = noted[-1]
        reached = (trend.reached_on - days[0].on).days
        if reached > last:
            y1, y2 = _y(ply, top, _PLY_TOP, _PLY_HIGH), limit
            yield (
                f'<line x1="{_x(last)}" y1="{y1}" x2="{_x(min(reached, last + 60))}" y2="{y2}" '
                f'stroke="{_INK}" stroke-width="2" stroke-dasharray="7 4"/>'
            )
            on = words.date(trend.reached_on, style="medium")
            said = words.say("progress.forecast", ply=words.number(trend.threshold), day=on)
            yield _text(_LEFT, base + 18, str(said))


def _goal_lines(course: Course, words: Words, width: int) -> Iterator[str]:
    letters = int((width - _LEFT - _RIGHT) / _LETTER)
    for one in course.goals:
        first, *more = textwrap.wrap(_goal(course, one, words), letters - 3) or [""]
        yield f"\N{BULLET} {first}"
        yield from (f"\N{FIGURE SPACE}\N{FIGURE SPACE}{line}" for line in more)


def _goal(course: Course, one: TargetProgress, words: Words) -> str:
    goal = words.text(course.plan.goals[one.goal].text)
    if one.latest is None:
        return str(words.say("progress.goal.unmeasured", goal=goal))
    how = words.say(f"progress.how.{one.achievement or 'unjudged'}")
    amounts = {"latest": words.number(one.latest), "wanted": words.quantity(one.wanted, one.unit)}
    return str(words.say("progress.goal", goal=goal, how=how, **amounts))


def _forecast_end(trend: PlyTrend | None, days: Sequence[CourseDay]) -> int:
    if not trend or not trend.reached_on or not days:
        return len(days)
    reached = (trend.reached_on - days[0].on) // dt.timedelta(days=1)
    return max(len(days), min(reached + 1, len(days) + 60))


def _mark(day: CourseDay) -> str:
    return _LETTERS.get(day.logged.level or "", "") if day.logged else ""


def _told(course: Course, day: CourseDay, words: Words) -> str:
    worn = day.logged.worn if day.logged else None
    values = {"day": words.date(day.on), "planned": words.length(day.planned or 0)}
    said = (
        words.say("progress.day.missing", **values)
        if worn is None
        else words.say("progress.day", **values, worn=words.length(worn))
    )
    signs = found(course, day, words)
    return f"{said} {words.say('progress.found', signs=words.text(signs))}" if signs else str(said)


def found(course: Course, day: CourseDay, words: Words) -> str:
    """Return the signs of a day as people say them."""
    codes = day.logged.signs if day.logged else ()
    return "; ".join(sign_said(words, course.plan, code).rstrip(".") for code in codes)


def _x(number: int) -> int:
    return _LEFT + number * _DAY + 8


def _y(value: float, top: float, start: int, high: int) -> float:
    return round(start + high - high * value / top, 1)


def _text(x: float, y: float, said: str, *, size: int = 0, bold: bool = False, anchor: str = "") -> str:
    more = (f' font-size="{size}"' if size else "") + (' font-weight="bold"' if bold else "")
    more += f' text-anchor="{anchor}"' if anchor else ""
    return f'<text x="{round(x, 1)}" y="{y}"{more} xml:space="preserve">{escape(said)}</text>'
