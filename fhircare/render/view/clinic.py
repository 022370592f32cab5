"""The clinic's record: the whole plan with its reasons, to sign, and to hand on when the person moves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fhircare.render.view.care import plan_values
from fhircare.render.view.facts import (
    address,
    device_facts,
    device_table,
    girth_table,
    limb_facts,
    order_facts,
    person_facts,
    reach_facts,
    team_table,
)
from fhircare.render.view.outcomes import goals_section, measures_section
from fhircare.render.view.page import Asked, PageView, Readable, page_view
from fhircare.render.view.people import ContactsView, contacts_view
from fhircare.render.view.questions import open_questions
from fhircare.render.view.reasons import (
    advice_section,
    overrides_section,
    signs_section,
    tasks_section,
    visits_section,
    wear_section,
)
from fhircare.render.view.record import Section, Table, Teller, joined
from fhircare.render.view.safety import cautions_view, levels_view, required_of
from fhircare.render.view.socks import socks_view

if TYPE_CHECKING:
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
    page = page_view(reading, words, asked, words.say("clinic.title"), draft="caution.draft.clinician")
    levels = levels_view(reading, words, contacts, plan_values(reading, words, contacts))
    grave = tuple(level for level in levels if level.level in {"stop", "emergency"})
    worded = {sign.code: sign.text for level in levels for sign in level.signs}
    sections = (
        _history(tell), _questions(tell), _person(tell), _order(tell), _limb(tell), _device(tell),
        _socks(tell), wear_section(tell), overrides_section(tell), tasks_section(tell), advice_section(tell),
        signs_section(tell, worded), visits_section(tell), goals_section(tell), measures_section(tell),
        _team(tell, contacts),
    )  # fmt: skip
    return ClinicView(
        page=page,
        contacts=contacts,
        sections=tuple(section for section in sections if section),
        signatures=tuple(words.say(f"clinic.sign.{who}") for who in ("prosthetist", "physician", "person")),
        cautions=cautions,
        required=(*page.notices, *required_of(cautions, grave, contacts)),
    )


def _history(tell: Teller) -> Section:
    """This revision and how many stood before it; the bundle of one revision holds no other."""
    plan, words = tell.plan, tell.words
    facts = [
        tell.fact("plan-number", tell.text(plan.number, "number")),
        tell.fact("revision", words.number(plan.revision, tell.source("revision"))),
        tell.fact("status", joined([
            tell.code("reader.status", plan.status, "status"),
            tell.code("reader.intent", plan.intent, "intent"),
        ])),
        tell.fact("written", tell.date(plan.written_at.date() if plan.written_at else None, "written_at")),
    ]  # fmt: skip
    line = words.say("clinic.first")
    if plan.revision > 1:
        line = words.say("clinic.earlier", n=words.number(plan.revision - 1, tell.source("revision")))
    return Section(heading=words.say("clinic.history"), facts=tuple(facts), lines=(line,))


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
    table = girth_table(tell)
    return Section(
        heading=tell.words.say("reader.limb"),
        facts=limb_facts(tell),
        tables=(table,) if table is not None else (),
    )


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
            parts.append(
                tell.words.say("reader.heel", heel=tell.quantity(shoes.heel_height, "shoes.heel_height"))
            )
        facts.append(tell.fact("shoes", joined(parts) if parts else tell.absent))
    return Section(
        heading=tell.words.say("reader.device"),
        facts=tuple(facts),
        tables=(table,) if table is not None else (),
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
        widths=(20, 80),
    )
    return Section(
        heading=words.say("reader.socks"),
        lines=(*view.owned, view.start, words.say("clinic.socks.limit", limit=limit)),
        tables=(guide,) if view.guide else (),
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
