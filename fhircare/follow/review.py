"""One review: what the log so far asks for, in all that a plan has.

The decision, the socks, where the ply is going, the visit to bring forward and how the goals stand, each by
the module that knows it; ``revise`` turns it into a plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fhircare.follow.decide import Decision, Lived, decide_lived, live
from fhircare.follow.goals import TargetProgress, progress
from fhircare.follow.visits import VisitChange, visit_change
from fhircare.planner import Layout, layout_of
from fhircare.planner.socks import PlyNote, PlyTrend, SeatingSign, SockChange, ply_trend, sock_change

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Sequence

    from fhircare.delivery import FreeSlot
    from fhircare.follow.evidence import Evidence
    from fhircare.follow.logged import Logged
    from fhircare.log import LogEntry
    from fhircare.plan import Plan

_SEATING: dict[str, SeatingSign] = {"too-far-in": "loose", "not-all-the-way-in": "tight"}
"""The log's two signs of the fit as the planner's sock rules name them."""


@dataclass(frozen=True)
class Review:
    """What the log so far asks for.

    Attributes:
        plan: The plan in force.
        on: The day it is for.
        layout: How its sessions lie on a date.
        lived: What the days so far come down to.
        decision: The decision.
        socks: The change of socks asked for; None when nothing asks for one.
        trend: Where the total ply is going; None with too few days.
        visit: The visit to bring forward or add; None for none.
        goals: How each target stands.
    """

    plan: Plan
    on: dt.date
    layout: Layout
    lived: Lived
    decision: Decision
    socks: SockChange | None
    trend: PlyTrend | None
    visit: VisitChange | None
    goals: tuple[TargetProgress, ...]


def review(
    plan: Plan, entries: Iterable[LogEntry] | Logged, on: dt.date, slots: tuple[FreeSlot, ...] = ()
) -> Review:
    """Return what the log so far asks for on a day.

    Pure: the same plan, log and day, the same review.

    Args:
        plan: The plan in force.
        entries: The log, indexed or not; entries for ``on`` and later are left out.
        on: The day to decide about.
        slots: The clinic's free times, where known; a visit is then put in one of these only.

    Raises:
        PlanningError: When the plan has no wearing schedule, or no clinic whose zone it is in.
    """
    layout = layout_of(plan)
    lived = live(plan, entries, on, layout.policy)
    decision = decide_lived(plan, on, lived)
    trend = _trend(plan, lived.history, layout.settings["trend_days"])
    return Review(
        plan=plan,
        on=on,
        layout=layout,
        lived=lived,
        decision=decision,
        socks=_socks(plan, decision, layout.settings["recheck_steps"]),
        trend=trend,
        visit=visit_change(plan, decision, trend, slots),
        goals=progress(plan, lived),
    )


def _trend(plan: Plan, history: Sequence[Evidence], least_days: int) -> PlyTrend | None:
    if plan.socks is None:
        return None
    notes = [PlyNote(day.on, day.ply_morning, day.ply_evening) for day in history]
    return ply_trend(notes, plan.socks.adjust_at_ply, least_days=least_days)


def _socks(plan: Plan, decision: Decision, recheck_steps: int) -> SockChange | None:
    """Return the change of socks; none while the prosthesis must not be worn."""
    last = decision.evidence[-1] if decision.evidence else None
    signs = [_SEATING[code] for code in last.signs if code in _SEATING] if last else []
    if plan.socks is None or decision.step == 0 or not signs:
        return None
    return sock_change(signs, ply_now(plan, decision.evidence), plan.care.sock_guide, recheck_steps)


def ply_now(plan: Plan, history: Sequence[Evidence]) -> int:
    """Return the total ply worn last, as far as it was written down."""
    for day in reversed(history):
        for ply in (day.ply_evening, day.ply_morning):
            if ply is not None:
                return ply
    return plan.socks.ply_at_delivery if plan.socks else 0
