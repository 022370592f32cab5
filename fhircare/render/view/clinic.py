"""The clinic's record: the whole plan with its reasons, for signature, and to hand on when the person moves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fhircare.render.view.care import frequency_words, plan_values, socks_view
from fhircare.render.view.outcomes import goals_section, measures_section
from fhircare.render.view.page import Asked, PageView, Readable, page_view
from fhircare.render.view.people import ContactsView, contacts_view
from fhircare.render.view.questions import open_questions
from fhircare.render.view.record import (
    Section,
    Table,
    Teller,
    address,
    device_facts,
    device_table,
    girth_tables,
    joined,
    limb_facts,
    order_facts,
    person_facts,
    reach_facts,
    team_table,
)
from fhircare.render.view.safety import cautions_view, levels_view, required_of

if TYPE_CHECKING:
    from fhircare.plan import CareTask, Visit, WarningSign, WearDay
    from fhircare.render.said import Said, Sentence
    from fhircare.render.words import Words


@dataclass(frozen=True, slots=True, kw_only=True)
class ClinicView:
    """The record.

    Attributes:
        page: The frame.
        contacts: The clinic.
        sections: The parts of the record, in order, none empty.
        signatures: Who signs, a line each.
        cautions: The cautions of every page.
        required: What must be found on the page.
    """

    page: PageView
    contacts: ContactsView
    sections: tuple[Section, ...]
    signatures: tuple[Said, ...]
    cautions: tuple[Sentence, ...]
    required: tuple[Said, ...]


def clinic_view(reading: Readable, words: Words, asked: Asked) -> ClinicView:
    """Build the record.

    Raises:
        TemplateError: When the bundle names no clinic phone or no emergency number.
    """
    tell = Teller(reading, words)
    contacts = contacts_view(reading, words)
    cautions = cautions_view(words, contacts)
    page = page_view(reading, words, asked, words.say("clinic.title"))
    levels = levels_view(reading, words, contacts, plan_values(reading, words, contacts))
    grave = tuple(level for level in levels if level.level in {"stop", "emergency"})
    sections = (
        _history(tell), _questions(tell), _person(tell), _order(tell), _limb(tell), _device(tell), _socks(tell),
        _wear(tell), _overrides(tell), _tasks(tell), _advice(tell), _signs(tell, dict(_worded(levels))),
        _visits(tell), goals_section(tell), measures_section(tell), _team(tell, contacts),
    )  # fmt: skip
    return ClinicView(
        page=page,
        contacts=contacts,
        sections=tuple(section for section in sections if section),
        signatures=tuple(words.say(f"clinic.sign.{who}") for who in ("prosthetist", "physician", "person")),
        cautions=cautions,
        required=(*page.notices, *required_of(cautions, grave, contacts)),
    )


def _worded(levels: tuple) -> list[tuple[str, Said]]:  # type: ignore[type-arg]
    return [(sign.code, sign.text) for level in levels for sign in level.signs]


def _history(tell: Teller) -> Section:
    """This revision and how many stood before it; the bundle of one revision holds no other."""
    plan, words = tell.plan, tell.words
    facts = [
        tell.fact("plan-number", tell.text(plan.number, "number")),
        tell.fact("revision", words.number(plan.revision, tell.source("revision"))),
        tell.fact("status", joined([
            tell.code("reader.status", plan.status, "status"), tell.code("reader.intent", plan.intent, "intent"),
        ])),
        tell.fact("written", tell.date(plan.written_at.date() if plan.written_at else None, "written_at")),
    ]  # fmt: skip
    lines = [words.say("clinic.first")]
    if plan.revision > 1:
        lines = [words.say("clinic.earlier", n=words.number(plan.revision - 1, tell.source("revision")))]
    return Section(heading=words.say("clinic.history"), facts=tuple(facts), lines=tuple(lines))


def _questions(tell: Teller) -> Section:
    found = tuple(open_questions(tell))
    return Section(
        heading=tell.words.say("clinic.questions"), lines=found or (tell.words.say("clinic.questions.none"),)
    )


def _person(tell: Teller) -> Section:
    facts = (*person_facts(tell), *reach_facts(tell))
    plan = tell.plan
    risks = tell.fact("risks", tell.codes("reader.risk", plan.risks, "risks"))
    lives = tell.fact("lives", tell.codes("reader.lives", plan.circumstances, "circumstances"))
    return Section(heading=tell.words.say("reader.person"), facts=(*facts, risks, lives))


def _order(tell: Teller) -> Section:
    facts = order_facts(tell)
    return Section(
        heading=tell.words.say("reader.order"),
        facts=facts,
        lines=() if facts else (tell.words.say("clinic.question.order"),),
    )


def _limb(tell: Teller) -> Section:
    return Section(heading=tell.words.say("reader.limb"), facts=limb_facts(tell), tables=girth_tables(tell))


def _device(tell: Teller) -> Section:
    table = device_table(tell)
    facts = list(device_facts(tell))
    device, shoes = tell.plan.prosthesis, tell.plan.shoes
    if device is not None:
        new = tell.words.say("reader.yes" if device.new_socket else "reader.no")
        facts.append(tell.fact("new-socket", new))
    if shoes is not None:
        parts = [tell.english(shoes.description, "shoes.description")] if shoes.description else []
        if shoes.heel_height is not None:
            parts.append(tell.words.say("reader.heel", heel=tell.quantity(shoes.heel_height, "shoes.heel_height")))
        facts.append(tell.fact("shoes", joined(parts) if parts else tell.absent))
    return Section(
        heading=tell.words.say("reader.device"), facts=tuple(facts), tables=(table,) if table is not None else ()
    )


def _socks(tell: Teller) -> Section:
    view, kit, words = socks_view(tell.reading, tell.words), tell.plan.socks, tell.words
    if view is None or kit is None:
        return Section(heading=words.say("reader.socks"))
    limit = words.number(kit.adjust_at_ply, tell.source("socks.adjust_at_ply"))
    guide = Table(
        caption=words.say("clinic.socks.guide"),
        columns=(words.say("socks.guide.total"), words.say("socks.guide.wear")),
        rows=tuple((row.total, row.layers) for row in view.guide),
    )
    return Section(
        heading=words.say("reader.socks"),
        lines=(*view.owned, view.start, words.say("clinic.socks.limit", limit=limit)),
        tables=(guide,) if view.guide else (),
    )


def _wear(tell: Teller) -> Section:
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
    table = Table(
        caption=words.say("clinic.wear.caption"),
        columns=tell.columns("day", "date", "step", "sessions", "worn", "why"),
        rows=tuple(_day(tell, day, index) for index, day in enumerate(wear.days)),
        number=frozenset({0, 2, 4}),
    )
    return Section(heading=words.say("clinic.wear"), facts=facts, lines=binding, tables=(table,))


def _day(tell: Teller, day: WearDay, index: int) -> tuple[Said, ...]:
    words, place = tell.words, f"wear.days[{index}]"
    sessions = [
        words.say(
            "clinic.session.all-day" if session.all_day else "clinic.session",
            start=words.time(session.start, tell.source(f"{place}.sessions[{n}].start")),
            length=words.length(session.minutes, tell.source(f"{place}.sessions[{n}].minutes"), width="short"),
            sitting=words.number(session.sitting, tell.source(f"{place}.sessions[{n}].sitting")),
            standing=words.number(session.standing, tell.source(f"{place}.sessions[{n}].standing")),
            walking=words.number(session.walking, tell.source(f"{place}.sessions[{n}].walking")),
        )
        for n, session in enumerate(day.sessions)
    ]
    first = tell.source(f"{place}.sessions[0].minutes") if day.sessions else ""
    return (
        words.number(index + 1),
        words.date(day.on, tell.source(f"{place}.on"), style="short"),
        words.number(day.step, tell.source(f"{place}.step")),
        joined(sessions, "; ") if sessions else words.say("wear.no-wear"),
        words.length(day.minutes, first, width="short"),
        tell.english(day.why, f"{place}.why"),
    )


def _overrides(tell: Teller) -> Section:
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
    )
    none = tell.words.say("clinic.overrides.none")
    return Section(
        heading=tell.words.say("clinic.overrides"), lines=() if rows else (none,), tables=(table,) if rows else ()
    )


def _tasks(tell: Teller) -> Section:
    rows = tuple(_task(tell, task, f"care.tasks[{index}]") for index, task in enumerate(tell.plan.care.tasks))
    table = Table(
        caption=tell.words.say("clinic.tasks.caption"),
        columns=tell.columns("task", "often", "first-day", "last-day", "why"),
        rows=rows,
    )
    return Section(heading=tell.words.say("clinic.tasks"), tables=(table,) if rows else ())


def _task(tell: Teller, task: CareTask, place: str) -> tuple[Said, ...]:
    words = tell.words
    if task.after_each_wear:
        often: Said = words.say("often.after-each-wear")
    elif task.frequency is None:
        often = words.say("often.as-told")
    else:
        often = frequency_words(task.frequency, words, tell.source(f"{place}.frequency"))
    return (
        words.coded("task", task.code, task.text, tell.source(f"{place}.code")),
        often,
        tell.date(task.first, f"{place}.first", style="short"),
        tell.date(task.last, f"{place}.last", style="short") if task.last else words.say("clinic.open-ended"),
        tell.english(task.why, f"{place}.why"),
    )


def _advice(tell: Teller) -> Section:
    rows = tuple(
        (
            tell.english(advice.code, f"care.advice[{index}].code"),
            tell.english(advice.text, f"care.advice[{index}].text"),
            tell.english(advice.why, f"care.advice[{index}].why"),
        )
        for index, advice in enumerate(tell.plan.care.advice)
    )
    table = Table(
        caption=tell.words.say("clinic.advice.caption"), columns=tell.columns("code", "advice", "why"), rows=rows
    )
    return Section(heading=tell.words.say("clinic.advice"), tables=(table,) if rows else ())


def _signs(tell: Teller, worded: dict[str, Said]) -> Section:
    rows = tuple(
        _sign(tell, sign, f"care.signs[{index}]", worded) for index, sign in enumerate(tell.plan.care.signs)
    )
    table = Table(
        caption=tell.words.say("clinic.signs.caption"),
        columns=tell.columns("sign", "means", "call", "limit"),
        rows=rows,
    )
    return Section(heading=tell.words.say("clinic.signs"), tables=(table,) if rows else ())


def _sign(tell: Teller, sign: WarningSign, place: str, worded: dict[str, Said]) -> tuple[Said, ...]:
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


def _visits(tell: Teller) -> Section:
    rows = tuple(
        _visit(tell, visit, f"visits[{index}]")
        for index, visit in sorted(enumerate(tell.plan.visits), key=lambda pair: pair[1].start)
    )
    table = Table(
        caption=tell.words.say("clinic.visits.caption"),
        columns=tell.columns("visit", "when", "length", "with", "window", "state", "why"),
        rows=rows,
    )
    return Section(heading=tell.words.say("clinic.visits"), tables=(table,) if rows else ())


def _visit(tell: Teller, visit: Visit, place: str) -> tuple[Said, ...]:
    words, source = tell.words, tell.source
    day = words.date(visit.start.date(), source(f"{place}.start"), style="full")
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
        tell.code("visit.status", visit.status, f"{place}.status"),
        tell.english(visit.why, f"{place}.why"),
    )


def _team(tell: Teller, contacts: ContactsView) -> Section:
    facts = [
        tell.fact("clinic", contacts.clinic),
        tell.fact("address", address(tell, "clinic.address")),
        tell.fact("phone", contacts.phone),
        tell.fact("after-hours", contacts.after_hours),
        tell.fact("emergency", contacts.emergency),
    ]
    if contacts.email is not None:
        facts.append(tell.fact("email", contacts.email))
    clinic = tell.plan.clinic
    if clinic is not None:
        facts.append(tell.fact("time-zone", tell.text(clinic.time_zone, "clinic.time_zone")))
    lines = (*contacts.hours, *contacts.closures)
    tables = (team_table(tell),) if tell.plan.professionals else ()
    return Section(heading=tell.words.say("reader.team"), facts=tuple(facts), lines=lines, tables=tables)
