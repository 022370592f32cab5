"""A review in words: for the person, in their language, and for the clinic.

Every text that advises ends with the usual cautions and whom to call; without a phone number there is none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.errors import TemplateError
from fhircare.follow.evidence import sign_levels
from fhircare.render import words_of

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator

    from fhircare.bundle import Reading
    from fhircare.follow.keep import Followed
    from fhircare.plan import Plan, WearDay
    from fhircare.render.words import Words


def told(followed: Followed, reading: Reading, language: str | None = None) -> dict[str, Any]:
    """Return a review as plain data: the decision, and what to say to the person and to the clinic.

    Args:
        followed: The review and the revision it led to.
        reading: The bundle it was made from.
        language: BCP 47 tag for the person's part; None for the language they read.

    Raises:
        TemplateError: When the bundle names no phone to call, or the language is not there.
    """
    seen, revision = followed.review, followed.revision
    decision = seen.decision
    plan = revision.plan if revision else seen.plan
    return {
        "plan": plan.number,
        "on": seen.on.isoformat(),
        "move": decision.move,
        "step": decision.step,
        "of_steps": len(seen.layout.rungs),
        "rule": decision.rule,
        "step_rule": decision.step_rule,
        "call": decision.call,
        "signs": list(decision.signs),
        "revision": plan.revision if revision else None,
        "status": plan.status,
        "intent": plan.intent,
        "stopped_since": plan.stopped_since and plan.stopped_since.isoformat(),
        "sock_change": None
        if seen.socks is None
        else {
            "change": seen.socks.change,
            "to_ply": seen.socks.to_ply,
            "layers": list(seen.socks.layers),
            "possible": seen.socks.possible,
        },
        "ply_trend": None
        if seen.trend is None
        else {
            "per_day": round(seen.trend.per_day, 3),
            "low": round(seen.trend.low, 3),
            "high": round(seen.trend.high, 3),
            "threshold": seen.trend.threshold,
            "reached_on": seen.trend.reached_on and seen.trend.reached_on.isoformat(),
        },
        "visit": None
        if seen.visit is None or seen.visit.visit is None
        else {"kinds": list(seen.visit.visit.kinds), "start": seen.visit.visit.start.isoformat()},
        "goals": [
            {
                "goal": plan.goals[one.goal].text,
                "measure": one.measure,
                "wanted": str(one.wanted),
                "latest": None if one.latest is None else str(one.latest),
                "unit": one.unit,
                "met": one.met,
                "achievement": one.achievement,
                "says": one.text,
            }
            for one in seen.goals
        ],
        "patient": for_patient(followed, reading, language),
        "clinic": list(_for_clinic(followed)),
    }


def for_patient(followed: Followed, reading: Reading, language: str | None = None) -> list[str]:
    """Return what the person is told, a sentence each, the cautions last.

    Raises:
        TemplateError: As ``told``.
    """
    words = words_of(reading, "patient", language)
    clinic = reading.plan.clinic
    if clinic is None or not clinic.phone:
        raise TemplateError("the bundle names no phone to call — add it to the clinic")
    phone, emergency = words.phone(clinic.phone), words.phone(clinic.emergency_phone)
    call: dict[str, object] = {"phone": phone, "emergency": emergency}
    lines = [*_decided(followed, words, call), *_beside(followed, words, call)]
    plan = followed.revision.plan if followed.revision else followed.review.plan
    call_for = followed.review.decision.call
    if call_for == "none" and plan.stopped_since:
        call_for = "same-day"
    closed = []
    if call_for in ("now", "same-day") and clinic.after_hours_phone:
        closed = [str(words.say("follow.closed", after_hours=words.phone(clinic.after_hours_phone)))]
    cautions = ["caution.not", "caution.first", "caution.stop", "caution.emergency"]
    if words.language.tag != words.english.tag and not words.language.reviewed_by:
        cautions.append("caution.unreviewed")
    if reading.plan.synthetic:
        cautions.append("caution.synthetic")
    if call_for == "none" and silent_since(followed) is not None:
        said = []  # it has just been asked for a call
    else:
        said = [str(words.say(f"call.do.{call_for}", **call)), *closed]
    return [*lines, *said, *(str(words.say(key, **call)) for key in cautions)]


def _decided(followed: Followed, words: Words, call: dict[str, object]) -> Iterator[str]:
    seen, revision = followed.review, followed.revision
    decision = seen.decision
    plan = revision.plan if revision else seen.plan
    waiting = plan.stopped_since is not None and decision.step > 0
    if waiting:
        yield str(words.say("follow.waiting", **call))
    else:
        if plan.intent == "proposal" or plan.status == "draft":
            yield str(words.say("follow.proposal"))
        yield str(words.say(decision.patient, **call))
    if decision.signs:
        yield str(words.say("follow.signs"))
        yield from (f"- {sign_said(words, plan, code)}" for code in decision.signs)
    day = next((one for one in plan.wear.days if one.on == seen.on), None) if plan.wear else None
    if decision.step == 0 or waiting:
        yield str(words.say("follow.no-wear", day=words.date(seen.on)))
        yield str(words.say("follow.care-goes-on"))
    elif day is not None:
        yield _day(day, words)
        yield str(words.say("follow.skin"))
    silent = silent_since(followed)
    if silent is not None:
        yield str(words.say("follow.silent", day=words.date(silent), **call))
    if revision is not None and plan.status in ("active", "on-hold"):
        yield str(words.say("follow.new-pages"))


def silent_since(followed: Followed) -> dt.date | None:
    """Return the first of the planned days up to the review of which nothing at all was reported.

    None when the last planned day of wear was reported, or wear had not begun.
    """
    seen = followed.review
    planned = {day.on for day in seen.plan.wear.days if day.sessions} if seen.plan.wear else set()
    first = None
    for one in reversed(seen.decision.evidence):
        if one.worn is not None or one.signs or one.released:
            break
        if one.on in planned:
            first = one.on
    return first


def sign_said(words: Words, plan: Plan, code: str) -> str:
    """Return a sign as people say it, with its limit where it has one."""
    values: dict[str, Any] = dict.fromkeys(words.names(f"sign.{code}"), words.text("…"))
    sign = next((one for one in plan.care.signs if one.code == code), None)
    if sign is not None and sign.limit is not None:
        values["limit"] = words.quantity(sign.limit, sign.limit_unit)
    return str(words.coded("sign", code, sign.text if sign else code, **values))


def _day(day: WearDay, words: Words) -> str:
    if not day.sessions:
        return str(words.say("follow.no-wear", day=words.date(day.on)))
    sessions = [
        words.say("follow.session.all-day", start=words.time(one.start))
        if one.all_day
        else words.say("follow.session", start=words.time(one.start), length=words.length(one.minutes))
        for one in day.sessions
    ]
    return str(words.say("follow.day", day=words.date(day.on), sessions=words.join(sessions)))


def _beside(followed: Followed, words: Words, call: dict[str, object]) -> Iterator[str]:
    seen = followed.review
    if seen.socks is not None:
        values = {"ply": words.number(seen.socks.to_ply), "steps": words.number(seen.socks.recheck_steps)}
        asked = {1: "more", -1: "less"}.get(seen.socks.change) if seen.socks.possible else None
        yield str(words.say(f"follow.socks.{asked or 'call'}", **values, **call))
    if seen.visit is not None:
        visit = seen.visit.visit
        if visit is None:
            yield str(words.say("follow.visit.none", **call))
        else:
            at = {"day": words.date(visit.start.date()), "time": words.time(visit.start.time())}
            yield str(words.say("follow.visit", **at))
    plan = followed.revision.plan if followed.revision else seen.plan
    for goal in plan.goals:
        if goal.achievement in ("achieved", "improving"):
            yield str(words.say(f"follow.goal.{goal.achievement}", goal=words.text(goal.text)))


def _for_clinic(followed: Followed) -> Iterator[str]:
    seen, revision = followed.review, followed.revision
    decision, plan = seen.decision, seen.plan
    step = f"step {decision.step} of {len(seen.layout.rungs)}" if decision.step else "no wear"
    after = revision.plan if revision else plan
    waits = "no wear before approval, then " if decision.step and after.stopped_since else ""
    yield f"{seen.on:%Y-%m-%d}: {waits}{decision.move}, {step} ({decision.rule}, {decision.step_rule})."
    yield decision.clinic
    silent = silent_since(followed)
    if silent is not None:
        yield (
            f"Nothing was reported since {silent:%Y-%m-%d}: ask what was worn and how the skin is. "
            "What nobody reported counts as not worn."
        )
    levels, texts = sign_levels(plan), {sign.code: sign.text for sign in plan.care.signs}
    for code in decision.signs:
        yield f"Logged ({levels[code]}): {texts.get(code, code)}"
    if seen.socks is not None:
        yield f"Socks: {seen.socks.why}"
    if seen.trend is not None:
        yield _trend_told(seen.trend.per_day, seen.trend.reached_on, seen.trend.threshold)
    if seen.visit is not None:
        visit = seen.visit.visit
        yield (
            seen.visit.unmet
            if visit is None
            else f"Visit proposed: {visit.start:%Y-%m-%d %H:%M}, {', '.join(visit.kinds)}. {visit.why}"
        )
    for one in seen.goals:
        yield f"Goal “{plan.goals[one.goal].text}”: {one.achievement or 'not judged'}. {one.text}"
    yield _standing_told(plan, revision.plan if revision else None)
    yield "These are proposals of fixed rules; the prosthetist, the physician and local rules come first."


def _trend_told(per_day: float, reached_on: Any, threshold: int) -> str:
    reached = (
        f"reaches {threshold} ply on {reached_on}"
        if reached_on
        else f"does not reach {threshold} ply in a year"
    )
    return f"Ply trend: {per_day:+.2f} ply a day; it {reached}."


def _standing_told(plan: Plan, revised: Plan | None) -> str:
    if revised is None and plan.status == "draft" and plan.stopped_since:
        revised = plan
    if revised is None:
        return f"The plan already says so: revision {plan.revision}, {plan.status}, stays."
    if revised.status == "draft" and revised.stopped_since:
        return (
            f"Wear stays stopped (since {revised.stopped_since}) until a clinician approves revision "
            f"{revised.revision} with `fhircare approve`; until then the person is told not to wear it."
        )
    if revised.status == "draft":
        return f"Revision {revised.revision} waits for a clinician: approve it with `fhircare approve`."
    return f"Revision {revised.revision}, {revised.status}, takes the place of revision {plan.revision}."
