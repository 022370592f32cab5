"""What one review costs as history grows, and what many invented courses come to.

``python -m tests.bench bench_follow`` prints the processor time of a review after 30, 365 and 3,650 days of
logs, as a ratio of that after 30; a ratio near 1 is constant time. Then it drives invented patients through
60 days each; the environment's
``COURSES`` is how many for each pace (50; a thousand take a quarter of an hour).
"""

from __future__ import annotations

import datetime as dt
import os
from dataclasses import replace
from typing import TYPE_CHECKING

from fhircare.follow.revise import revise
from fhircare.follow.simulate import live_through, report
from fhircare.log import LogEntry, LogSession
from fhircare.planner import make_plan
from tests.bench.bench_check import best
from tests.builders import record

if TYPE_CHECKING:
    from fhircare.plan import Plan

COURSES = int(os.environ.get("COURSES", "50"))


def logged(plan: Plan, days: int) -> list[LogEntry]:
    """Return a good day's entry for each of many days."""
    assert plan.wear is not None
    planned = plan.wear.days
    found = []
    for number in range(days):
        day = planned[min(number, len(planned) - 1)]
        on = planned[0].on + dt.timedelta(days=number)
        found.append(
            LogEntry(
                on=on,
                written_at=dt.datetime.combine(on, dt.time(20), dt.UTC),
                sessions=tuple(LogSession(minutes=s.minutes, skin="clear") for s in day.sessions),
                pain=1,
                ply_morning=1 + number % 3,
                ply_evening=2 + number % 3,
            )
        )
    return found


def main() -> None:
    """Print the cost of a review, and what the courses came to."""
    plan = replace(make_plan(record()), status="active", intent="plan")
    assert plan.wear is not None
    first = plan.wear.days[0].on
    base = 0.0
    for days in (30, 365, 3650):
        log, on = logged(plan, days), first + dt.timedelta(days=days)
        revise(plan, log, on)
        spent = best(lambda log=log, on=on: revise(plan, log, on))  # type: ignore[misc]
        base = base or spent
        print(f"{'one review':<28} {days:5} days of log: {spent * 1e3:6.2f} ms, ratio {spent / base:.2f}")  # noqa: T201
    plans = {
        "usual": plan,
        "cautious": make_plan(record({"limb.skin": ["skin-graft"]})),
        "experienced": make_plan(record({"prosthesis.first": False})),
    }
    courses = [(pace, live_through(one, seed)) for pace, one in plans.items() for seed in range(COURSES)]
    print("\n".join(report(courses)))  # noqa: T201
