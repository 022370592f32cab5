"""The log, indexed once: what a review looks up is found at the same cost after ten years as after a month.

A review looks closely at the last ``WINDOW`` days of the course, at the first week that was reported (what
the goals are compared with), and, however long ago they were, at days with a sign to stop at since the last
release. ``Logged`` finds each of them by its place in a sorted list, so nothing else is ever walked through.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from typing import TYPE_CHECKING

from fhircare.follow.evidence import Evidence, by_day, is_suspect, sign_levels

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Sequence

    from fhircare.log import LogEntry
    from fhircare.plan import Plan

WINDOW = 90
"""Days of history a decision looks at closely; further back it looks for a stop that still stands."""
WEEK = 7
"""Days of the first reports that goals are compared with."""
_GRAVE = ("stop", "emergency")


class Logged:
    """A log in force, in the order of its days. It grows by ``add``; nothing else changes it."""

    def __init__(self) -> None:
        self._entries: dict[dt.date, list[LogEntry]] = {}
        self._days: list[dt.date] = []
        self._told: list[dt.date] = []
        self._worn: list[dt.date] = []
        self._suspects: list[dt.date] = []
        self._releases: list[dt.date] = []
        self._written: list[tuple[dt.datetime, dt.date]] = []
        self._known: dict[dt.date, Evidence] = {}
        self._known_for: object = None

    @classmethod
    def of(cls, entries: Iterable[LogEntry] | Logged) -> Logged:
        """Return a log indexed; one that is already stays as it is."""
        if isinstance(entries, Logged):
            return entries
        found = cls()
        for entry in entries:
            found.add(entry)
        return found

    def add(self, entry: LogEntry) -> None:
        """Take in an entry of any day."""
        day = entry.on
        if day not in self._entries:
            insort(self._days, day)
        self._entries.setdefault(day, []).append(entry)
        self._note(day)
        insort(self._written, (entry.written_at, day))

    def correct(self, entry: LogEntry) -> None:
        """Take in an entry in place of the one that its author wrote about the same day."""
        day = entry.on
        for old in [one for one in self._entries.get(day, ()) if one.author == entry.author]:
            self._entries[day].remove(old)
            self._written.remove((old.written_at, day))
        self.add(entry)

    def _note(self, day: dt.date) -> None:
        """Keep what a day has to be found by."""
        entries = self._entries[day]
        worn = [one.minutes for one in entries if one.sessions]
        self._known.pop(day, None)
        for days, belongs in (
            (self._told, bool(worn)),
            (self._worn, bool(worn) and min(worn) > 0),
            (self._suspects, any(map(is_suspect, entries))),
            (self._releases, any(one.released for one in entries)),
        ):
            if belongs != _holds(days, day):
                insort(days, day) if belongs else days.remove(day)

    # ------------------------------------------------------------------------------------- looking up

    def latest(self, on: dt.date, count: int) -> list[dt.date]:
        """Return the last days before ``on`` that have an entry, at most ``count``, oldest first."""
        end = bisect_left(self._days, on)
        return self._days[max(end - count, 0) : end]

    def first_week(self, on: dt.date) -> list[dt.date]:
        """Return the first days before ``on`` that tell of wear, at most a week of them."""
        return self._told[: min(bisect_left(self._told, on), WEEK)]

    def last_worn(self, on: dt.date) -> dt.date | None:
        """Return the last day before ``on`` on which the prosthesis was worn, None when there is none."""
        place = bisect_left(self._worn, on)
        return self._worn[place - 1] if place else None

    def count_told(self, on: dt.date) -> int:
        """Return how many days before ``on`` tell of wear, or that there was none."""
        return bisect_left(self._told, on)

    def written_at(self, on: dt.date) -> dt.datetime | None:
        """Return when the latest entry about a day before ``on`` was written, None without one."""
        return next((at for at, day in reversed(self._written) if day < on), None)

    def evidence(self, plan: Plan, days: Sequence[dt.date]) -> dict[dt.date, Evidence]:
        """Return what is known of these days; a day that was asked for before is not worked out again."""
        asked = (plan.care.signs, plan.socks and plan.socks.adjust_at_ply)
        if asked != self._known_for:
            self._known, self._known_for = {}, asked
        fresh = [day for day in days if day not in self._known and day in self._entries]
        self._known |= by_day(plan, (entry for day in fresh for entry in self._entries[day]))
        return {day: self._known[day] for day in days if day in self._known}

    def open_stops(self, plan: Plan, begins: dt.date) -> dict[dt.date, set[str]]:
        """Return the signs to stop at, of days before ``begins``, that no clinician has released since."""
        place = bisect_left(self._releases, begins)
        since = bisect_right(self._suspects, self._releases[place - 1]) if place else 0
        days = self._suspects[since : bisect_left(self._suspects, begins)]
        levels = sign_levels(plan) if days else {}
        found = self.evidence(plan, days)
        grave = {on: {sign for sign in day.signs if levels[sign] in _GRAVE} for on, day in found.items()}
        return {on: signs for on, signs in grave.items() if signs}

    def unseen_stop(self, plan: Plan, on: dt.date) -> bool:
        """Tell whether a sign to stop at, about a day before ``on``, was written down after the plan was."""
        since = plan.written_at
        place = 0 if since is None else bisect_right(self._written, since, key=lambda one: one[0])
        for at, day in self._written[place:]:
            if day < on and _holds(self._suspects, day):
                entries = [one for one in self._entries[day] if one.written_at == at]
                if any(found.level in _GRAVE for found in by_day(plan, entries).values()):
                    return True
        return False


def _holds(days: list[dt.date], day: dt.date) -> bool:
    place = bisect_left(days, day)
    return place < len(days) and days[place] == day
