"""The course as a picture: planned against worn hours, skin findings, ply with its forecast, goals.

Told apart without color, so that it prints in black and white: planned is an outline, worn is black; a skin
finding is a letter over its day. The picture names no person, carries a title and a description for those
who hear it, and the page repeats every number in a table.
"""

from __future__ import annotations

import datetime as dt
from html import escape
from typing import TYPE_CHECKING, Final

from fhircare.follow.course import gravest

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fhircare.follow.course import Course, CourseDay
    from fhircare.planner.socks import PlyTrend

_LEFT, _RIGHT, _DAY = 60, 24, 16
_WEAR_TOP, _WEAR_HIGH = 84, 200
_PLY_TOP, _PLY_HIGH = 380, 110
_FOOT = 70
_INK: Final = "#1c1c1c"
_OUTLINE: Final = f'fill="none" stroke="{_INK}"'
_LETTERS: Final = {"watch": "w", "stop": "S", "emergency": "E"}
CAUTION: Final = (
    "Stop if it hurts or the skin is not whole, and call the clinic. This picture supports the prosthetist, "
    "the physician and the therapist; it does not replace them."
)


def svg(course: Course) -> str:
    """Return the course drawn as SVG; it is the same for the same course."""
    days = course.days
    end = _forecast_end(course.trend, days)
    width = max(_LEFT + _DAY * end + _RIGHT, 620)
    high = _PLY_TOP + _PLY_HIGH + _FOOT + 18 * max(len(course.goals), 1)
    title = f"Progress of plan {course.plan.number}, revision {course.plan.revision}"
    size = f'viewBox="0 0 {width} {high}" width="{width}" height="{high}"'
    labels = 'role="img" aria-labelledby="progress-title progress-desc"'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} {labels}',
        'font-family="Verdana, sans-serif" font-size="12">',
        f'<title id="progress-title">{escape(title)}</title>',
        f'<desc id="progress-desc">{escape(described(course))}</desc>',
        f'<rect width="{width}" height="{high}" fill="#ffffff"/>',
        _text(_LEFT, 26, title, size=16, bold=True),
        *_legend(),
        *_wear(days, width),
        *_ply(course, width),
        *_goals(course, _PLY_TOP + _PLY_HIGH + 50),
        _text(_LEFT, high - 10, "Proposals of fixed rules: the clinicians decide."),
    ]
    return "\n".join([*lines, "</svg>", ""])


def described(course: Course) -> str:
    """Return what the picture shows, in sentences."""
    known = [day for day in course.days if day.logged and day.logged.worn is not None]
    told = [f"{len(course.days)} days, {len(known)} of them reported."]
    if known:
        worn = sum(day.logged.worn or 0 for day in known if day.logged)
        planned = sum(day.planned or 0 for day in known)
        told.append(f"Worn {_hours(worn)} of {_hours(planned)} planned on these days.")
    if level := gravest(course.days):
        told.append(f"Gravest skin finding or sign: {level}.")
    if course.trend:
        reached = course.trend.reached_on
        told.append(
            f"Total ply changes by {course.trend.per_day:+.2f} a day"
            + (f" and reaches {course.trend.threshold} on {reached}." if reached else ".")
        )
    told += [
        f"Goal “{course.plan.goals[g.goal].text}”: {g.achievement or 'not judged'}." for g in course.goals
    ]
    return " ".join(told)


def page(course: Course, phones: Sequence[tuple[str, str]]) -> str:
    """Return the picture on a page that stands alone: whom to call, the cautions, every number in a table.

    Args:
        course: The course.
        phones: Whom to call: names and numbers.
    """
    rows = "".join(
        f'<tr><th scope="row">{day.on}</th><td>{_cell(day.planned)}</td>'
        f"<td>{_cell(day.logged.worn if day.logged else None)}</td><td>{escape(_found(day))}</td>"
        f"<td>{_cell(day.logged.ply_morning if day.logged else None)}</td>"
        f"<td>{_cell(day.logged.ply_evening if day.logged else None)}</td></tr>"
        for day in course.days
    )
    call = "".join(f"<li>{escape(name)}: <strong>{escape(number)}</strong></li>" for name, number in phones)
    title = f"Progress of plan {course.plan.number}"
    head = "".join(
        f'<th scope="col">{name}</th>'
        for name in ("Day", "Planned min", "Worn min", "Found", "Ply morning", "Ply evening")
    )
    style = (
        "body{font:1rem/1.5 Verdana,sans-serif;color:#1c1c1c;background:#fff;max-width:70rem;margin:auto;"
        "padding:1rem}svg{max-width:100%;height:auto}table{border-collapse:collapse}"
        "th,td{border:1px solid #1c1c1c;padding:.2rem .6rem;text-align:left}.scroll{overflow-x:auto}"
    )
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{style}</style></head>'
        f"<body><main><h1>{escape(title)}</h1><p><strong>{escape(CAUTION)}</strong></p><ul>{call}</ul>"
        f'<div class="scroll" tabindex="0" role="region" aria-label="Picture">{svg(course)}</div>'
        f'<h2>Every day</h2><div class="scroll" tabindex="0" role="region" aria-label="Table of days">'
        f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div></main></body></html>\n"
    )


def _legend() -> Iterator[str]:
    x = _LEFT
    yield f'<rect x="{x}" y="42" width="12" height="14" fill="none" stroke="{_INK}"/>'
    yield _text(x + 18, 54, "planned")
    yield f'<rect x="{x + 92}" y="42" width="12" height="14" fill="{_INK}"/>'
    yield _text(x + 110, 54, "worn")
    yield _text(x + 170, 54, "w watch   S stop   E emergency   ? not reported")


def _wear(days: Sequence[CourseDay], width: int) -> Iterator[str]:
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
        yield f"<g><title>{escape(_told(day))}</title>"
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
            yield f'<text transform="translate({x},{base + 18}) rotate(45)">{day.on:%m-%d}</text>'


def _ply(course: Course, width: int) -> Iterator[str]:
    socks, trend, days = course.plan.socks, course.trend, course.days
    if socks is None or not days:
        return
    noted = [
        (number, ply)
        for number, day in enumerate(days)
        if day.logged and (ply := day.logged.ply_morning) is not None
    ]
    top = max(socks.adjust_at_ply + 1, *(ply for _, ply in noted), 1)
    yield _text(_LEFT, _PLY_TOP - 14, "Total ply in the morning", bold=True)
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
        yield f"<title>{days[number].on}: {ply} ply</title></circle>"
    if trend and noted and trend.reached_on and trend.per_day > 0:
        last, ply = noted[-1]
        reached = (trend.reached_on - days[0].on).days
        if reached > last:
            y1, y2 = _y(ply, top, _PLY_TOP, _PLY_HIGH), limit
            yield (
                f'<line x1="{_x(last)}" y1="{y1}" x2="{_x(min(reached, last + 60))}" y2="{y2}" '
                f'stroke="{_INK}" stroke-width="2" stroke-dasharray="7 4"/>'
            )
            yield _text(_LEFT + 220, _PLY_TOP - 14, f"forecast: {trend.threshold} ply on {trend.reached_on}")


def _goals(course: Course, top: int) -> Iterator[str]:
    yield _text(_LEFT, top, "Goals", bold=True)
    for row, one in enumerate(course.goals, 1):
        latest = "not measured yet" if one.latest is None else f"{one.latest} of {one.wanted} {one.unit}"
        goal = course.plan.goals[one.goal].text
        yield _text(_LEFT, top + 18 * row, f"{goal}: {latest} ({one.achievement or 'not judged'})")


def _forecast_end(trend: PlyTrend | None, days: Sequence[CourseDay]) -> int:
    if not trend or not trend.reached_on or not days:
        return len(days)
    reached = (trend.reached_on - days[0].on) // dt.timedelta(days=1)
    return max(len(days), min(reached + 1, len(days) + 60))


def _mark(day: CourseDay) -> str:
    return _LETTERS.get(day.logged.level or "", "") if day.logged else ""


def _told(day: CourseDay) -> str:
    worn = day.logged.worn if day.logged else None
    said = f"{day.on}: planned {_hours(day.planned or 0)}, " + (
        "not reported" if worn is None else f"worn {_hours(worn)}"
    )
    return f"{said}; {_found(day)}" if _found(day) else said


def _found(day: CourseDay) -> str:
    return ", ".join(day.logged.signs) if day.logged else ""


def _hours(minutes: int) -> str:
    return f"{minutes // 60} h {minutes % 60:02} min"


def _cell(number: int | None) -> str:
    return "" if number is None else str(number)


def _x(number: int) -> int:
    return _LEFT + number * _DAY + 8


def _y(value: float, top: float, start: int, high: int) -> float:
    return round(start + high - high * value / top, 1)


def _text(x: float, y: float, said: str, *, size: int = 0, bold: bool = False, anchor: str = "") -> str:
    more = (f' font-size="{size}"' if size else "") + (' font-weight="bold"' if bold else "")
    more += f' text-anchor="{anchor}"' if anchor else ""
    return f'<text x="{x}" y="{y}"{more}>{escape(said)}</text>'
