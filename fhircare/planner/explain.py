"""The plan as a clinician would read it: the ladder day by day, with every reason, in plain text.

It names no person: the plan's number stands for them.
"""

from __future__ import annotations

import textwrap
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING, Final

from fhircare.plan.measures import measures
from fhircare.planner.limb import maturation, volume, volume_change
from fhircare.planner.rules import rules, whole_number
from fhircare.planner.socks import published_volume
from fhircare.planner.words import duration, listed

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from fhircare.plan import CareTask, Frequency, Goal, Plan, SockLayers, Visit, WarningSign, WearDay

_WIDTH: Final = 100
_LEVELS: Final = {
    "carry-on": "Carry on",
    "watch": "Change something and watch",
    "stop": "Stop wearing it and call",
    "emergency": "Emergency",
}
_CALLS: Final = {
    "none": "",
    "next-visit": "tell at the next visit",
    "same-day": "call the same day",
    "now": "call now",
    "emergency-number": "call the emergency number",
}
_UNITS: Final = {"d": "day", "wk": "week", "mo": "month", "a": "year"}
_MOMENTS: Final = {
    "WAKE": "on waking",
    "MORN": "in the morning",
    "AFT": "at midday",
    "EVE": "in the evening",
    "HS": "before sleep",
}


def explain(plan: Plan) -> str:
    """Return the plan in plain text: ladder, reasons, what bound it, overrides, socks, visits, goals, signs.

    Every part that a plan from elsewhere lacks is left out.
    """
    state = f"revision {plan.revision}, {plan.status}"
    if plan.intent == "proposal":
        state += "; a proposal until a clinician approves it"
    sections = [
        _section(f"Plan {plan.number}", [state]),
        _section("Wearing", _wear(plan)),
        _section("What held the plan back", _bullets(plan.wear.binding if plan.wear else ())),
        _section("Set otherwise by the clinician", _overrides(plan)),
        _section("Socks", _socks(plan)),
        _section("The limb", _limb(plan)),
        _section("Visits", (line for visit in plan.visits for line in _visit(visit))),
        _section("Goals", (line for goal in plan.goals for line in _goal(goal))),
        _section("Daily care", (line for task in plan.care.tasks for line in _task(task))),
        _section("Advice, and why it was chosen", _advice(plan)),
        _section("Signs", _signs(plan.care.signs)),
        _section("Cautions", _bullets(a.text for a in plan.care.advice if a.code.startswith("caution."))),
        _section("Where the numbers come from", _bullets(_SOURCES)),
    ]
    return "\n".join(section for section in sections if section)


_SOURCES: Final = (
    (
        "No guideline gives hours, minutes or weeks for breaking in a prosthesis. These are what is commonly "
        "done, or what the clinician set; rules.toml says for each number where it comes from."
    ),
    "Sock ply is a label: layers do not add up in thickness or volume.",
)


def _section(title: str, lines: Iterable[str]) -> str:
    body = list(lines)
    return "\n".join((title, "-" * len(title), *body, "")) if body else ""


def _wrapped(text: str, indent: str, first: str | None = None) -> list[str]:
    start = indent if first is None else first
    return textwrap.wrap(text, _WIDTH, initial_indent=start, subsequent_indent=indent) or [start.rstrip()]


def _bullets(texts: Iterable[str]) -> Iterator[str]:
    for text in texts:
        yield from _wrapped(text, "  ", "- ")


def _wear(plan: Plan) -> Iterator[str]:
    wear = plan.wear
    if wear is None:
        return
    yield from _wrapped(f"{wear.pace}. {wear.pace_why}", "      ", "Pace: ")
    waking = f"{wear.wakes:%H:%M} to {wear.sleeps:%H:%M}"
    yield f"Waking day {waking}; at least {wear.rest_minutes} min between sessions."
    yield f"Redness must be gone {wear.redness_minutes} min after taking it off."
    yield ""
    yield f"{'day':>3}  {'date':<14} {'step':>4}  {'total':<11} sessions (minutes sitting/standing/walking)"
    for _, alike in groupby(
        enumerate(wear.days, start=1), key=lambda item: replace(item[1], on=wear.days[0].on)
    ):
        (number, day), *more = alike
        yield from _day(number, day)
        if more:
            last, ends = more[-1]
            yield f"{last:>3}  {ends.on:%a %Y-%m-%d}       until then the same"


def _day(number: int, day: WearDay) -> Iterator[str]:
    sessions = "; ".join(
        f"{s.start:%H:%M} {'all day, ' if s.all_day else ''}{duration(s.minutes)} "
        f"({s.sitting}/{s.standing}/{s.walking})"
        for s in day.sessions
    )
    step = str(day.step) if day.step else "-"
    total = duration(day.minutes) if day.minutes else "-"
    yield f"{number:>3}  {day.on:%a %Y-%m-%d} {step:>4}  {total:<11} {sessions or 'no wear'}"
    yield from _wrapped(f"[{day.rule}] {day.why}", " " * 26)


def _overrides(plan: Plan) -> Iterator[str]:
    for override in plan.wear.overrides if plan.wear else ():
        setting = rules().settings.get(override.setting)
        unit = f" {setting.unit}" if setting and setting.unit not in ("1", "") else ""
        usual = f" instead of {override.usual}{unit}" if override.usual else ""
        text = f"{override.setting}: {override.value}{unit}{usual}. {override.reason} ({override.by})"
        yield from _wrapped(text, "  ", "- ")


def _socks(plan: Plan) -> Iterator[str]:
    guide = plan.care.sock_guide
    if not guide or plan.socks is None:
        return
    at_delivery, threshold = plan.socks.ply_at_delivery, plan.socks.adjust_at_ply
    yield f"{at_delivery} ply at delivery; the socket needs adjusting at {threshold} ply."
    for entry in guide:
        if entry.layers:
            yield f"{entry.ply:>4} ply: {_layers(entry)}"
    impossible = [str(entry.ply) for entry in guide if not entry.possible]
    if impossible:
        yield from _wrapped(f"Cannot be made from what was issued: {listed(impossible)} ply.", "  ")
    known = [f for f in (published_volume(e.layers) for e in guide if e.layers) if f]
    if known:
        told = listed([f"{'+'.join(map(str, f.layers))}: {f.percent} %" for f in known])
        yield from _wrapped(f"Measured in named combinations, from the limb outwards: {told}.", "  ")
        yield from _wrapped(f"({known[0].source}; nothing in between may be read off.)", "  ")


def _layers(entry: SockLayers) -> str:
    return " + ".join(map(str, entry.layers)) + (" (from the limb outwards)" if len(entry.layers) > 1 else "")


def _limb(plan: Plan) -> Iterator[str]:
    limb, delivered = plan.limb, plan.prosthesis.delivered_on if plan.prosthesis else None
    if limb is None:
        return
    error, mature = _number(plan, "girth_error_mm"), _number(plan, "mature_months")
    if delivered:
        recovery = _number(plan, "recovery_months")
        told = maturation(
            limb, delivered, recovery_months=recovery, mature_months=mature, girth_error_mm=error
        )
        yield f"{told.stage.replace('-', ' ').capitalize()}: {told.why}"
    for measured in limb.measurements:
        found = volume(measured, error)
        if found:
            yield (
                f"{found.on:%Y-%m-%d}: {found.ml:.0f} mL (standard error {found.error_ml:.0f}) from "
                f"{found.from_cm:g} to {found.to_cm:g} cm below {measured.reference}"
            )
    if len(limb.measurements) >= 2:
        change = volume_change(limb.measurements[-2], limb.measurements[-1], error)
        if change and change.sure:
            error_percent = f"standard error {change.error_percent:.1f}"
            yield f"Change: {change.ml:+.0f} mL, {change.percent:+.1f} % ({error_percent})"
        elif change:
            yield (
                f"Change: {change.ml:+.0f} mL is no change you can be sure of "
                f"(standard error {change.error_ml:.0f} mL)"
            )


def _number(plan: Plan, name: str) -> int:
    """A number as the clinician set it, or the usual one; for those that no pace changes."""
    for override in plan.wear.overrides if plan.wear else ():
        if override.setting == name:
            return whole_number(override.value) or rules().settings[name].usual
    return rules().settings[name].usual


def _visit(visit: Visit) -> Iterator[str]:
    kinds = ", ".join(visit.kinds)
    yield f"{visit.start:%a %Y-%m-%d %H:%M}  {kinds} ({visit.minutes} min, {visit.status})"
    yield from _wrapped(f"{visit.why} Window {visit.earliest} to {visit.latest}.", "      ")


def _goal(goal: Goal) -> Iterator[str]:
    yield from _wrapped(f"{goal.text} (set by the {goal.set_by.replace('-', ' ')})", "  ", "- ")
    for target in goal.targets:
        name = measures()[target.measure].name if target.measure in measures() else target.measure
        side = "at least" if target.comparator == "at-least" else "at most"
        due = f" by {target.due}" if target.due else ""
        yield f"    {name}: {side} {target.value} {target.unit}{due}"


def _task(task: CareTask) -> Iterator[str]:
    when = "after each wear" if task.after_each_wear else _often(task.frequency)
    until = f", until {task.last}" if task.last else ""
    yield from _wrapped(f"{task.text} ({when}{until}) Why: {task.why}", "  ", "- ")


def _often(frequency: Frequency | None) -> str:
    if frequency is None:
        return "as it happens"
    unit = _UNITS[frequency.unit]
    times = "once" if frequency.times == 1 else f"{frequency.times} times"
    every = f"a {unit}" if frequency.every == 1 else f"every {frequency.every} {unit}s"
    moments = listed([_MOMENTS[moment] for moment in frequency.moments])
    days = ", ".join(frequency.days)
    return ", ".join(part for part in (f"{times} {every}", moments, days) if part)


def _advice(plan: Plan) -> Iterator[str]:
    chosen = [advice for advice in plan.care.advice if advice.why != "Everybody gets it."]
    everybody = [advice.code for advice in plan.care.advice if advice.why == "Everybody gets it."]
    for advice in chosen:
        yield from _wrapped(f"{advice.code}: {advice.why}", "  ", "- ")
    if everybody:
        yield from _wrapped("everybody gets: " + ", ".join(everybody), "  ", "- ")


def _signs(signs: Sequence[WarningSign]) -> Iterator[str]:
    level = ""
    for sign in signs:
        if sign.level != level:
            level = sign.level
            yield f"{_LEVELS[level]}:"
        call = f" -> {_CALLS[sign.call]}" if _CALLS[sign.call] else ""
        yield from _wrapped(f"{sign.text}{call}", "    ", "  - ")
