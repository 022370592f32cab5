"""The letter to the physician: in one page, what was delivered, what is planned, what is asked of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fhircare.render.view.facts import device_facts, device_table, limb_facts, order_facts, person_facts
from fhircare.render.view.page import Asked, PageView, Readable, page_view
from fhircare.render.view.people import ContactsView, contacts_view
from fhircare.render.view.record import Fact, Section, Table, Teller, joined, with_source
from fhircare.render.view.safety import cautions_view
from fhircare.render.view.since import since_section
from fhircare.render.view.wear import today_of_plan

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.render.said import Said, Sentence
    from fhircare.render.words import Words

ASKED_BY_ADVICE = {
    "driving.right": "driving",
    "driving.left": "driving",
    "work.return": "work",
    "other-foot.high-risk": "foot",
    "falls.blood-thinner": "blood-thinner",
    "pain.phantom": "pain",
}
"""Advice given to the person that asks something of the physician too, and the question it leads to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """Something the physician is asked to do, and by when."""

    what: Said
    by: Said


@dataclass(frozen=True, slots=True, kw_only=True)
class PhysicianView:
    """The letter.

    Attributes:
        page: The frame.
        contacts: The clinic that writes.
        to: The physician's name, or the sentence that none is named.
        place: Where the physician works, or None.
        sender: The prosthetist's name, or None.
        person: Whose plan it is.
        order: The order it answers, empty without one.
        limb: The limb.
        device: The prosthesis as a whole.
        parts: Its parts, or None.
        plan: The plan in sentences.
        precautions: What makes harm more likely, and what the person was told to stop for.
        since: What was logged since last time; empty without a log.
        asks: What the physician is asked to do.
        cautions: The cautions of every page.
        required: What must be found on the page.
    """

    page: PageView
    contacts: ContactsView
    to: Said
    place: Said | None
    sender: Said | None
    person: tuple[Fact, ...]
    order: tuple[Fact, ...]
    limb: tuple[Fact, ...]
    device: tuple[Fact, ...]
    parts: Table | None
    plan: tuple[Said, ...]
    precautions: tuple[Said, ...]
    since: Section
    asks: tuple[Ask, ...]
    cautions: tuple[Sentence, ...]
    required: tuple[Said, ...]


def physician_view(reading: Readable, words: Words, asked: Asked) -> PhysicianView:
    """Build the letter.

    Raises:
        TemplateError: When the bundle names no clinic phone or no emergency number.
    """
    tell = Teller(reading, words)
    contacts = contacts_view(reading, words)
    cautions = cautions_view(words, contacts)
    page = page_view(reading, words, asked, words.say("physician.title"), draft="caution.draft.clinician")
    to, place = _addressee(tell)
    return PhysicianView(
        page=page,
        contacts=contacts,
        to=to,
        place=place,
        sender=_sender(tell),
        person=person_facts(tell)[:3],
        order=order_facts(tell),
        limb=limb_facts(tell),
        device=device_facts(tell),
        parts=device_table(tell, limits=False),
        plan=tuple(_plan(tell)),
        precautions=tuple(_precautions(tell)),
        since=since_section(tell),
        asks=tuple(_asks(tell)),
        cautions=cautions,
        required=(*page.notices, *cautions, contacts.phone, contacts.after_hours, contacts.emergency),
    )


def _addressee(tell: Teller) -> tuple[Said, Said | None]:
    for index, one in enumerate(tell.plan.professionals):
        if one.role == "physician":
            place = f"professionals[{index}]"
            name = tell.text(str(one.name), f"{place}.name.family")
            return name, tell.text(one.organization, f"{place}.organization") if one.organization else None
    return tell.words.say("physician.to.none"), None


def _sender(tell: Teller) -> Said | None:
    for index, one in enumerate(tell.plan.professionals):
        if one.role == "prosthetist":
            return tell.text(str(one.name), f"professionals[{index}].name.family")
    return None


def _plan(tell: Teller) -> Iterator[Said]:
    plan, words, source = tell.plan, tell.words, tell.source
    wear = plan.wear
    if wear is not None:
        since = today_of_plan(plan)
        worn = [(index, day) for index, day in enumerate(wear.days) if day.sessions and day.on >= since]
        if worn and plan.stopped_since is None:
            first, start = worn[0]
            most = max(day.minutes for _, day in worn)
            last, end = next(pair for pair in worn if pair[1].minutes == most)
            key = "physician.wear.all-day" if end.sessions[-1].all_day else "physician.wear"
            yield words.say(
                key,
                n=words.number(len(wear.days)),
                first=words.length(start.minutes, source(f"wear.days[{first}].sessions[0].minutes")),
                start=tell.date(start.on, f"wear.days[{first}].on"),
                last=words.length(end.minutes, source(f"wear.days[{last}].sessions[0].minutes")),
                end=tell.date(end.on, f"wear.days[{last}].on"),
            )
        yield words.say(
            "physician.pace",
            pace=tell.code("reader.pace", wear.pace, "wear.pace"),
            why=tell.english(wear.pace_why, "wear.pace_why"),
        )
        yield words.say(
            "physician.skin", redness=words.length(wear.redness_minutes, source("wear.redness_minutes"))
        )
    if plan.socks is not None and plan.socks.socks:
        yield words.say(
            "physician.socks",
            ply=words.number(plan.socks.ply_at_delivery, source("socks.ply_at_delivery")),
            limit=words.number(plan.socks.adjust_at_ply, source("socks.adjust_at_ply")),
        )
    coming = [
        pair
        for pair in enumerate(plan.visits)
        if pair[1].status in {"proposed", "booked"} and pair[1].start.date() >= today_of_plan(plan)
    ]
    if coming:
        visits = [
            words.say(
                "physician.visit",
                what=tell.codes("visit", visit.kinds, f"visits[{index}].kinds"),
                day=tell.date(visit.start.date(), f"visits[{index}].start"),
                status=tell.code("reader.visit", visit.status, f"visits[{index}].status"),
            )
            for index, visit in sorted(coming, key=lambda pair: pair[1].start)[:3]
        ]
        yield words.say("physician.visits", visits=joined(visits, "; "))


def _precautions(tell: Teller) -> Iterator[Said]:
    plan, words, source = tell.plan, tell.words, tell.source
    if plan.risks:
        yield words.say("physician.risks", risks=tell.codes("reader.risk", plan.risks, "risks"))
    if plan.limb is not None and plan.limb.protective_sensation != "intact":
        sensation = plan.limb.protective_sensation
        yield with_source(words.say(f"physician.sensation.{sensation}"), source("limb.protective_sensation"))
    if plan.wear is not None:
        for index, bind in enumerate(plan.wear.binding):
            yield tell.english(bind, f"wear.binding[{index}]")
    if any(sign.level == "stop" for sign in plan.care.signs):
        yield words.say("physician.stop")


def _asks(tell: Teller) -> Iterator[Ask]:
    words, plan, source = tell.words, tell.plan, tell.source
    start = words.say("physician.by.start")
    if plan.revision > 1:  # wear began long ago
        start = words.say("physician.by.now")
    elif plan.wear is not None:
        start = words.say("physician.by.date", day=tell.date(plan.wear.days[0].on, "wear.days[0].on"))
    yield Ask(what=words.say("physician.ask.plan"), by=start)
    if plan.prosthesis is not None and not any(
        one.role == "physical-therapist" for one in plan.professionals
    ):
        yield Ask(what=words.say("physician.ask.therapist"), by=start)
    for index, skin in enumerate(plan.limb.skin if plan.limb is not None else ()):
        if skin in {"open-wound", "healed-wound"}:
            what = with_source(words.say("physician.ask.wound"), source(f"limb.skin[{index}]"))
            yield Ask(what=what, by=start)
            break
    asked: set[str] = set()
    for index, advice in enumerate(plan.care.advice):
        question = ASKED_BY_ADVICE.get(advice.code)
        if question and question not in asked:
            asked.add(question)
            what = with_source(words.say(f"physician.ask.{question}"), source(f"care.advice[{index}].code"))
            yield Ask(what=what, by=words.say(f"physician.by.{question}"))
    yield Ask(what=words.say("physician.ask.urgent"), by=words.say("physician.by.urgent"))
    for index, visit in enumerate(plan.visits):
        if visit.status not in {"cancelled", "fulfilled"} and (
            visit.role == "physician" or "annual-review" in visit.kinds
        ):
            day = tell.date(visit.start.date(), f"visits[{index}].start")
            yield Ask(what=words.say("physician.ask.review"), by=words.say("physician.by.date", day=day))
            break
