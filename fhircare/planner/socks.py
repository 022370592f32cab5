"""Socks: which to wear for a total ply, which sign asks for which change, and the ply over the days.

Ply is a label, not a length. Socks of one material measured 0.7 mm at 1 ply, 1.2 mm at 3 and 1.5 mm at 5, so
layers do not add up (Sanders 2012, Prosthet Orthot Int); in volume they add up neither (Jasken and Hall
2018, J Prosthet Orthot 30(3):140). People still count total ply, and so does the guide here; nothing else is
reckoned from it.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Final, Literal

from fhircare.plan import SockKit, SockLayers
from fhircare.planner.rules import rules

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal

    from fhircare.planner.facts import Facts

# --- combinations ------------------------------------------------------------------------------------------


def sock_guide(kit: SockKit, settings: Mapping[str, int], facts: Facts) -> tuple[SockLayers, ...]:
    """Return how to make each total ply up to the one at which the socket needs adjusting.

    Args:
        kit: The socks issued.
        settings: ``sock_sets``, ``most_sock_layers`` and ``thinnest_next_to_limb`` are used.
        facts: With a liner, socks for over the liner are used and no socks at all is a choice; without, socks
            for the skin are.
    """
    if not kit.socks:
        return ()
    over_liner = "liner" in facts
    owned: dict[int, int] = {}
    for sock in kit.socks:
        if sock.over_liner == over_liner or not over_liner:
            owned[sock.ply] = owned.get(sock.ply, 0) + sock.count
    if not owned:
        return ()
    at_once = {ply: count // settings["sock_sets"] for ply, count in owned.items()}
    thinnest_first = bool(settings["thinnest_next_to_limb"])
    guide = []
    least = 0 if over_liner or kit.ply_at_delivery == 0 else 1
    made = combinations(at_once, most=kit.adjust_at_ply, layers=settings["most_sock_layers"])
    for ply in range(least, kit.adjust_at_ply + 1):
        layers = made.get(ply)
        if layers is None:
            guide.append(SockLayers(ply=ply, possible=False))
        else:
            ordered = layers if thinnest_first else tuple(reversed(layers))
            guide.append(SockLayers(ply=ply, layers=ordered))
    return tuple(guide)


def combinations(at_once: Mapping[int, int], *, most: int, layers: int) -> dict[int, tuple[int, ...]]:
    """Return, for each total ply that can be made, the socks to make it with, thinnest first.

    The fewest layers win; among as few, the most even ones, whose thickest sock is thinnest.

    Args:
        at_once: How many socks of each ply can be worn at the same time.
        most: Greatest total looked for.
        layers: Most layers.
    """
    pool = sorted(ply for ply, count in at_once.items() for _ in range(min(count, layers)))
    found: dict[int, tuple[int, ...]] = {0: ()}
    for count in range(1, min(layers, len(pool)) + 1):
        for combination in sorted(set(itertools.combinations(pool, count)), key=lambda c: c[::-1]):
            total = sum(combination)
            if total <= most and total not in found:
                found[total] = combination
    return found


@dataclass(frozen=True, slots=True)
class PublishedVolume:
    """What one published measurement found for one combination of layers.

    Attributes:
        layers: Ply of each sock, from the limb outwards.
        percent: Volume added outside the liner, percent of the model's volume.
        source: The publication, and what was measured.
    """

    layers: tuple[int, ...]
    percent: Decimal
    source: str


def published_volume(layers: Sequence[int]) -> PublishedVolume | None:
    """Return what was measured for exactly these layers, None when nobody has measured them.

    Nothing is put between or beyond the measured combinations: a single 5-ply sock added less volume than a
    3-ply one, so no rule leads from one combination to another.
    """
    percent = rules().sock_volume.get(tuple(layers))
    return PublishedVolume(tuple(layers), percent, rules().sock_volume_source) if percent else None


# --- signs and the change each asks for --------------------------------------------------------------------

SeatingSign = Literal[
    "groin-pressure", "end-pressure", "loose", "drops-when-sitting", "more-clicks", "leg-short",
    "tight", "fewer-clicks", "leg-tall", "will-not-seat",
]  # fmt: skip
TOO_FAR_IN: Final[frozenset[SeatingSign]] = frozenset(
    {"groin-pressure", "end-pressure", "loose", "drops-when-sitting", "more-clicks", "leg-short"}
)
"""Signs that the limb sinks too far into the socket (common practice, no source)."""
NOT_ALL_THE_WAY: Final[frozenset[SeatingSign]] = frozenset(
    {"tight", "fewer-clicks", "leg-tall", "will-not-seat"}
)
"""Signs that the limb does not get all the way in (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class SockChange:
    """What to do about the socks.

    Attributes:
        change: +1 to add one ply, -1 to take one off, 0 to leave them and call.
        to_ply: Total ply to try next.
        layers: Socks that make it, from the limb outwards; empty when none or when it cannot be made.
        possible: False when it cannot be made from the socks at hand.
        recheck_steps: Steps to walk before checking again.
        why: The reason, in a sentence.
    """

    change: Literal[-1, 0, 1]
    to_ply: int
    layers: tuple[int, ...]
    possible: bool
    recheck_steps: int
    why: str


def sock_change(
    signs: Sequence[SeatingSign], ply: int, guide: Sequence[SockLayers], recheck_steps: int
) -> SockChange:
    """Return the change that the signs ask for: one ply at a time, then a few steps and a new look.

    Signs of both kinds at once, no sign at all, and a threshold reached ask for a call rather than a change.

    Args:
        signs: What the person notices.
        ply: Total ply worn now.
        guide: The person's sock guide.
        recheck_steps: Steps to walk after a change before checking again.
    """
    far_in, not_in = bool(TOO_FAR_IN & set(signs)), bool(NOT_ALL_THE_WAY & set(signs))

    def told(
        change: Literal[-1, 0, 1], why: str, *, layers: tuple[int, ...] = (), possible: bool = True
    ) -> SockChange:
        steps = recheck_steps if change else 0
        return SockChange(change, ply + change, layers, possible, steps, why)

    if far_in and not_in:
        return told(
            0, "Signs of sinking in and of not getting in do not go together: leave the socks and call."
        )
    if not far_in and not not_in:
        return told(0, "Nothing asks for a change of socks.")
    change: Literal[-1, 1] = 1 if far_in else -1
    to_ply = ply + change
    if far_in and to_ply > max((entry.ply for entry in guide), default=0):
        return told(0, "The threshold is reached: the socket needs adjusting, so call.")
    if to_ply < 0:
        return told(0, "There is no sock left to take off: do not force the limb in, and call.")
    entry = next((entry for entry in guide if entry.ply == to_ply), None)
    if entry is None or not entry.possible:
        return told(change, f"{to_ply} ply cannot be made from the socks at hand: call.", possible=False)
    asks = "Sinking too far in asks for one ply more" if far_in else "Not getting in asks for one ply less"
    why = f"{asks}; walk about {recheck_steps} steps and check again."
    return told(change, why, layers=entry.layers)


# --- the ply over the days ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlyNote:
    """What was written down on one day: total ply in the morning and in the evening, None when not noted."""

    on: dt.date
    morning: int | None = None
    evening: int | None = None


@dataclass(frozen=True, slots=True)
class PlyTrend:
    """How total ply changes from day to day, and within a day.

    Attributes:
        per_day: Ply a day, Theil-Sen slope of the morning's ply.
        low: Lower end of its interval.
        high: Upper end of its interval.
        confidence: Of the interval, 0 to 1.
        swing: Median of evening less morning on days with both, None when there is none; apart from the
        trend. days: Days that went into the trend. threshold: Total ply at which the socket needs adjusting.
        reached_on: Day on which the trend reaches the threshold; None when it does not rise, or not in a
        year. earliest: First day of that day's interval, None when the interval never reaches it. latest:
        Last day of that day's interval, None when its slow end does not reach it in a year.
    """

    per_day: float
    low: float
    high: float
    confidence: float
    swing: float | None
    days: int
    threshold: int
    reached_on: dt.date | None
    earliest: dt.date | None
    latest: dt.date | None


def ply_trend(
    notes: Sequence[PlyNote], threshold: int, *, least_days: int, confidence: float = 0.95
) -> PlyTrend | None:
    """Return the trend of total ply, None with too few days to tell.

    Theil-Sen slope with Sen's interval (Sen 1968, J Am Stat Assoc 63:1379) through scipy; one odd day does
    not move it. Mornings are compared with mornings, so the swing within a day does not pass for a trend.
    The forecast counts from the line through the medians; its interval comes from the interval of the slope.

    Args:
        notes: One per day, any order.
        threshold: Total ply at which the socket needs adjusting.
        least_days: Fewer days than this tell no trend.
        confidence: Of the intervals.
    """
    both = [
        note.evening - note.morning for note in notes if note.morning is not None and note.evening is not None
    ]
    mornings = sorted((note.on, note.morning) for note in notes if note.morning is not None)
    if len(mornings) < least_days or mornings[0][0] == mornings[-1][0]:
        return None
    first = mornings[0][0]
    days = [(on - first).days for on, _ in mornings]
    plies = [ply for _, ply in mornings]
    slope = low = high = 0.0  # what the estimate comes to while the ply is the same every morning
    if min(plies) != max(plies):
        from scipy.stats import theilslopes

        slope, _, low, high = (float(value) for value in theilslopes(plies, days, confidence))
    middle, level = median(days), median(plies)

    def reaches(pace: float) -> dt.date | None:
        if level >= threshold:
            return first + dt.timedelta(days=math.floor(middle))
        ahead = (threshold - level) / pace if pace > 0 else math.inf
        if ahead > 365:
            return None
        return first + dt.timedelta(days=math.ceil(middle + ahead))

    return PlyTrend(
        per_day=slope,
        low=low,
        high=high,
        confidence=confidence,
        swing=float(median(both)) if both else None,
        days=len(mornings),
        threshold=threshold,
        reached_on=reaches(slope),
        earliest=reaches(high),
        latest=reaches(low),
    )
