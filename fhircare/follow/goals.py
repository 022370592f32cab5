"""How the goals stand: measured values, and only such change as one can be sure of."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from decimal import Decimal
from statistics import fmean
from typing import TYPE_CHECKING

from fhircare.follow.evidence import follow_rules
from fhircare.follow.logged import WEEK
from fhircare.plan.measures import measures
from fhircare.planner.goals import change

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fhircare.follow.decide import Lived
    from fhircare.follow.evidence import Evidence
    from fhircare.plan import Goal, Plan, Target
    from fhircare.plan.goals import Achievement

WEAR = "daily-wear"


@dataclass(frozen=True, slots=True)
class TargetProgress:
    """How one target of a goal stands.

    Attributes:
        goal: Place of the goal in the plan.
        measure: Code of the measure.
        wanted: The target's value, in the measure's unit.
        unit: UCUM code of all values here.
        first: The first value known, None when there is none.
        latest: The latest one.
        met: Whether the latest meets the target.
        achievement: FHIR goal-achievement; None when there is no value to judge by.
        text: What can be said of the change, in a sentence for the clinic.
    """

    goal: int
    measure: str
    wanted: Decimal
    unit: str
    first: Decimal | None
    latest: Decimal | None
    met: bool
    achievement: Achievement | None
    text: str


def progress(plan: Plan, lived: Lived) -> tuple[TargetProgress, ...]:
    """Return how every target of the plan's goals stands after the days so far."""
    return tuple(
        _of_wear(index, target, lived) if target.measure == WEAR else _of_measure(plan, index, target)
        for index, goal in enumerate(plan.goals)
        for target in goal.targets
        if target.measure in measures()
    )


def judged(goals: Sequence[Goal], found: Sequence[TargetProgress]) -> tuple[Goal, ...]:
    """Return the goals with their achievement; all targets of a goal must be met (FHIR Goal.target)."""
    return tuple(_judged(goal, [p for p in found if p.goal == index]) for index, goal in enumerate(goals))


def _judged(goal: Goal, found: Sequence[TargetProgress]) -> Goal:
    known = [one.achievement for one in found if one.achievement]
    if not known:
        return goal
    if len(known) == len(goal.targets) and all(one == "achieved" for one in known):
        return replace(goal, achievement="achieved")
    if "worsening" in known:
        return replace(goal, achievement="worsening")
    if "improving" in known or "achieved" in known:
        return replace(goal, achievement="improving")
    return replace(goal, achievement=known[0])


def _of_wear(index: int, target: Target, lived: Lived) -> TargetProgress:
    rules, measure = follow_rules()["goal"], measures()[WEAR]
    wanted = measure.in_unit(target.value, target.unit) or target.value
    worn, begun = _hours(lived.history), _hours(lived.first_week)
    if not worn or not begun:
        return _unknown(index, target, wanted)
    running = worn[-rules["days_to_achieve"] :]
    met = len(running) == rules["days_to_achieve"] and min(running) >= wanted
    by = fmean(worn[-WEEK:]) - fmean(begun)
    sure = lived.told > WEEK and abs(by) >= rules["least_change_hours"]
    achievement: Achievement = "in-progress"
    if met:
        achievement = "achieved"
    elif sure:
        achievement = "improving" if by > 0 else "worsening"
    first, latest = (Decimal(str(round(value, 2))) for value in (begun[0], worn[-1]))
    text = f"Worn {latest} hours on the last day reported; {wanted} are wanted."
    return TargetProgress(index, WEAR, wanted, measure.unit, first, latest, met, achievement, text)


def _hours(days: Sequence[Evidence]) -> list[float]:
    return [day.worn / 60 for day in days if day.worn is not None]


def _of_measure(plan: Plan, index: int, target: Target) -> TargetProgress:
    measure = measures()[target.measure]
    wanted = measure.in_unit(target.value, target.unit) or target.value
    found = sorted((m for m in plan.measurements if m.measure == target.measure), key=lambda m: m.on)
    values = [measure.in_unit(one.quantity.value, one.quantity.unit) for one in found]
    known = [value for value in values if value is not None]
    if not known:
        return _unknown(index, target, wanted)
    first, latest = known[0], known[-1]
    met = latest >= wanted if target.comparator == "at-least" else latest <= wanted
    said = change(target.measure, first, latest)
    by_verdict: dict[str, Achievement] = {
        "better": "improving", "worse": "worsening", "same": "no-change", "unsure": "no-change",
        "unknown": "in-progress",
    }  # fmt: skip
    achievement = "achieved" if met else by_verdict[said.verdict] if len(known) > 1 else "in-progress"
    text = said.text if len(known) > 1 else "Measured once; a change needs two measurements."
    return TargetProgress(index, target.measure, wanted, measure.unit, first, latest, met, achievement, text)


def _unknown(index: int, target: Target, wanted: Decimal) -> TargetProgress:
    unit, text = measures()[target.measure].unit, "Not measured yet."
    return TargetProgress(
        index, target.measure, wanted, unit, None, None, met=False, achievement=None, text=text
    )


def newly_achieved(before: Sequence[Goal], after: Sequence[Goal]) -> bool:
    """Tell whether a goal has been reached that had not been."""
    return any(
        new.achievement == "achieved" != old.achievement
        for old, new in itertools.zip_longest(before, after)
        if old and new
    )
