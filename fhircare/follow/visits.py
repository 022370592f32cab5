"""Which visit a log asks for sooner than planned: the table ``[[visit]]`` of rules.toml, put on a day."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from fhircare.follow.evidence import follow_rules
from fhircare.planner.booking import Diary
from fhircare.planner.rules import settings_for
from fhircare.planner.visits import event_need, plan_visits

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fhircare.delivery import FreeSlot
    from fhircare.follow.decide import Decision
    from fhircare.follow.evidence import Evidence
    from fhircare.plan import Plan, Visit
    from fhircare.planner.socks import PlyTrend

RECENT = dt.timedelta(days=7)
"""How far back a sign still asks for a visit."""


@dataclass(frozen=True, slots=True)
class VisitChange:
    """A visit that a log asks for.

    Attributes:
        visit: The visit, proposed.
        instead_of: The planned visit it is brought forward from, None for one more.
        unmet: Why there is none, in a sentence; "" when there is.
    """

    visit: Visit | None
    instead_of: Visit | None = None
    unmet: str = ""


@dataclass(frozen=True, slots=True)
class _Asked:
    row: dict[str, Any]
    since: dt.date


def visit_change(
    plan: Plan, decision: Decision, trend: PlyTrend | None, slots: tuple[FreeSlot, ...] = ()
) -> VisitChange | None:
    """Return the visit that the days so far ask for, None when none is, or one already falls in time.

    Args:
        plan: The plan in force.
        decision: What was decided, with the days it rests on.
        trend: Where the ply is going.
        slots: The clinic's free times; when there are any, a visit is put in one of these only.
    """
    for asked in _asked(plan, decision, trend):
        last = decision.on + dt.timedelta(days=asked.row["within_days"])
        if any(_serves(visit, asked.since, last) for visit in plan.visits):
            continue
        found = _booked(plan, decision, asked.row, last, slots)
        # When the clinic is closed until later, a visit on that later day does as well.
        late = found.visit.start.date() if found.visit else last
        if not any(_serves(visit, asked.since, late) for visit in plan.visits):
            return found
    return None


def with_change(visits: Sequence[Visit], change: VisitChange | None) -> tuple[Visit, ...]:
    """Return the visits with a change made, in order of time."""
    if change is None or change.visit is None:
        return tuple(visits)
    left = [visit for visit in visits if visit is not change.instead_of]
    return tuple(sorted([*left, change.visit], key=lambda visit: visit.start))


def _asked(plan: Plan, decision: Decision, trend: PlyTrend | None) -> Iterator[_Asked]:
    recent = [day for day in decision.evidence if day.on >= decision.on - RECENT]
    for row in follow_rules()["visit"]:
        since = _since(row, decision, recent, trend)
        if since is not None and plan.clinic is not None and plan.clinic.opening_hours:
            yield _Asked(row, since)


def _since(
    row: dict[str, Any], decision: Decision, recent: Sequence[Evidence], trend: PlyTrend | None
) -> dt.date | None:
    if row["when"] == "stopped":
        stopped = [day.on for day in decision.evidence if day.level in ("stop", "emergency")]
        return max(stopped, default=decision.on) if decision.step == 0 else None
    if row["when"] == "forecast":
        reached = trend.reached_on if trend else None
        near = reached is not None and reached <= decision.on + dt.timedelta(days=row["ahead_days"])
        return decision.on - RECENT if near else None
    if row["when"] == "new-shoes":
        return next((day.on for day in recent if day.new_shoes), None)
    return next((day.on for day in recent if set(day.signs) & set(row["signs"])), None)


def _serves(visit: Visit, since: dt.date, last: dt.date) -> bool:
    return visit.status != "cancelled" and since <= visit.start.date() <= last


def _booked(
    plan: Plan, decision: Decision, row: dict[str, Any], last: dt.date, slots: tuple[FreeSlot, ...]
) -> VisitChange:
    need = replace(event_need(row["kind"], decision.on, (last - decision.on).days), why=row["why"])
    minutes = next((visit.minutes for visit in plan.visits), 45)
    found = plan_visits([need], _diary(plan, minutes, slots), minutes)
    if not found.visits:
        return VisitChange(None, unmet=" ".join(found.unmet))
    visit = found.visits[0]
    planned = (v for v in plan.visits if v.status == "proposed" and v.start > visit.start)
    later = next((v for v in planned if v.earliest <= visit.start.date()), None)
    if later is None:
        return VisitChange(visit)
    kinds = tuple(dict.fromkeys((*visit.kinds, *later.kinds)))
    return VisitChange(replace(visit, kinds=kinds, role=later.role), instead_of=later)


def _diary(plan: Plan, minutes: int, slots: tuple[FreeSlot, ...]) -> Diary:
    clinic = plan.clinic
    if clinic is None:
        raise AssertionError("visits are asked of a clinic only")
    pace = plan.wear.pace if plan.wear else "usual"
    return Diary(
        zone=ZoneInfo(clinic.time_zone),
        hours=clinic.opening_hours,
        closures=clinic.closures,
        holiday_country=clinic.holiday_country,
        holiday_region=clinic.holiday_region,
        minutes=minutes,
        slots=slots,
        late_days=settings_for(pace, ())["late_days"],
    )
