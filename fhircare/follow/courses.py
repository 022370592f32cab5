"""Whole courses of invented people: each day reviewed, revised, approved, lived and logged, and judged.

The rules of safety are held against each day in words and code of their own: nothing here asks the code that
decides whether it decided well. What many courses came to is counted in ``Tally``.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from fhircare.follow.logged import Logged
from fhircare.follow.review import Review, review
from fhircare.follow.revise import revision_of
from fhircare.follow.simulate import EMERGENCIES, EVENING, Person
from fhircare.log import LogEntry

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.plan import Plan, WearDay

DAYS: Final = 60
_GRAVE_SKIN: Final = ("redness-not-pale", "blister", "broken-skin", "dark-area", "infection")
_GRAVE_SIGNS: Final = ("fever", *EMERGENCIES)


@dataclass
class Tally:
    """What a course came to, or many.

    Attributes:
        courses: How many.
        moves: How often each decision fell.
        met: How often each thing happened: what ``Person`` counts, and what became of the plan.
        full_day_on: Number of the first day planned, approved and lived as a whole day; one for each course
            that came so far.
        broken: Safety rules that were broken, in words; empty when all is well.
    """

    courses: int = 0
    moves: Counter[str] = field(default_factory=Counter)
    met: Counter[str] = field(default_factory=Counter)
    full_day_on: list[int] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Count another in."""
        self.courses += other.courses
        self.moves += other.moves
        self.met += other.met
        self.full_day_on += other.full_day_on
        self.broken += other.broken

    def median_full_day(self) -> int | None:
        """Return the day by which half of all courses had come to full-day wear, None when fewer did."""
        place = (self.courses - 1) // 2
        return sorted(self.full_day_on)[place] if 0 <= place < len(self.full_day_on) else None


@dataclass
class _Course:
    """A course while it is lived."""

    plan: Plan
    person: Person
    log: Logged = field(default_factory=Logged)
    written: dict[tuple[dt.date, str], LogEntry] = field(default_factory=dict)
    tally: Tally = field(default_factory=lambda: Tally(courses=1))
    stopped_on: int | None = None
    wait: int = 0

    def live(self, number: int, on: dt.date) -> None:
        """Live one day: review and revise in the morning, wear and write, and what the clinic does."""
        seen = review(self.plan, self.log, on)
        self.tally.moves[seen.decision.move] += 1
        self._judge(seen, number)
        self._revise(seen, number)
        today = _planned(self.plan, on)
        approved = self.plan.status == "active"
        if self.tally.full_day_on == [] and approved and any(one.all_day for one in today.sessions):
            self.tally.full_day_on.append(number + 1)
        if seen.socks is not None and seen.socks.possible and seen.socks.change:
            self.person.ply = seen.socks.to_ply
            self.tally.met["ply changed"] += 1
        yesterday = self.written.get((on - dt.timedelta(days=1), "patient"))
        if yesterday is not None and (corrected := self.person.corrects(yesterday)) is not None:
            self._write(corrected)
        for entry in self.person.lives(today if approved else replace(today, step=0, sessions=()), number):
            self._write(entry)
        self._see(seen, number, on)

    def _write(self, entry: LogEntry) -> None:
        self.written[entry.on, entry.author] = entry
        self.log.correct(entry)

    def _revise(self, seen: Review, number: int) -> None:
        before, revision = self.plan, revision_of(seen, self.log)
        if revision is not None:
            self.tally.met["revision"] += 1
            self.plan = revision.plan
            if revision_of(review(self.plan, self.log, seen.on), self.log) is not None:
                self._breaks(number, "the same log again gave another revision")
            if self.plan.visits != before.visits:
                self.tally.met["visit proposed"] += 1
        if before.status in ("on-hold", "draft") and self.plan.status == "active":
            self._breaks(number, "a plan after a stop was in force without approval")
        if seen.decision.step == 0 and _planned(self.plan, seen.on).sessions:
            self._breaks(number, "wear is planned during a stop")
        if self.plan.status != "draft":
            return
        if self.person.dice.random() < self.person.approves:
            self.plan = replace(self.plan, status="active", intent="plan")
            self.tally.met["proposal approved"] += 1
        else:
            self.tally.met["day a proposal waited"] += 1

    def _see(self, seen: Review, number: int, on: dt.date) -> None:
        """Let the clinic see the person after a stop, and release wear once the skin has healed."""
        if seen.decision.step:
            self.stopped_on = None
            return
        if self.stopped_on is None:
            self.stopped_on = number
            longest = 7 if seen.decision.move == "emergency" else 5
            self.wait = self.person.dice.randint(longest - 5 or 1, longest)
            self.tally.met["stop began"] += 1
        if number - self.stopped_on >= self.wait and not self.person.wound:
            at = dt.datetime.combine(on, EVENING) + dt.timedelta(hours=1)
            self._write(LogEntry(on=on, written_at=at, author="clinic", released=True))
            self.tally.met["release"] += 1

    # -------------------------------------------------------------------------------------- judging

    def _breaks(self, number: int, what: str) -> None:
        self.tally.broken.append(f"day {number}: {what}")

    def _judge(self, seen: Review, number: int) -> None:
        """Hold a decision to the rules of safety."""
        step, on = seen.decision.step, seen.on
        before = _planned(self.plan, on - dt.timedelta(days=1)) if number else None
        told = [one for one in self.written.values() if one.on == on - dt.timedelta(days=1)]
        worn = [one for one in told if one.minutes]
        released = any(one.released for one in told)
        if before and before.step and step > before.step:
            if any(_troubled(one) for one in told):
                self._breaks(number, "wear rose the day after a finding")
            if not worn:
                self._breaks(number, "a day nobody reported sped the pace up")
        if any(map(_grave, told)) and not released and step:
            self._breaks(number, "a sign to stop at did not stop")
        signed = max((one.on for one in self.written.values() if _grave(one)), default=None)
        freed = max((one.on for one in self.written.values() if one.released), default=None)
        if signed is not None and step and (freed is None or freed < signed):
            self._breaks(number, "a stop was lifted without a release")
        answered = (seen.decision.move, seen.decision.call) == ("emergency", "emergency-number")
        if not released and not answered and any(set(one.signs) & set(EMERGENCIES) for one in told):
            self._breaks(number, "an emergency was not answered as one")


def _grave(entry: LogEntry) -> bool:
    """Tell whether an entry holds a sign to stop at, read straight from what was written."""
    return bool(
        entry.fall_hurt
        or entry.damage
        or (entry.pain is not None and entry.pain >= 7)
        or set(entry.signs) & set(_GRAVE_SIGNS)
        or any(one.skin in _GRAVE_SKIN or (one.faded_after or 0) > 30 for one in entry.sessions)
    )


def _troubled(entry: LogEntry) -> bool:
    """Tell whether the skin of a day was anything but clear, or not seen to be."""
    return _grave(entry) or any(
        one.skin in ("rash", "tender-spot") or (one.skin == "redness" and one.faded_after is None)
        for one in entry.sessions
    )


def _planned(plan: Plan, on: dt.date) -> WearDay:
    days = plan.wear.days if plan.wear else ()
    found = next((day for day in days if day.on == on), None)
    return found or replace(days[-1], on=on)


def live_through(plan: Plan, seed: int, days: int = DAYS) -> Tally:
    """Return what the course of one invented person came to.

    Args:
        plan: A plan with a wearing schedule, made by the planner.
        seed: Who the person is.
        days: How many days.
    """
    if plan.wear is None:
        raise ValueError("a plan without a schedule cannot be lived through")
    person = Person.of(seed, plan.socks.ply_at_delivery if plan.socks else 0)
    course = _Course(replace(plan, status="active", intent="plan"), person)
    first = plan.wear.days[0].on
    for number in range(days):
        course.live(number, first + dt.timedelta(days=number))
    course.tally.met += person.met
    return course.tally


def together(tallies: Iterable[Tally]) -> Tally:
    """Return what several came to together."""
    whole = Tally()
    for one in tallies:
        whole.add(one)
    return whole
