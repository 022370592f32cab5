"""What a plan leaves open: asked on the clinic's record, and of the next clinic when the person moves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.render.view.record import joined, with_source

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.render.said import Said
    from fhircare.render.view.record import Teller

NUMBERED = frozenset({"liner", "knee", "foot"})
"""Parts that carry a serial or lot number when they come from a maker."""


def open_questions(tell: Teller) -> Iterator[Said]:
    """Each thing that the plan does not hold, or that nobody has decided yet, in a sentence of its own."""
    plan, say = tell.plan, tell.words.say
    if plan.status == "draft" or plan.intent == "proposal":
        yield with_source(say("clinic.question.approval"), tell.source("status"))
    waiting = [(index, visit) for index, visit in enumerate(plan.visits) if visit.status == "proposed"]
    if waiting:
        index, first = min(waiting, key=lambda pair: pair[1].start)
        day = tell.date(first.start.date(), f"visits[{index}].start")
        yield say("clinic.question.visits", n=tell.words.number(len(waiting)), day=day)
    if plan.order is None:
        yield say("clinic.question.order")
    yield from _about_limb(tell)
    yield from _about_device(tell)
    yield from _about_goals(tell)
    yield from _about_people(tell)


def _about_limb(tell: Teller) -> Iterator[Said]:
    limb, say = tell.plan.limb, tell.words.say
    if limb is None:
        yield say("clinic.question.limb")
        return
    if limb.protective_sensation == "not-tested":
        yield with_source(say("clinic.question.sensation"), tell.source("limb.protective_sensation"))
    if limb.amputated_on is None and limb.cause != "congenital":
        yield say("clinic.question.amputated")
    if not limb.measurements:
        yield say("clinic.question.girths")


def _about_device(tell: Teller) -> Iterator[Said]:
    device, say = tell.plan.prosthesis, tell.words.say
    if device is None:
        yield say("clinic.question.device")
        return
    bare = [
        tell.code("device.kind", part.kind, f"prosthesis.components[{index}].kind")
        for index, part in enumerate(device.components)
        if part.kind in NUMBERED and not (part.serial or part.lot or part.udi)
    ]
    if bare:
        yield say("clinic.question.numbers", parts=joined(bare))
    liners = [(index, part) for index, part in enumerate(device.components) if part.kind == "liner"]
    if sum(part.count for _, part in liners) == 1:
        at = f"prosthesis.components[{liners[0][0]}].count"
        yield with_source(say("clinic.question.liner"), tell.source(at))


def _about_goals(tell: Teller) -> Iterator[Said]:
    plan, say = tell.plan, tell.words.say
    measured = {one.measure for one in plan.measurements}
    lacking = dict.fromkeys(
        target.measure
        for goal in plan.goals
        if goal.status not in {"cancelled", "rejected", "completed"}
        for target in goal.targets
        if target.measure not in measured and target.measure != "daily-wear"
    )
    if lacking:
        yield say(
            "clinic.question.baseline", measures=joined([tell.code("measure", code, "") for code in lacking])
        )
    if not plan.goals:
        yield say("clinic.question.goals")


def _about_people(tell: Teller) -> Iterator[Said]:
    plan, say = tell.plan, tell.words.say
    roles = {one.role for one in plan.professionals}
    for role in ("prosthetist", "physician", "physical-therapist"):
        if role not in roles:
            yield say("clinic.question.nobody", role=say(f"reader.role.{role}"))
    if plan.clinic is not None and not plan.clinic.after_hours_phone:
        yield say("clinic.question.after-hours")
