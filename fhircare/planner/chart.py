"""The ramp of wearing time as a picture: one bar a day, in SVG.

Told apart without color: sitting is white, standing striped, walking black, so that it prints in black and
white. It carries a title and a description for those who hear it, and names no person.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import escape

from fhircare.planner.words import duration

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.plan import Plan, WearDay, WearSchedule

_LEFT, _TOP, _BAR, _GAP, _HEIGHT, _FOOT = 56, 72, 20, 8, 260, 96
_HOUR: Final = 60
_FILLS: Final = (("sitting", "#ffffff"), ("standing", "url(#standing)"), ("walking", "#1c1c1c"))

_STRIPES: Final = (
    '<defs><pattern id="standing" width="5" height="5" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="5" height="5" fill="#ffffff"/>'
    '<rect width="2" height="5" fill="#1c1c1c"/></pattern></defs>'
)


def chart(plan: Plan) -> str:
    """Return the schedule drawn as SVG: minutes of each day, split by what they are spent on, and the visits.

    A plan without a schedule is drawn as an empty picture that says so.
    """
    wear = plan.wear
    days = wear.days if wear else ()
    width = max(_LEFT + len(days) * (_BAR + _GAP) + 24, 480)
    height = _TOP + _HEIGHT + _FOOT
    title = f"Wearing time of plan {plan.number}"
    size = f'viewBox="0 0 {width} {height}" width="{width}" height="{height}"'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" aria-labelledby="chart-title chart-desc"',
        'font-family="Verdana, sans-serif" font-size="11">',
        f'<title id="chart-title">{escape(title)}</title>',
        f'<desc id="chart-desc">{escape(_described(wear))}</desc>',
        _STRIPES,
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        f'<text x="{_LEFT}" y="24" font-size="16" font-weight="bold">{escape(title)}</text>',
        *_legend(),
    ]
    if wear:
        top = max(_HOUR, *(day.minutes for day in days))
        lines += _axis(top, width)
        visits = {visit.start.date() for visit in plan.visits}
        for number, day in enumerate(days):
            lines += _bar(number, day, top, visited=day.on in visits)
    return "\n".join([*lines, "</svg>", ""])


def _described(wear: WearSchedule | None) -> str:
    if wear is None:
        return "This plan has no wearing schedule."
    first, last = wear.days[0], wear.days[-1]
    off = [day for day in wear.days if not day.sessions]
    told = [
        f"{len(wear.days)} days from {first.on} to {last.on}.",
        f"{duration(first.minutes)} on the first day, {duration(last.minutes)} on the last.",
    ]
    reached = next((day.on for day in wear.days if day.sessions and day.sessions[0].all_day), None)
    if reached:
        told.append(f"Worn all day from {reached}.")
    if off:
        told.append(f"No wear on {len(off)} days: {', '.join(str(day.on) for day in off)}.")
    return " ".join(told)


def _legend() -> Iterator[str]:
    x = _LEFT
    for name, fill in _FILLS:
        yield f'<rect x="{x}" y="38" width="14" height="14" fill="{fill}" stroke="#1c1c1c"/>'
        yield f'<text x="{x + 20}" y="49">{name}</text>'
        x += 96
    yield f'<path d="M{x} 50 l6 -11 l6 11 z" fill="#ffffff" stroke="#1c1c1c"/>'
    yield f'<text x="{x + 20}" y="49">visit</text>'


def _axis(top: int, width: int) -> Iterator[str]:
    step = 2 if top > 6 * _HOUR else 1
    for hour in range(0, top // _HOUR + 1, step):
        y = _y(hour * _HOUR, top)
        yield f'<line x1="{_LEFT}" x2="{width - 16}" y1="{y}" y2="{y}" stroke="#b8b8b8" stroke-width="0.75"/>'
        yield f'<text x="{_LEFT - 8}" y="{y + 4}" text-anchor="end">{hour} h</text>'


def _y(minutes: int, top: int) -> float:
    return round(_TOP + _HEIGHT - _HEIGHT * minutes / top, 1)


def _bar(number: int, day: WearDay, top: int, *, visited: bool) -> Iterator[str]:
    x = _LEFT + number * (_BAR + _GAP) + _GAP
    middle, base = x + _BAR / 2, _TOP + _HEIGHT
    yield f"<g><title>{escape(_bar_title(number, day))}</title>"
    below = 0
    for name, fill in _FILLS:
        minutes = sum(getattr(session, name) for session in day.sessions)
        if minutes:
            y, bottom = _y(below + minutes, top), _y(below, top)
            size = f'x="{x}" y="{y}" width="{_BAR}" height="{round(bottom - y, 1)}"'
            yield f'<rect {size} fill="{fill}" stroke="#1c1c1c"/>'
        below += minutes
    if not day.sessions:
        yield f'<text x="{middle}" y="{base - 4}" text-anchor="middle" font-size="18">&#215;</text>'
    yield "</g>"
    if number % 7 == 0 or not day.sessions:
        yield f'<text transform="translate({middle - 4},{base + 26}) rotate(60)">{day.on:%Y-%m-%d}</text>'
    if visited:
        yield f'<path d="M{middle - 6} {base + 14} l6 -11 l6 11 z" fill="#ffffff" stroke="#1c1c1c"/>'


def _bar_title(number: int, day: WearDay) -> str:
    if not day.sessions:
        return f"Day {number + 1}, {day.on}: no wear"
    sessions = ", ".join(f"{session.start:%H:%M} for {duration(session.minutes)}" for session in day.sessions)
    return f"Day {number + 1}, {day.on}: {sessions}"
