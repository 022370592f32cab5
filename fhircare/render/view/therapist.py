"""The sheet for the physical therapist: load and wear by day, precautions, goals, and measures to repeat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fhircare.render.view.care import TaskView, plan_values, tasks_view
from fhircare.render.view.facts import device_facts, device_table, limb_facts, person_facts
from fhircare.render.view.outcomes import goals_section, measures_section
from fhircare.render.view.page import Asked, PageView, Readable, page_view
from fhircare.render.view.people import ContactsView, VisitView, contacts_view, visits_view
from fhircare.render.view.record import Fact, Section, Table, Teller, joined, runs, span_cells, with_source
from fhircare.render.view.safety import LevelView, cautions_view, levels_view, required_of
from fhircare.render.view.since import since_section

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.plan import Session
    from fhircare.render.said import Said, Sentence
    from fhircare.render.words import Words

EXERCISE = frozenset({"lie-flat", "exercises", "skin-check", "skin-check-daily", "wear-log", "ply-log"})
"""Tasks the therapist works with or looks at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TherapistView:
    """The sheet.

    Attributes:
        page: The frame.
        contacts: The clinic.
        person: Whose plan it is.
        limb: The limb.
        device: The prosthesis as a whole.
        parts: Its parts, or None.
        precautions: What makes harm more likely.
        since: What was logged since last time; empty without a log.
        load: The schedule by day, with what is on the limb.
        goals: Goals with baseline, target, minimal detectable change and due date.
        measures: Measures to repeat.
        tasks: Tasks the therapist works with.
        visits: Visits at the clinic.
        levels: When to stop and whom to call.
        cautions: The cautions of every page.
        required: What must be found on the page.
    """

    page: PageView
    contacts: ContactsView
    person: tuple[Fact, ...]
    limb: tuple[Fact, ...]
    device: tuple[Fact, ...]
    parts: Table | None
    precautions: tuple[Said, ...]
    since: Section
    load: Section
    goals: Section
    measures: Section
    tasks: tuple[TaskView, ...]
    visits: tuple[VisitView, ...]
    levels: tuple[LevelView, ...]
    cautions: tuple[Sentence, ...]
    required: tuple[Said, ...]


def therapist_view(reading: Readable, words: Words, asked: Asked) -> TherapistView:
    """Build the sheet.

    Raises:
        TemplateError: When the bundle names no clinic phone or no emergency number.
    """
    tell = Teller(reading, words)
    contacts = contacts_view(reading, words)
    values = plan_values(reading, words, contacts)
    levels = tuple(
        level
        for level in levels_view(reading, words, contacts, values)
        if level.level in {"stop", "emergency"}
    )
    cautions = cautions_view(words, contacts)
    page = page_view(reading, words, asked, words.say("therapist.title"), draft="caution.draft.clinician")
    return TherapistView(
        page=page,
        contacts=contacts,
        person=person_facts(tell),
        limb=limb_facts(tell),
        device=device_facts(tell),
        parts=device_table(tell),
        precautions=tuple(precautions(tell)),
        since=since_section(tell),
        load=load_section(tell),
        goals=goals_section(tell),
        measures=measures_section(tell),
        tasks=tuple(task for task in tasks_view(reading, words, values) if task.code in EXERCISE),
        visits=visits_view(reading, words),
        levels=levels,
        cautions=cautions,
        required=(*page.notices, *required_of(cautions, levels, contacts)),
    )


def precautions(tell: Teller) -> Iterator[Said]:
    """What makes harm more likely, what holds the plan back, and what the plan does not say."""
    plan, words, source = tell.plan, tell.words, tell.source
    yield words.say("therapist.load.none")
    if plan.limb is not None:
        sensation = plan.limb.protective_sensation
        yield with_source(words.say(f"therapist.sensation.{sensation}"), source("limb.protective_sensation"))
        if plan.limb.skin != ("intact",):
            yield words.say("therapist.skin", skin=tell.codes("reader.skin", plan.limb.skin, "limb.skin"))
    if plan.risks:
        yield words.say("therapist.risks", risks=tell.codes("reader.risk", plan.risks, "risks"))
    if plan.circumstances:
        lives = tell.codes("reader.lives", plan.circumstances, "circumstances")
        yield words.say("therapist.lives", lives=lives)
    if plan.wear is not None:
        redness = words.length(plan.wear.redness_minutes, source("wear.redness_minutes"))
        yield words.say("therapist.redness", redness=redness)
        yield words.say(
            "physician.pace",
            pace=tell.code("reader.pace", plan.wear.pace, "wear.pace"),
            why=tell.english(plan.wear.pace_why, "wear.pace_why"),
        )
        for index, bind in enumerate(plan.wear.binding):
            yield tell.english(bind, f"wear.binding[{index}]")


def load_section(tell: Teller) -> Section:
    """The schedule by day: sessions, and the minutes of each sitting, standing and walking."""
    heading = tell.words.say("therapist.load")
    if tell.plan.wear is None:
        return Section(heading=heading, lines=(tell.words.say("wear.none"),))
    table = Table(
        caption=tell.words.say("therapist.load.caption"),
        columns=tell.columns("day", "date", "sessions", "worn", "sitting", "standing", "walking", "loaded"),
        rows=tuple(_days(tell, *ends) for ends in runs(tell.plan.wear.days, lambda day: day.sessions)),
        widths=(6, 13, 19, 9, 16, 13, 12, 12),
        number=frozenset({3, 4, 5, 6, 7}),
    )
    return Section(heading=heading, lines=(tell.words.say("therapist.load.how"),), tables=(table,))


def _days(tell: Teller, first: int, last: int) -> tuple[Said, ...]:
    """A run of days that are alike, as one row."""
    days = tell.plan.wear.days if tell.plan.wear is not None else ()
    words, day, place = tell.words, days[first], f"wear.days[{first}]"
    number, date = span_cells(tell, days, first, last)
    if not day.sessions:
        rest = words.say("wear.no-wear")
        dash = words.say("reader.dash")
        return (number, date, rest, dash, dash, dash, dash, dash)
    sessions = tuple(enumerate(day.sessions))
    starts = [_session(tell, session, f"{place}.sessions[{n}]") for n, session in sessions]
    loaded = sum(session.standing + session.walking for session in day.sessions)
    return (
        number,
        date,
        joined(starts, "; "),
        words.length(day.minutes, _first(tell, place, "minutes"), width="short"),
        _split(tell, place, sessions, "sitting"),
        _split(tell, place, sessions, "standing"),
        _split(tell, place, sessions, "walking"),
        words.length(loaded, _first(tell, place, "standing"), width="short"),
    )


def _first(tell: Teller, place: str, leaf: str) -> str:
    return tell.source(f"{place}.sessions[0].{leaf}")


def _session(tell: Teller, session: Session, place: str) -> Said:
    words = tell.words
    start = words.time(session.start, tell.source(f"{place}.start"))
    source = tell.source(f"{place}.minutes")
    length = words.length(session.minutes, source, width="short")
    key = "therapist.session.all-day" if session.all_day else "therapist.session"
    return words.say(key, start=start, length=length)


def _split(tell: Teller, place: str, sessions: tuple[tuple[int, Session], ...], leaf: str) -> Said:
    """The minutes of each session; said once with its number of times when all are alike."""
    words = tell.words
    minutes = [getattr(session, leaf) for _, session in sessions]
    said = [
        words.length(value, tell.source(f"{place}.sessions[{number}].{leaf}"), width="short")
        for value, (number, _) in zip(minutes, sessions, strict=True)
    ]
    if len(said) > 1 and len(set(minutes)) == 1:
        return words.say("reader.times", n=words.number(len(said)), length=said[0])
    return words.join(said, "unit-narrow") if len(said) > 1 else said[0]
