"""The plan with its reasons, for the clinic's record: every day, number, task, advice and visit says why."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.render.view.care import frequency_words
from fhircare.render.view.record import Section, Table, Teller, joined, runs, span_cells
from fhircare.render.view.wear import kept_free

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fhircare.plan import CareTask, Visit, WarningSign, WearDay
    from fhircare.render.said import Said


def wear_section(tell: Teller) -> Section:
    """The schedule with the reason for each day, and what held it back."""
    wear, words = tell.plan.wear, tell.words
    if wear is None:
        return Section(heading=words.say("clinic.wear"), lines=(words.say("wear.none"),))
    source = tell.source
    facts = (
        tell.fact("pace", tell.code("reader.pace", wear.pace, "wear.pace")),
        tell.fact("pace-why", tell.english(wear.pace_why, "wear.pace_why")),
        tell.fact("waking", words.say(
            "reader.from-to",
            first=words.time(wear.wakes, source("wear.wakes")),
            last=words.time(wear.sleeps, source("wear.sleeps")),
        )),
        tell.fact("rest", words.length(wear.rest_minutes, source("wear.rest_minutes"))),
        tell.fact("redness", words.length(wear.redness_minutes, source("wear.redness_minutes"))),
    )  # fmt: skip
    binding = tuple(tell.english(bind, f"wear.binding[{index}]") for index, bind in enumerate(wear.binding))
    lines = (*kept_free(wear, tell.reading, words), *binding)
    table = Table(
        caption=words.say("clinic.wear.caption"),
        columns=tell.columns("day", "date", "step", "sessions", "worn", "why"),
        rows=tuple(
            _days(tell, first, last)
            for first, last in runs(wear.days, lambda day: (day.step, day.sessions, day.why))
        ),
        widths=(7, 16, 6, 30, 8, 33),
    )
    return Section(heading=words.say("clinic.wear"), facts=facts, lines=lines, tables=(table,))


def _days(tell: Teller, first: int, last: int) -> tuple[Said, ...]:
    """A run of days that are alike, as one row."""
    words = tell.words
    day, place = _schedule(tell)[first], f"wear.days[{first}]"
    sessions = [
        words.say(
            "clinic.session.all-day" if session.all_day else "clinic.session",
            start=words.time(session.start, tell.source(f"{place}.sessions[{n}].start")),
            length=words.length(
                session.minutes, tell.source(f"{place}.sessions[{n}].minutes"), width="short"
            ),
            sitting=words.number(session.sitting, tell.source(f"{place}.sessions[{n}].sitting")),
            standing=words.number(session.standing, tell.source(f"{place}.sessions[{n}].standing")),
            walking=words.number(session.walking, tell.source(f"{place}.sessions[{n}].walking")),
        )
        for n, session in enumerate(day.sessions)
    ]
    minutes = tell.source(f"{place}.sessions[0].minutes") if day.sessions else ""
    return (
        *span_cells(tell, _schedule(tell), first, last),
        words.number(day.step, tell.source(f"{place}.step")),
        joined(sessions, "; ") if sessions else words.say("wear.no-wear"),
        words.length(day.minutes, minutes, width="short"),
        tell.english(day.why, f"{place}.why"),
    )


def _schedule(tell: Teller) -> tuple[WearDay, ...]:
    return tell.plan.wear.days if tell.plan.wear is not None else ()


def overrides_section(tell: Teller) -> Section:
    """Every number that a clinician set otherwise than usual, with the reason."""
    wear = tell.plan.wear
    rows = tuple(
        (
            tell.english(one.setting, f"wear.overrides[{index}].setting"),
            tell.english(one.value, f"wear.overrides[{index}].value"),
            tell.english(one.usual, f"wear.overrides[{index}].usual"),
            tell.english(one.reason, f"wear.overrides[{index}].reason"),
            tell.text(one.by, f"wear.overrides[{index}].by"),
        )
        for index, one in enumerate(wear.overrides if wear is not None else ())
    )
    table = Table(
        caption=tell.words.say("clinic.overrides.caption"),
        columns=tell.columns("setting", "set-to", "usual", "reason", "by"),
        rows=rows,
        widths=(22, 14, 12, 34, 18),
    )
    none = tell.words.say("clinic.overrides.none")
    return Section(
        heading=tell.words.say("clinic.overrides"),
        lines=() if rows else (none,),
        tables=(table,) if rows else (),
    )


def tasks_section(tell: Teller) -> Section:
    """The care tasks, how often, from when to when, and why."""
    rows = tuple(_task(tell, task, f"care.tasks[{index}]") for index, task in enumerate(tell.plan.care.tasks))
    table = Table(
        caption=tell.words.say("clinic.tasks.caption"),
        columns=tell.columns("task", "often", "first-day", "last-day", "why"),
        rows=rows,
        widths=(20, 22, 9, 12, 37),
    )
    return Section(heading=tell.words.say("clinic.tasks"), tables=(table,) if rows else ())


def _task(tell: Teller, task: CareTask, place: str) -> tuple[Said, ...]:
    words = tell.words
    if task.after_each_wear:
        often: Said = words.say("often.after-each-wear")
    elif task.frequency is None:
        often = words.say("often.as-told")
    else:
        often = frequency_words(task.frequency, words, tell.source(f"{place}.frequency.times"))
    return (
        words.coded("task", task.code, task.text, tell.source(f"{place}.code")),
        often,
        tell.date(task.first, f"{place}.first", style="short"),
        tell.date(task.last, f"{place}.last", style="short") if task.last else words.say("clinic.open-ended"),
        tell.english(task.why, f"{place}.why"),
    )


def advice_section(tell: Teller) -> Section:
    """The advice given, and why it applies."""
    rows = tuple(
        (
            tell.english(advice.code, f"care.advice[{index}].code"),
            tell.english(advice.text, f"care.advice[{index}].text"),
            tell.english(advice.why, f"care.advice[{index}].why"),
        )
        for index, advice in enumerate(tell.plan.care.advice)
    )
    table = Table(
        caption=tell.words.say("clinic.advice.caption"),
        columns=tell.columns("code", "advice", "why"),
        rows=rows,
        widths=(18, 52, 30),
    )
    return Section(heading=tell.words.say("clinic.advice"), tables=(table,) if rows else ())


def signs_section(tell: Teller, worded: Mapping[str, Said]) -> Section:
    """The warning signs, what each means, and whom to call.

    Args:
        tell: The teller.
        worded: The signs as the person reads them, by code.
    """
    rows = tuple(
        _sign(tell, sign, f"care.signs[{index}]", worded) for index, sign in enumerate(tell.plan.care.signs)
    )
    table = Table(
        caption=tell.words.say("clinic.signs.caption"),
        columns=tell.columns("sign", "means", "call", "limit"),
        rows=rows,
        widths=(48, 20, 20, 12),
    )
    return Section(heading=tell.words.say("clinic.signs"), tables=(table,) if rows else ())


def _sign(tell: Teller, sign: WarningSign, place: str, worded: Mapping[str, Said]) -> tuple[Said, ...]:
    limit = tell.words.say("reader.dash")
    said = worded.get(sign.code) or tell.english(sign.text, f"{place}.text")
    return (
        said,
        tell.code("clinic.level", sign.level, f"{place}.level"),
        tell.code("clinic.call", sign.call, f"{place}.call"),
        limit
        if sign.limit is None
        else tell.words.quantity(sign.limit, sign.limit_unit, tell.source(f"{place}.limit")),
    )


def visits_section(tell: Teller) -> Section:
    """The follow-up visits, their windows, and why then."""
    rows = tuple(
        _visit(tell, visit, f"visits[{index}]")
        for index, visit in sorted(enumerate(tell.plan.visits), key=lambda pair: pair[1].start)
    )
    table = Table(
        caption=tell.words.say("clinic.visits.caption"),
        columns=tell.columns("visit", "when", "length", "with", "window", "state", "why"),
        rows=rows,
        widths=(19, 15, 7, 10, 13, 9, 27),
    )
    return Section(heading=tell.words.say("clinic.visits"), tables=(table,) if rows else ())


def _visit(tell: Teller, visit: Visit, place: str) -> tuple[Said, ...]:
    words, source = tell.words, tell.source
    day = words.date(visit.start.date(), source(f"{place}.start"), style="medium")
    time = words.time(visit.start.timetz().replace(tzinfo=None), source(f"{place}.start"))
    window = words.say(
        "reader.from-to",
        first=words.date(visit.earliest, source(f"{place}.earliest"), style="month"),
        last=words.date(visit.latest, source(f"{place}.latest"), style="month"),
    )
    return (
        tell.codes("visit", visit.kinds, f"{place}.kinds"),
        joined([day, time]),
        words.length(visit.minutes, source(f"{place}.minutes"), width="short"),
        tell.code("reader.role", visit.role, f"{place}.role"),
        window,
        tell.code("reader.visit", visit.status, f"{place}.status"),
        tell.english(visit.why, f"{place}.why"),
    )
