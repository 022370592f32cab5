"""The course so far as plain data: planned and worn, skin, ply and where it is going, goals.

What the progress picture draws, and what a machine may read instead of it. Planned hours are those of the
revision that was in force on the day.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fhircare.follow.evidence import Evidence, by_day
from fhircare.follow.review import review
from fhircare.plan import LEVELS

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Sequence

    from fhircare.follow.goals import TargetProgress
    from fhircare.log import LogEntry
    from fhircare.plan import Plan
    from fhircare.planner.socks import PlyTrend


@dataclass(frozen=True, slots=True)
class CourseDay:
    """One day: minutes planned, None when no revision planned it; and what was logged."""

    on: dt.date
    planned: int | None
    logged: Evidence | None

    @property
    def finding(self) -> str:
        """The gravest sign of the day, "" for none."""
        return self.logged.signs[0] if self.logged and self.logged.signs else ""


@dataclass(frozen=True)
class Course:
    """The course of one plan up to a day.

    Attributes:
        plan: The plan in force.
        days: Every day from the first planned one, in order.
        trend: Where the total ply is going; None with too few days.
        goals: How each target stands.
    """

    plan: Plan
    days: tuple[CourseDay, ...]
    trend: PlyTrend | None
    goals: tuple[TargetProgress, ...]


def course_of(revisions: Sequence[Plan], entries: Iterable[LogEntry], on: dt.date) -> Course:
    """Return the course up to and with the day before ``on``, and what is planned after it.

    Args:
        revisions: Every revision of the plan, the first one first.
        entries: The log in force.
        on: The day that is today.

    Raises:
        PlanningError: When the newest revision has no wearing schedule, or no clinic.
    """
    plan, log = revisions[-1], [entry for entry in entries if entry.on < on]
    seen = review(plan, log, on)
    planned: dict[dt.date, int] = {}
    for revision in revisions:
        planned |= {day.on: day.minutes for day in (revision.wear.days if revision.wear else ())}
    logged = by_day(plan, log)
    days = tuple(CourseDay(day, planned.get(day), logged.get(day)) for day in sorted({*planned, *logged}))
    return Course(plan, days, seen.trend, seen.goals)


def as_data(course: Course) -> dict[str, Any]:
    """Return a course as JSON would hold it; what is not known is null."""
    trend = course.trend
    return {
        "plan": course.plan.number,
        "revision": course.plan.revision,
        "status": course.plan.status,
        "days": [_day(day) for day in course.days],
        "ply_trend": None
        if trend is None
        else {
            "per_day": round(trend.per_day, 3),
            "low": round(trend.low, 3),
            "high": round(trend.high, 3),
            "confidence": trend.confidence,
            "threshold": trend.threshold,
            "reached_on": _iso(trend.reached_on),
            "earliest": _iso(trend.earliest),
            "latest": _iso(trend.latest),
        },
        "goals": [
            {
                "goal": course.plan.goals[one.goal].text,
                "measure": one.measure,
                "unit": one.unit,
                "wanted": str(one.wanted),
                "first": None if one.first is None else str(one.first),
                "latest": None if one.latest is None else str(one.latest),
                "achievement": one.achievement,
                "says": one.text,
            }
            for one in course.goals
        ],
    }


def _day(day: CourseDay) -> dict[str, Any]:
    logged = day.logged
    return {
        "on": day.on.isoformat(),
        "planned_minutes": day.planned,
        "worn_minutes": logged.worn if logged else None,
        "signs": list(logged.signs) if logged else [],
        "level": logged.level if logged else None,
        "pain": logged.pain if logged else None,
        "ply_morning": logged.ply_morning if logged else None,
        "ply_evening": logged.ply_evening if logged else None,
    }


def _iso(day: dt.date | None) -> str | None:
    return day.isoformat() if day else None


def gravest(days: Iterable[CourseDay]) -> str:
    """Return the gravest level among the days, "" when nothing was found."""
    levels = [day.logged.level for day in days if day.logged and day.logged.level]
    return max(levels, key=LEVELS.index) if levels else ""
