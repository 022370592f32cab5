"""Invented people who live through a plan: what the rules of following are driven with.

Everything here is assumption, no figure is measured (all "invented for this simulation"). What happens by
chance, and how often, is the table ``CHANCES``; besides:

* skin bears a number of minutes of wear a day, 60 to 300 at first, and 20 to 120 more after each day within
  it; wear beyond it reddens the skin, wear beyond 1.6 times of it blisters it, and a blister takes 3 to 10
  days to heal;
* pain follows how near the day came to that number;
* the limb loses 0 to 0.15 ply a day, at a pace of the person's own; who sinks in says so, and adds the ply
  that the review proposes;
* a stop is released when the skin has healed, not before 1 to 5 days (after an emergency 2 to 7);
* a proposal is approved on each day with a chance of the clinic's own, 0.2 to 1.

The person is nobody. The same seed gives the same course.
"""

from __future__ import annotations

import datetime as dt
import random
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from fhircare.log import LogEntry, LogSession

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fhircare.log import Skin
    from fhircare.plan import WearDay

EVENING: Final = dt.time(20, 0, tzinfo=dt.UTC)
CHANCES: Final = {
    "short": (0.10, "a session is worn for less than half of its minutes"),
    "no-pain-told": (0.05, "a reported day says nothing of pain"),
    "not-looked": (0.03, "nobody looked at the skin after a session"),
    "rash": (0.01, "a session within what the skin bears is followed by a rash"),
    "fall": (0.01, "a day has a fall"),
    "fall-hurt": (0.10, "a fall hurts"),
    "fever": (0.002, "a day has a fever"),
    "emergency": (0.0015, "a day has a sign of an emergency: clot, fainting, bleeding"),
    "damage": (0.001, "a day has a new noise, or a loose part"),
    "sweat": (0.05, "a day has heavy sweat"),
    "new-shoes": (0.005, "a day has other shoes"),
    "correction": (0.03, "a reported day is corrected on the next: what was seen on the skin, or the pain"),
    "helper": (0.05, "a helper writes about the day too"),
}
"""How likely each thing is, by its name: the chance, and what it is the chance of."""
EMERGENCIES: Final = ("breathing-trouble", "fainting", "coughing-blood", "heavy-bleeding")
_CORRECTED: Final[tuple[Skin, ...]] = ("clear", "marks", "rash", "redness", "blister")


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
        approves: Chance that the clinic approves a proposal on a day.
        ply: Total ply worn.
        wound: Days until the skin has healed, 0 when whole.
        met: How often each thing of ``CHANCES`` happened.
    """

    dice: random.Random
    reports: float
    tolerance: float
    hardens: float
    shrinks: float
    obeys: float
    approves: float
    ply: int = 0
    wound: int = 0
    met: Counter[str] = field(default_factory=Counter)

    @classmethod
    def of(cls, seed: int, ply: int) -> Person:
        """Return the person of a seed, who was given a number of ply at delivery."""
        dice = random.Random(seed)  # noqa: S311 - chance of a simulation, no secret
        return cls(
            dice=dice,
            reports=dice.uniform(0.7, 1.0),
            tolerance=dice.uniform(60, 300),
            hardens=dice.uniform(20, 120),
            shrinks=dice.uniform(0, 0.15),
            obeys=dice.uniform(0.8, 1.0),
            approves=dice.uniform(0.2, 1.0),
            ply=ply,
        )

    def happens(self, what: str) -> bool:
        """Throw the dice for a thing of ``CHANCES``."""
        found = self.dice.random() < CHANCES[what][0]
        self.met[what] += found
        return found

    def lives(self, day: WearDay, number: int) -> list[LogEntry]:
        """Return what is written about a day of the course, nothing when it is not reported.

        Args:
            day: The day, with the sessions that are in force.
            number: Its number in the course, from 0.
        """
        planned = [session.minutes for session in day.sessions]
        if not planned and self.dice.random() > self.obeys:
            planned = [30]
            self.met["worn during a stop"] += 1
        sessions, worn = self._wears(planned)
        self.wound = max(self.wound - 1, 0)
        if self.dice.random() > self.reports:
            self.met["not reported"] += 1
            return []
        entry = self._writes(day.on, number, sessions, worn)
        if not self.happens("helper"):
            return [entry]
        return [entry, replace(entry, author="caregiver", pain=None, signs=())]

    def _wears(self, planned: Sequence[int]) -> tuple[list[LogSession], int]:
        sessions, worn = [], 0
        for minutes in planned:
            part = 0.4 if self.happens("short") else 1.0
            length = max(0, round(minutes * part) + self.dice.randint(-2, 2))
            worn += length
            sessions.append(self._session(length, worn))
        if 0 < worn <= self.tolerance:
            self.tolerance += self.hardens
        return sessions, worn

    def _session(self, minutes: int, worn: int) -> LogSession:
        if not minutes:
            return LogSession(minutes=0)
        skin = self._skin(worn)
        if self.happens("not-looked"):
            return LogSession(minutes=minutes)
        faded = self.dice.choice([5, 10, 20, 25, 40, None]) if skin == "redness" else None
        return LogSession(minutes=minutes, skin=skin, faded_after=faded)

    def _skin(self, worn: int) -> Skin:
        over = worn / self.tolerance
        if self.wound:
            return "broken-skin"
        if over > 1.6:
            self.wound = self.dice.randint(3, 10)
            return "blister"
        if over > 1.0:
            return "redness"
        return "rash" if self.happens("rash") else "clear"

    def _writes(self, on: dt.date, number: int, sessions: Sequence[LogSession], worn: int) -> LogEntry:
        signs = [sign for sign in ("fever",) if self.happens(sign)]
        if self.happens("emergency"):
            signs.append(self.dice.choice(EMERGENCIES))
        if sessions and round(self.shrinks * number) > self.ply + 1:
            signs.append("too-far-in")
        fell = self.happens("fall")
        pain = min(10, round(worn / self.tolerance * 3))
        return LogEntry(
            on=on,
            written_at=dt.datetime.combine(on, EVENING),
            sessions=tuple(sessions),
            pain=None if self.happens("no-pain-told") else pain,
            ply_morning=self.ply,
            ply_evening=self.ply + self.dice.randint(0, 1),
            sweating="heavy" if self.happens("sweat") else None,
            falls=int(fell),
            fall_hurt=True if fell and self.happens("fall-hurt") else None,
            damage=True if self.happens("damage") else None,
            new_shoes=True if self.happens("new-shoes") else None,
            signs=tuple(signs),
        )

    def corrects(self, entry: LogEntry) -> LogEntry | None:
        """Return the correction that the person writes a day later, None when there is nothing to correct."""
        if not entry.sessions or not self.happens("correction"):
            return None
        skin = self.dice.choice(_CORRECTED)
        first, *rest = entry.sessions
        if not first.minutes:
            return None
        mended = replace(first, skin=skin, faded_after=10 if skin == "redness" else None)
        later = entry.written_at + dt.timedelta(hours=12)
        return replace(entry, sessions=(mended, *rest), pain=self.dice.randint(0, 6), written_at=later)
