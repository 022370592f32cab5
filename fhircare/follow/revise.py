"""The revised plan: a review turned into the next revision, or nothing when the plan already says so.

* Less wear, or none, takes effect at once on a plan that is approved.
* After a stop the plan is on hold, its days without wear, until a clinician releases it in the log.
* A change that raises wear after a stop stays a proposal until a clinician approves it.
* The same log again gives no new revision.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fhircare.errors import PlanningError
from fhircare.follow.evidence import sign_levels
from fhircare.follow.goals import judged, newly_achieved
from fhircare.follow.logged import WINDOW, Logged
from fhircare.follow.review import Review, review
from fhircare.follow.visits import with_change
from fhircare.plan import WearDay
from fhircare.planner import days_from
from fhircare.planner.care import with_wear

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from fhircare.log import LogEntry
    from fhircare.plan import CareTask, Intent, Plan, PlanStatus, WearSchedule

STOPPED_DAYS = 7
"""Days without wear written down ahead after a stop; the plan stays on hold however long it takes."""


@dataclass(frozen=True)
class Revision:
    """A revised plan, and why.

    Attributes:
        plan: The plan, one revision later.
        review: What it rests on.
        reason: Why, in a sentence for the clinic.
        attention: What the clinic must look at today; "" for nothing.
        used: The days whose log it rests on.
    """

    plan: Plan
    review: Review
    reason: str
    attention: str
    used: tuple[dt.date, ...]


def revise(plan: Plan, entries: Iterable[LogEntry] | Logged, on: dt.date) -> Revision | None:
    """Return the next revision of a plan, None when it already says what the log asks for.

    Args:
        plan: The plan in force.
        entries: The log in force, indexed or not.
        on: The day from which the revision holds.

    Raises:
        PlanningError: When the plan is no longer in force, has no schedule, or no day has room for wear.
    """
    log = Logged.of(entries)
    return revision_of(review(plan, log, on), log)


def revision_of(seen: Review, log: Logged) -> Revision | None:
    """Return the revision that a review asks for; ``log`` is the log it was made from.

    Raises:
        PlanningError: As ``revise``.
    """
    plan, wear = seen.plan, seen.plan.wear
    if plan.status in ("revoked", "completed") or wear is None:
        raise PlanningError("The plan is no longer in force, or has no wearing schedule", "plan anew")
    stopped = seen.decision.move in ("stop", "emergency")
    unseen = log.unseen_stop(plan, seen.on)
    ahead, binding = _days_ahead(seen, wear, stopped=stopped)
    goals = judged(plan.goals, seen.goals)
    schedule_stands = _stands(wear, ahead, stopped=stopped) and (plan.status == "on-hold") == stopped
    visit = seen.visit is not None and seen.visit.visit is not None
    if schedule_stands and not unseen and not visit and not newly_achieved(plan.goals, goals):
        return None
    keeps = schedule_stands and not unseen
    days = wear.days if keeps else (*_past(wear, seen.on), *ahead)
    status, intent = _standing(plan, stopped=stopped, unseen=unseen)
    tasks = _tasks(plan.care.tasks, wear.days[-1].on, days[-1].on)
    tasks = with_wear(tasks, worn=not (stopped or unseen or plan.stopped_since))
    looked_at = {day.on for day in seen.decision.evidence}
    used = tuple(day for day in log.latest(seen.on, WINDOW) if day in looked_at)
    written_at = max((at for at in (plan.written_at, log.written_at(seen.on)) if at), default=None)
    revised = replace(
        plan,
        revision=plan.revision + 1,
        status=status,
        intent=intent,
        written_at=written_at,
        wear=wear if keeps else replace(wear, days=days, binding=binding),
        stopped_since=None
        if status == "active"
        else plan.stopped_since or (seen.on if stopped or unseen else None),
        care=replace(plan.care, tasks=tasks),
        visits=with_change(plan.visits, seen.visit),
        goals=goals,
    )
    return Revision(revised, seen, _reason(seen), _attention(seen, unseen=unseen), used)


def _standing(plan: Plan, *, stopped: bool, unseen: bool) -> tuple[PlanStatus, Intent]:
    if stopped:
        return "on-hold", plan.intent
    if plan.status in ("on-hold", "draft") or unseen:
        return "draft", "proposal"
    return plan.status, plan.intent


def _days_ahead(
    seen: Review, wear: WearSchedule, *, stopped: bool
) -> tuple[tuple[WearDay, ...], tuple[str, ...]]:
    if not stopped:
        return days_from(seen.layout, seen.on, seen.lived.climber)
    last = max(wear.days[-1].on, seen.on + dt.timedelta(days=STOPPED_DAYS - 1))
    why = "Wear was stopped; only a clinician can let it begin again."
    return tuple(
        WearDay(on=seen.on + dt.timedelta(days=n), step=0, sessions=(), rule="stop", why=why)
        for n in range((last - seen.on).days + 1)
    ), wear.binding


def _past(wear: WearSchedule, on: dt.date) -> tuple[WearDay, ...]:
    """Return the days that were planned before ``on``, as far back as a decision looks, without gaps."""
    past = [day for day in wear.days if day.on < on]
    last = wear.days[-1]
    gap = (on - last.on).days
    past += [replace(last, on=last.on + dt.timedelta(days=n)) for n in range(1, gap)]
    return tuple(past[-WINDOW:])


def _stands(wear: WearSchedule, ahead: Sequence[WearDay], *, stopped: bool) -> bool:
    """Tell whether the schedule already says what is ahead; after its last day, that day goes on."""
    last = wear.days[-1]
    planned = {day.on: day for day in wear.days}
    if stopped:
        return not any(day.sessions for day in wear.days if day.on >= ahead[0].on) and not last.sessions
    first = ahead[0]
    known = [(planned[day.on], day) for day in ahead if day.on in planned]
    if not known:
        return first.step == last.step or (first.step == 0 and bool(last.sessions))
    return all(_same(one, other) for one, other in known)


def _same(one: WearDay, other: WearDay) -> bool:
    return one.step == other.step and one.sessions == other.sessions


def _tasks(tasks: Sequence[CareTask], old_end: dt.date, new_end: dt.date) -> tuple[CareTask, ...]:
    """Return the tasks; those that end with the break-in end with it still."""
    return tuple(replace(task, last=new_end) if task.last == old_end else task for task in tasks)


def _reason(seen: Review) -> str:
    said = [seen.decision.clinic]
    if seen.visit and seen.visit.visit:
        said.append(f"Visit proposed for {seen.visit.visit.start:%Y-%m-%d %H:%M}: {seen.visit.visit.why}")
    return " ".join(said)


def _attention(seen: Review, *, unseen: bool) -> str:
    decision = seen.decision
    if decision.step or not (unseen or seen.plan.status != "on-hold"):
        return ""
    texts = {sign.code: sign.text for sign in seen.plan.care.signs}
    levels = sign_levels(seen.plan)
    grave = [code for code in decision.signs if levels[code] in ("stop", "emergency")]
    return " ".join([decision.clinic, *(f"Logged: {texts.get(code, code)}." for code in grave)])
