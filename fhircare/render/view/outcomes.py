"""Goals and outcome measures for professional readers: baseline, target, and the change one can be sure of.

Scales and changes come from ``fhircare.plan.measures``; every number there names its source, and the
source is printed beside the number. A measure that is not in that table is shown with what the bundle
says of it, no more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.plan.measures import Measure, measures
from fhircare.render.view.goals import told_targets
from fhircare.render.view.record import Section, Table, Teller, joined

if TYPE_CHECKING:
    import datetime as dt
    from decimal import Decimal

    from fhircare.plan import Goal, Measurement, Target
    from fhircare.render.said import Said


def goals_section(tell: Teller) -> Section:
    """Every goal with its targets: baseline, target, due date, and how large a change has to be to be one."""
    rows: list[tuple[Said, ...]] = []
    for index, goal in enumerate(tell.plan.goals):
        rows += _goal(tell, goal, f"goals[{index}]")
    table = Table(
        caption=tell.words.say("reader.goals.caption"),
        columns=tell.columns("goal", "measure", "baseline", "target", "mdc", "due", "state"),
        rows=tuple(rows),
        widths=(23, 13, 15, 11, 19, 11, 8),
    )
    return Section(heading=tell.words.say("reader.goals"), tables=(table,) if rows else ())


def _goal(tell: Teller, goal: Goal, place: str) -> list[tuple[Said, ...]]:
    words = tell.words
    by = tell.code("reader.set-by", goal.set_by, f"{place}.set_by")
    state = [tell.code("reader.goal", goal.status, f"{place}.status")]
    if goal.achievement is not None:
        state.append(tell.code("reader.achieved", goal.achievement, f"{place}.achievement"))
    if goal.start is not None:
        state.append(words.say("reader.since", day=tell.date(goal.start, f"{place}.start")))
    text: Said = tell.text(goal.text, f"{place}.text")
    if tell.source(f"{place}.set_by"):  # a goal taken over may not say whose it is
        text = words.say("reader.goal-by", goal=text, by=by)
    absent = tell.absent
    rows: list[tuple[Said, ...]] = [
        (
            text,
            told.measure or absent,
            absent,
            told.detail or absent,
            absent,
            told.due or absent,
            joined(state),
        )
        for told in told_targets(tell.reading, words, place)
    ]
    if not goal.targets and not rows:
        return [(text, absent, absent, absent, absent, absent, joined(state))]
    for number, target in enumerate(goal.targets):
        at = f"{place}.targets[{number}]"
        rows.append((
            text,
            tell.code("measure", target.measure, f"{at}.measure"),
            baseline(tell, target.measure),
            _target(tell, target, at),
            sure_change(tell, target.measure),
            tell.date(target.due, f"{at}.due"),
            joined(state),
        ))  # fmt: skip
    return rows


def _target(tell: Teller, target: Target, place: str) -> Said:
    value = tell.words.quantity(target.value, target.unit, tell.source(f"{place}.value"))
    return tell.words.say(f"reader.target.{target.comparator}", value=value)


def baseline(tell: Teller, code: str) -> Said:
    """The earliest value of a measure with its day, or the word for what is absent."""
    taken = [(index, one) for index, one in enumerate(tell.plan.measurements) if one.measure == code]
    if not taken:
        return tell.absent
    index, first = min(taken, key=lambda pair: pair[1].on)
    return _measured(tell, first, f"measurements[{index}]")


def _measured(tell: Teller, one: Measurement, place: str) -> Said:
    value = tell.quantity(one.quantity, f"{place}.quantity", least=False)
    said = tell.words.say("reader.measured", value=value, day=tell.date(one.on, f"{place}.on"))
    return joined([said, tell.english(one.note, f"{place}.note")], "; ") if one.note else said


def sure_change(tell: Teller, code: str) -> Said:
    """The minimal detectable change of a measure with its source, or that no value is known here."""
    measure = measures().get(code)
    if measure is None or measure.mdc is None:
        return tell.words.say("reader.mdc.none")
    return _number(tell, measure, measure.mdc, measure.mdc_source)


def matters(tell: Teller, code: str) -> Said:
    """The smallest change that matters to people with its source, or that no value is known here."""
    measure = measures().get(code)
    if measure is None or measure.mcid is None:
        return tell.words.say("reader.mdc.none")
    return _number(tell, measure, measure.mcid, measure.mcid_source)


def _number(tell: Teller, measure: Measure, value: Decimal, source: str) -> Said:
    number = tell.words.quantity(value, measure.unit, least=False)
    return tell.words.say("reader.with-source", value=number, source=tell.words.text(source, lang="en"))


def scale(tell: Teller, code: str) -> Said:
    """The scale of a measure and which way is better, or the word for what is absent."""
    measure = measures().get(code)
    if measure is None:
        return tell.absent
    words = tell.words
    if measure.low is not None and measure.high is not None:
        low, high = words.number(measure.low), words.quantity(measure.high, measure.unit)
        span = words.say("reader.scale.between", low=low, high=high)
    else:
        span = words.say("reader.scale.open")
    return joined([span, words.say(f"reader.better.{measure.better}")], "; ") if measure.better else span


def measures_section(tell: Teller) -> Section:
    """Every measure taken or aimed at: values so far, scale, changes that count, and when to repeat."""
    due: dict[str, tuple[dt.date, str]] = {}
    for index, goal in enumerate(tell.plan.goals):
        for number, target in enumerate(goal.targets):
            if target.due is not None and (target.measure not in due or target.due < due[target.measure][0]):
                due[target.measure] = (target.due, f"goals[{index}].targets[{number}].due")
    codes = dict.fromkeys([*(one.measure for one in tell.plan.measurements), *due])
    rows = []
    for code in codes:
        taken = [
            _measured(tell, one, f"measurements[{index}]")
            for index, one in enumerate(tell.plan.measurements)
            if one.measure == code
        ]
        day, place = due.get(code, (None, ""))
        rows.append((
            tell.code("measure", code, _place(tell, code)),
            joined(taken, "; ") if taken else tell.absent,
            scale(tell, code),
            sure_change(tell, code),
            matters(tell, code),
            tell.date(day, place) if day is not None else tell.words.say("reader.repeat.visit"),
        ))  # fmt: skip
    table = Table(
        caption=tell.words.say("reader.measures.caption"),
        columns=tell.columns("measure", "taken", "scale", "mdc", "mcid", "repeat"),
        rows=tuple(rows),
        widths=(14, 18, 15, 20, 20, 13),
    )
    return Section(heading=tell.words.say("reader.measures"), tables=(table,) if rows else ())


def _place(tell: Teller, code: str) -> str:
    for index, one in enumerate(tell.plan.measurements):
        if one.measure == code:
            return f"measurements[{index}].measure"
    return ""
