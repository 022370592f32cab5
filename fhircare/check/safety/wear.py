"""Wearing time: within the day, with its rests, and rising no faster than skin can follow."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from fhircare.check.safety.raw import clock, code_of, date, obj, text
from fhircare.check.safety.rules import BOUNDS
from fhircare.check.safety.schedule import Schedule

DAY = 24 * 60

if TYPE_CHECKING:
    import datetime as dt

    from fhircare.check.gather import ResourceScope
    from fhircare.check.safety.held import Held
    from fhircare.check.safety.schedule import Session


def check_wear(held: Held) -> None:
    """Check the wearing schedule of a plan; a plan without one is not whole."""
    schedule = held.schedule = Schedule(held)
    settings = schedule.settings
    if settings is None or not schedule.days:
        held.missing("wear.missing", (held.plan.path, "activity"))
        return
    _days(held, schedule, settings)
    _each_day(held, schedule, settings)
    _splits(held)
    _climb(held, schedule)
    _rungs(held, schedule)
    check_stopped(held, schedule)
    _skin_check(held, schedule)
    _overrides(held, settings)


def _days(held: Held, schedule: Schedule, settings: ResourceScope) -> None:
    """Every day once, none left out, all after delivery, and the periods that say so again."""
    days = schedule.days
    for one, other in pairwise(days):
        if (other - one).days > 1:
            held.say("wear.gap", (_request(schedule, other).path, "occurrenceTiming"))
    for day in days:
        if day in schedule.idle and day in schedule.sessions:
            held.say("wear.both", (schedule.idle[day].path, "occurrencePeriod"))
        if day not in schedule.reasons:
            held.say("wear.reason", (_request(schedule, day).path, "orderDetail"))
    for day, reason in schedule.reasons.items():
        if day not in schedule.sessions and day not in schedule.idle:
            held.say("wear.reason-without-day", reason.detail.path)
    if held.delivered and days[0] < held.delivered:
        held.say("wear.before-delivery", (_request(schedule, days[0]).path, "occurrenceTiming"))
    ends = {"start": days[0], "end": days[-1]}
    for owner, name in ((held.plan, "period"), (settings, "occurrencePeriod")):
        for end, day in ends.items():
            if date(obj(owner.resource, name).get(end)) != day:
                held.say("wear.period", ((owner.path, name), end))


def _rungs(held: Held, schedule: Schedule) -> None:
    """Days on one rung have the same minutes, and a higher rung never fewer; shortened days apart.

    A whole day is as long as what else is on leaves it, so whole days may differ.
    """
    longest: dict[int, int] = {}
    whole = {reason.step for reason in schedule.reasons.values() if reason.rule == "all-day"}
    for day in sorted(schedule.reasons):
        reason, minutes = schedule.reasons[day], schedule.total(day)
        if not minutes or reason.rule == "shortened":
            continue
        if reason.step in whole:
            longest[reason.step] = max(minutes, longest.get(reason.step, 0))
        elif longest.setdefault(reason.step, minutes) != minutes:
            held.say("wear.step-minutes", reason.detail.place("step"))
    for one, other in pairwise(sorted(longest)):
        if longest[other] < longest[one]:
            day = next(d for d, reason in schedule.reasons.items() if reason.step == other)
            held.say("wear.step-minutes", schedule.reasons[day].detail.place("step"))


def check_stopped(held: Held, schedule: Schedule) -> None:
    """After a stop nobody wears it, in a plan that is on hold."""
    stops = [day for day, reason in schedule.reasons.items() if reason.rule == "stop"]
    for day, reason in schedule.reasons.items():
        worn = bool(schedule.sessions.get(day))
        if worn and (reason.rule == "stop" or (held.status == "on-hold" and stops and day > min(stops))):
            held.say("wear.stopped", (_request(schedule, day).path, "occurrenceTiming"))
    if held.status == "on-hold" and schedule.sessions.get(schedule.days[-1]):
        held.say("wear.stopped", (held.plan.path, "status"))


def _request(schedule: Schedule, day: dt.date) -> ResourceScope:
    sessions = schedule.sessions.get(day)
    return sessions[0].request if sessions else schedule.idle[day]


def _each_day(held: Held, schedule: Schedule, settings: ResourceScope) -> None:
    """Within a day: sessions lie in the waking day, apart by the stated rest, never on one another."""
    waking, rest = held.detail(settings, "waking-day"), held.detail(settings, "rest")
    wakes = clock(waking.string("wakes")) if waking else None
    sleeps = clock(waking.string("sleeps")) if waking else None
    least = rest.number("rest") if rest else None
    if wakes is None or sleeps is None or least is None:
        held.say("wear.settings", (settings.path, "orderDetail"))
        return
    if sleeps <= wakes:
        sleeps += DAY
    seen: set[tuple[int, ...]] = set()
    for day in schedule.days:
        sessions = schedule.sessions.get(day, [])
        key = tuple(id(one.request) for one in sessions)
        if key not in seen:
            seen.add(key)
            _one_day(held, sessions, wakes, sleeps, int(least))


def _one_day(held: Held, sessions: list[Session], wakes: int, sleeps: int, rest: int) -> None:
    for one in sessions:
        start = one.start if one.start >= wakes else one.start + DAY
        place = (one.request.path, "occurrenceTiming")
        if start + one.minutes > sleeps:
            held.say("wear.waking", place)
        split = held.detail(one.request, "split")
        alone = len(sessions) == 1
        if split and "all-day" in split.values and not alone:
            held.say("wear.all-day", split.place("all-day"))
    for one, other in pairwise(sessions):
        place = (other.request.path, "occurrenceTiming")
        gap = other.start - one.start - one.minutes
        if gap < 0:
            held.say("wear.overlap", place)
        elif gap < rest:
            held.say("wear.rest", place)
    if sum(one.minutes for one in sessions) > sleeps - wakes:
        held.say("wear.total", (sessions[-1].request.path, "occurrenceTiming"))


def _splits(held: Held) -> None:
    """Sitting, standing and walking add up to the session."""
    for one in held.of_kind("wear-session"):
        split = held.detail(one, "split")
        parts = [split.number(name) for name in ("sitting", "standing", "walking")] if split else []
        whole = obj(obj(one.resource, "occurrenceTiming"), "repeat").get("duration")
        known = [part for part in parts if part is not None and part >= 0]
        if split is None or len(known) < 3 or sum(known) != whole:
            held.say("wear.split", split.path if split else (one.path, "orderDetail"))


def _climb(held: Held, schedule: Schedule) -> None:
    """From one worn day to the next, wear rises no more than the bounds allow."""
    worn = [day for day in schedule.days if schedule.sessions.get(day)]
    if not worn:
        return
    if schedule.total(worn[0]) > BOUNDS["first_day_minutes"]:
        held.say("wear.first-day", (_request(schedule, worn[0]).path, "occurrenceTiming"))
    for one, other in pairwise(worn):
        before, after = schedule.total(one), schedule.total(other)
        reason, earlier = schedule.reasons.get(other), schedule.reasons.get(one)
        all_day = reason is not None and reason.rule == "all-day"
        place = (_request(schedule, other).path, "occurrenceTiming")
        if after > BOUNDS["rise_factor"] * before + BOUNDS["rise_minutes"] and not all_day:
            held.say("wear.rise", place)
        if reason and earlier and reason.step > earlier.step + 1:
            held.say("wear.step", reason.detail.place("step"))
        if reason and reason.step < 1:
            held.say("wear.step-none", reason.detail.place("step"))
    for day in schedule.idle:
        reason = schedule.reasons.get(day)
        if reason and reason.step and day not in schedule.sessions:
            held.say("wear.step-idle", reason.detail.place("step"))


def _skin_check(held: Held, schedule: Schedule) -> None:
    """The skin is looked at after each session, for as long as the break-in lasts."""
    worn = [day for day in schedule.days if schedule.sessions.get(day)]
    tasks = [
        one for one in held.of_kind("") if code_of(one.resource.get("code"), "care-task") == "skin-check"
    ]
    if not worn:
        return
    if not tasks:
        held.missing("wear.skin-check", (held.plan.path, "activity"))
    for one in tasks[:1]:
        repeat = obj(obj(one.resource, "occurrenceTiming"), "repeat")
        name = "occurrenceTiming" if repeat else "occurrencePeriod"
        span = obj(repeat, "boundsPeriod") or obj(one.resource, "occurrencePeriod")
        first, last = date(span.get("start")), date(span.get("end"))
        if first is None or first > worn[0] or (last is not None and last < worn[-1]):
            held.say("wear.skin-check-days", (one.path, name))
        after = code_of(one.resource.get("asNeededCodeableConcept"), "detail")
        if after != "after-wear":
            held.say("wear.skin-check-after", (one.path, "asNeededCodeableConcept"))


def _overrides(held: Held, settings: ResourceScope) -> None:
    """What the clinician set otherwise is what the schedule goes by, with a reason and a name."""
    said = {"rest_minutes": "rest", "redness_minutes": "redness"}
    for detail in held.details(settings):
        if detail.system != "detail" or detail.code != "override":
            continue
        if not detail.text or not text({"by": detail.string("decided-by")}, "by"):
            held.say("wear.override-reason", detail.path)
        code = said.get(detail.string("setting"))
        other = held.detail(settings, code) if code else None
        found = other.number(code) if other and code else None
        if code and (found is None or str(found) != detail.string("value")):
            held.say("wear.override", detail.place("value"))
