"""What one review costs as history grows, and what many invented courses come to.

``python -m tests.bench bench_follow`` prints the processor time of a review after 30, 365 and 3,650 days of
logs, as a ratio of that after 30: of the rules alone, and of a whole bundle in memory, as `fhircare review`
has it once the file is parsed. A ratio near 1 is constant time; the rules look closely at 90 days, so that
30 days are less than they ever look at. Then it lives through thousands of invented courses of 60 days each,
in all processes there are; the environment's ``COURSES`` is how many (2,100).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING

from fhircare.bundle import to_bundle
from fhircare.bundle.logbook import take_log
from fhircare.follow.keep import follow
from fhircare.follow.logged import Logged
from fhircare.follow.revise import revise
from fhircare.log import LogEntry, LogSession
from fhircare.planner import make_plan
from tests.bench.bench_check import best
from tests.bench.courses import report, run
from tests.builders import record

if TYPE_CHECKING:
    from fhircare.plan import Plan


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
    base: dict[str, float] = {}
    for days in (30, 90, 365, 3650):
        entries, on = logged(plan, days), first + dt.timedelta(days=days)
        index = Logged.of(entries)
        bundle = take_log(to_bundle(plan, validate=False), plan, entries).bundle
        bundle = dict(follow(bundle, on).bundle)
        ways = {
            "one review, log indexed": lambda log=index, on=on: revise(plan, log, on),
            "one review, log new": lambda log=entries, on=on: revise(plan, log, on),
            "one review of a bundle": lambda bundle=bundle, on=on: follow(bundle, on),
        }
        for name, way in ways.items():
            way()
            spent = best(way)
            told = f"{spent * 1e3:7.2f} ms, ratio {spent / base.setdefault(name, spent):.2f}"
            print(f"{name:<28} {days:5} days of log: {told}")  # noqa: T201
    print("\n".join(report(run())))  # noqa: T201
