"""From a plan read out of a bundle to what a page needs: ordered, worded, each value with its source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fhircare.errors import TemplateError
from fhircare.render.said import Said, Sentence, Value
from fhircare.render.view.care import AdviceView, TaskView, advice_view, plan_values, tasks_view
from fhircare.render.view.goals import GoalView, goals_view
from fhircare.render.view.page import Asked, PageView, Readable, page_view
from fhircare.render.view.parts import PartView, parts_view
from fhircare.render.view.people import ContactsView, VisitView, contacts_view, next_visit, visits_view
from fhircare.render.view.ramp import RampView, ramp_view
from fhircare.render.view.safety import (
    LevelView,
    SignView,
    cautions_view,
    levels_view,
    required_of,
    skin_findings,
)
from fhircare.render.view.socks import SocksView, socks_view
from fhircare.render.view.wear import DayView, SessionView, WearView, today_of_plan, wear_view

if TYPE_CHECKING:
    from fhircare.render.words import Words


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoutView:
    """The patient's instructions.

    Attributes:
        page: The frame.
        delivered: When the prosthesis was delivered, or None.
        replaces: That older pages are void, on those of a revised plan; None on the first and on a draft that
            does not yet take the place of the plan in force.
        glossary: The words the page uses, explained.
        cautions: What the plan is not, who comes first, when to stop, whom to call; then the plan's own.
        contacts: Whom to call.
        levels: Warning signs, gravest first.
        findings: What is found when looking at the skin, mildest first.
        wear: The schedule, or None.
        ramp: The schedule as a picture, or None.
        advice: What to know, by section.
        socks: Socks and sock guide, or None.
        tasks: Care tasks.
        visits: Visits in order.
        next_visit: The next one, or None.
        goals: Goals.
        parts: Parts of the prosthesis.
        liner: Kind of the liner, for the drawings; "" without one.
        suspension: Kind of the suspension, for the drawings; "" when unknown.
        side: The limb's side, for the drawings.
        required: What must be found on the page afterwards.
    """

    page: PageView
    delivered: Sentence | None
    replaces: Sentence | None
    glossary: tuple[Sentence, ...]
    cautions: tuple[Said, ...]
    contacts: ContactsView
    levels: tuple[LevelView, ...]
    findings: tuple[SignView, ...]
    wear: WearView | None
    ramp: RampView | None
    advice: AdviceView
    socks: SocksView | None
    tasks: tuple[TaskView, ...]
    visits: tuple[VisitView, ...]
    next_visit: VisitView | None
    goals: tuple[GoalView, ...]
    parts: tuple[PartView, ...]
    liner: str
    suspension: str
    side: str
    values: dict[str, object]
    required: tuple[Said, ...]


def patient_view(reading: Readable, words: Words, asked: Asked) -> HandoutView:
    """Build the view of the patient's instructions.

    Raises:
        TemplateError: When the bundle has no contact or no stop rule, or a sentence a life may hang on is
            missing.
    """
    plan = reading.plan
    contacts = contacts_view(reading, words)
    values = plan_values(reading, words, contacts)
    levels = levels_view(reading, words, contacts, values)
    if not any(level.level == "stop" for level in levels):
        raise TemplateError(
            "the bundle holds no sign to stop for — no page is made without one; add the stop rules"
        )
    cautions = cautions_view(words, contacts)
    advice = advice_view(reading, words, values)
    wear = wear_view(reading, words, asked.on, large=asked.large)
    visits = visits_view(reading, words)
    on = asked.on or today_of_plan(plan)
    liner, suspension = _fitting(reading)
    page = page_view(reading, words, asked, _title(reading, words))
    replaces = _replaces(reading, words)
    return HandoutView(
        page=page,
        delivered=_delivered(reading, words),
        replaces=replaces,
        glossary=_glossary(reading, words, liner=bool(liner)),
        cautions=_once((*advice.cautions, *cautions)),
        contacts=contacts,
        levels=levels,
        findings=skin_findings(levels),
        wear=wear,
        ramp=ramp_view(wear, words, large=asked.large) if wear is not None else None,
        advice=advice,
        socks=socks_view(reading, words),
        tasks=tasks_view(reading, words, values),
        visits=visits,
        next_visit=next_visit(reading, visits, on),
        goals=goals_view(reading, words),
        parts=parts_view(reading, words),
        liner=liner,
        suspension=suspension,
        side=plan.limb.side if plan.limb is not None else "",
        values=values,
        required=(
            *page.notices,
            *([replaces] if replaces else []),
            *required_of(cautions, levels, contacts),
        ),
    )


def _title(reading: Readable, words: Words) -> Sentence:
    prosthesis = reading.plan.prosthesis
    replaced = prosthesis is not None and not prosthesis.first
    return words.say("page.title.new-socket" if replaced else "page.title")


def _delivered(reading: Readable, words: Words) -> Sentence | None:
    prosthesis = reading.plan.prosthesis
    if prosthesis is None:
        return None
    day = words.date(prosthesis.delivered_on, reading.source("prosthesis.delivered_on"), style="full")
    return words.say("page.delivered", day=day)


def _replaces(reading: Readable, words: Words) -> Sentence | None:
    plan = reading.plan
    waits = plan.status == "draft" and plan.stopped_since is None
    if plan.revision < 2 or waits:
        return None
    return words.say("page.replaces", n=words.number(plan.revision, reading.source("revision")))


def _glossary(reading: Readable, words: Words, *, liner: bool) -> tuple[Sentence, ...]:
    keys = ["page.words.1", "page.words.2", "page.words.3" if liner else "page.words.3.no-liner"]
    if reading.plan.socks is not None and reading.plan.socks.socks:
        keys.append("page.words.4")
    return tuple(words.say(key) for key in keys)


def _fitting(reading: Readable) -> tuple[str, str]:
    """Kind of liner and of suspension, which choose the drawings."""
    prosthesis = reading.plan.prosthesis
    if prosthesis is None:
        return "", ""
    liner = next((part.liner_kind or "" for part in prosthesis.components if part.kind == "liner"), "")
    return liner, prosthesis.suspension


def _once(lines: tuple[Said, ...]) -> tuple[Said, ...]:
    """Each line once, the first standing."""
    return tuple(
        {str(line): line for line in reversed(lines)}[text] for text in dict.fromkeys(map(str, lines))
    )


__all__ = [
    "Asked", "DayView", "HandoutView", "PageView", "Readable", "SessionView", "Value", "patient_view",
]  # fmt: skip
