"""The ladder of wearing time: its rungs, shortest first.

Common practice, no source: two sessions a day; 30 minutes each on the first rung, 60 on the second, then one
hour more per session on each, 6 hours each on the seventh, and the whole day from the eighth. The first rung
may be anything from 30 to 60 minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fhircare.errors import PlanningError

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung.

    Attributes:
        number: From 1.
        sessions: Sessions a day.
        minutes: Length of each.
        all_day: True on the last rung: one session for the whole waking day.
        sitting_percent: Part of each session spent sitting.
        walking_percent: Part of each session spent walking; the rest is standing.
    """

    number: int
    sessions: int
    minutes: int
    all_day: bool
    sitting_percent: int
    walking_percent: int

    @property
    def total(self) -> int:
        """Minutes of wear on a day of this rung."""
        return self.sessions * self.minutes


def ladder(settings: Mapping[str, int], waking_minutes: int) -> tuple[Rung, ...]:
    """Return the rungs for a waking day of ``waking_minutes`` in which the prosthesis may be worn.

    From rung to rung a session grows by at most the pace's increase; only the second rung has a length of
    its own. The daily total never grows by more than all sessions together may: when the waking day is
    longer than that, rungs with one long session lie between the longest sessions and the whole day. Rungs
    that the waking day cannot hold with the rest between their sessions are left out.

    Raises:
        PlanningError: When the waking day does not hold even one session of the first rung.
    """
    first = settings["first_day_minutes"]
    if waking_minutes < first:
        raise PlanningError(
            "The waking day is shorter than the first session",
            f"give a waking day with at least {first} minutes for wear between waking and sleep",
        )
    count = settings["sessions_a_day"]
    while count > 1 and count * first + (count - 1) * settings["rest_minutes"] > waking_minutes:
        count -= 1
    rise = count * settings["daily_increase_minutes"]
    steps = [
        (count, length)
        for length in lengths(settings)
        if count * length + (count - 1) * settings["rest_minutes"] <= waking_minutes
        and count * length < waking_minutes
    ]
    total = count * steps[-1][1] if steps else waking_minutes
    while total + rise < waking_minutes:
        total += rise
        steps.append((1, total))
    steps.append((1, waking_minutes))
    last = len(steps) - 1
    return tuple(
        Rung(
            number=index + 1,
            sessions=sessions,
            minutes=minutes,
            all_day=index == last,
            sitting_percent=_between(settings, "sitting_percent", index, last),
            walking_percent=_between(settings, "walking_percent", index, last),
        )
        for index, (sessions, minutes) in enumerate(steps)
    )


def lengths(settings: Mapping[str, int]) -> list[int]:
    """Return the length of a session on each rung before the whole day, in minutes."""
    found, longest = [settings["first_day_minutes"]], settings["longest_session_minutes"]
    if longest > found[0]:
        found.append(settings["second_step_minutes"])
    while found[-1] < longest:
        found.append(min(found[-1] + settings["daily_increase_minutes"], longest))
    return found


def _between(settings: Mapping[str, int], name: str, index: int, last: int) -> int:
    first, final = settings[f"{name}_first"], settings[f"{name}_last"]
    return first + (final - first) * index // last if last else final


def split(minutes: int, rung: Rung) -> tuple[int, int, int]:
    """Return the minutes of a session spent sitting, standing and walking; they add up to ``minutes``.

    Told in steps of five minutes: walking rounded down, sitting to the nearest.
    """
    walking = minutes * rung.walking_percent // 500 * 5
    sitting = min((minutes * rung.sitting_percent + 250) // 500 * 5, minutes - walking)
    return sitting, minutes - sitting - walking, walking
