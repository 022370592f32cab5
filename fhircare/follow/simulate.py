"""Invented patients who live through a plan: what the rules of following are driven with.

Everything here is assumption, no figure is measured (all "invented for this simulation"):

* on each day the person reports with a chance of their own (70 to 100 in 100);
* wears what is planned, within a few minutes, or falls short on one day in ten;
* skin has a tolerance in minutes of wear a day that grows with wear; wear beyond it reddens the skin, far
  beyond it blisters it; a few days have a rash, an unrelated fall or a fever, rarely;
* pain follows how near the day came to the tolerance;
* total ply rises slowly, at a pace of the person's own, as the limb loses volume;
* after a stop the clinic sees the person after one to five days, and releases the wear when the skin has
  healed; a proposal is approved the same day, or a few days later;
* someone in a stop may still wear the leg, now and then, and write it down.

The person is nobody. The same seed gives the same course.
"""

from __future__ import annotations

import datetime as dt
import random
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from fhircare.follow.logged import Logged
from fhircare.follow.review import review
from fhircare.follow.revise import revision_of
from fhircare.log import LogEntry, LogSession

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from fhircare.follow.decide import Decision
    from fhircare.log import Skin
    from fhircare.plan import Plan, WearDay

NOON = dt.time(20, 0, tzinfo=dt.UTC)


@dataclass
class Person:
    """An invented person's traits.

    Attributes:
        dice: Where chance comes from.
        reports: Chance that a day is written down.
        tolerance: Minutes a day the skin bears now.
        hardens: How much more it bears after a day worn within it.
        shrinks: Ply a day.
        obeys: Chance that a stop is kept.
        wound: Days until the skin has healed, 0 when whole.
    """

    dice: random.Random
    reports: float
    tolerance: float
    hardens: float
    shrinks: float
    obeys: float
    wound: int = 0

    @classmethod
    def of(cls, seed: int) -> Person:
        """Return the person of a seed."""
        dice = random.Random(seed)  # noqa: S311 - chance of a simulation, no secret
        return cls(
            dice=dice,
            reports=dice.uniform(0.7, 1.0),
            tolerance=dice.uniform(60, 300),
            hardens=dice.uniform(20, 120),
            shrinks=dice.uniform(0, 0.15),
            obeys=dice.uniform(0.8, 1.0),
        )

    def lives(self, day: WearDay, number: int, ply: int) -> LogEntry | None:
        """Return what the person writes about a day, None when they do not."""
        dice = self.dice
        sessions, worn = [], 0
        planned = [session.minutes for session in day.sessions]
        if not planned and dice.random() > self.obeys:
            planned = [30]
        for minutes in planned:
            length = max(0, round(minutes * dice.choice([0.4, *[1.0] * 9]) + dice.randint(-2, 2)))
            worn += length
            sessions.append((length, self._skin(worn)))
        if worn and worn <= self.tolerance:
            self.tolerance += self.hardens
        self.wound = max(self.wound - 1, 0)
        if dice.random() > self.reports:
            return None
        near = worn / self.tolerance
        return LogEntry(
            on=day.on,
            written_at=dt.datetime.combine(day.on, NOON),
            sessions=tuple(self._session(length, skin) for length, skin in sessions),
            pain=min(10, round(near * 3)) if dice.random() < 0.95 else None,
            ply_morning=min(ply + round(self.shrinks * number), 30),
            falls=1 if dice.random() < 0.01 else 0,
            signs=("fever",) if dice.random() < 0.002 else (),
        )

    def _skin(self, worn: int) -> Skin:
        over = worn / self.tolerance
        if self.wound:
            return "broken-skin"
        if over > 1.6:
            self.wound = self.dice.randint(3, 10)
            return "blister"
        if over > 1.0:
            return "redness"
        return "rash" if self.dice.random() < 0.01 else "clear"

    def _session(self, minutes: int, skin: Skin) -> LogSession:
        if not minutes:
            return LogSession(minutes=0)
        if skin != "redness":
            return LogSession(minutes=minutes, skin=skin)
        faded = self.dice.choice([5, 10, 20, 25, 40, None])
        return LogSession(minutes=minutes, skin=skin, faded_after=faded)


@dataclass
class Lived:
    """One course.

    Attributes:
        plan: The plan at its end.
        moves: How often each decision fell.
        revisions: How many revisions there were.
        full_day_on: Number of the first day planned and approved as a whole day, None when never.
        broken: Safety rules that were broken, in words; empty when all is well.
    """

    plan: Plan
    moves: Counter[str] = field(default_factory=Counter)
    revisions: int = 0
    full_day_on: int | None = None
    broken: list[str] = field(default_factory=list)


def live_through(plan: Plan, seed: int, days: int = 60) -> Lived:
    """Return the course of one invented person: each day decided, revised, approved, lived and logged.

    Args:
        plan: A plan with a wearing schedule, made by the planner.
        seed: Who the person is.
        days: How many days.
    """
    if plan.wear is None:
        raise ValueError("a plan without a schedule cannot be lived through")
    person, first = Person.of(seed), plan.wear.days[0].on
    now = Lived(replace(plan, status="active", intent="plan"))
    ply = plan.socks.ply_at_delivery if plan.socks else 0
    log: list[LogEntry] = []
    last: Decision | None = None
    stopped_since: int | None = None
    for number in range(days):
        on = first + dt.timedelta(days=number)
        seen = review(now.plan, log, on)
        now.moves[seen.decision.move] += 1
        _judge(now, seen.decision, last, log, on)
        revision = revision_of(seen, Logged.of(log))
        if revision is not None:
            now.revisions += 1
            now.plan = revision.plan
            if revision_of(review(now.plan, log, on), Logged.of(log)) is not None:
                now.broken.append(f"day {number}: the same log again gave another revision")
        if now.plan.status == "draft" and person.dice.random() < 0.7:
            now.plan = replace(now.plan, status="active", intent="plan")
        stopped_since = None if seen.decision.step else (number if stopped_since is None else stopped_since)
        today = _planned(now.plan, on)
        if seen.decision.step == 0 and today.sessions:
            now.broken.append(f"day {number}: wear is planned during a stop")
        if now.full_day_on is None and any(one.all_day for one in today.sessions):
            now.full_day_on = number + 1
        lived = today if now.plan.status == "active" else replace(today, step=0, sessions=())
        entry = person.lives(lived, number, ply)
        log += [entry] if entry else []
        if (
            stopped_since is not None
            and number - stopped_since >= person.dice.randint(1, 5)
            and not person.wound
        ):
            log.append(_release(on))
        last = seen.decision
    return now


def _planned(plan: Plan, on: dt.date) -> WearDay:
    days = plan.wear.days if plan.wear else ()
    found = next((day for day in days if day.on == on), None)
    return found or replace(days[-1], on=on)


def _release(on: dt.date) -> LogEntry:
    at = dt.datetime.combine(on, dt.time(21, 0, tzinfo=dt.UTC))
    return LogEntry(on=on, written_at=at, author="clinic", released=True)


_BAD = ("stop", "emergency")


def _judge(
    now: Lived, decision: Decision, last: Decision | None, log: Sequence[LogEntry], on: dt.date
) -> None:
    """Hold a decision to the rules of safety, in words that do not use the rules' own code."""
    if last is None:
        return
    yesterday = decision.evidence[-1]
    before = next((day for day in reversed(_days_of(now.plan)) if day.on < on and day.step), None)
    if yesterday.level in ("watch", *_BAD) and before and decision.step > max(before.step, 1):
        now.broken.append(f"{on}: wear rose the day after a finding")
    if last.step == 0 and decision.step and not any(e.released and e.on < on for e in log):
        now.broken.append(f"{on}: a stop was lifted without a release")
    if yesterday.level in _BAD and not yesterday.released and decision.step:
        now.broken.append(f"{on}: a sign to stop at did not stop")
    if yesterday.worn is None and before and decision.step > before.step:
        now.broken.append(f"{on}: a day nobody reported sped the pace up")


def _days_of(plan: Plan) -> tuple[WearDay, ...]:
    return plan.wear.days if plan.wear else ()


def report(courses: Iterable[tuple[str, Lived]]) -> list[str]:
    """Return what many courses came to: how often each decision fell, and full-day wear by pace.

    Args:
        courses: Each with the name of its pace.
    """
    found = list(courses)
    moves = sum((lived.moves for _, lived in found), Counter[str]())
    total = sum(moves.values()) or 1
    lines = [f"{len(found)} courses, {total} decisions"]
    lines += [f"  {move:<10} {count:6}  {100 * count / total:5.1f} %" for move, count in moves.most_common()]
    for pace in sorted({pace for pace, _ in found}):
        reached = sorted(lived.full_day_on for name, lived in found if name == pace and lived.full_day_on)
        of = sum(name == pace for name, _ in found)
        middle = f"median day {reached[len(reached) // 2]}" if reached else "never"
        lines.append(f"  full-day wear, {pace}: {middle}, reached by {len(reached)} of {of}")
    broken = sum(len(lived.broken) for _, lived in found)
    return [*lines, f"  safety rules broken: {broken}"]
