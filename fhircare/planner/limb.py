"""The residual limb: its volume from circumferences, how that changes, and how mature it is.

Between two measured heights the limb counts as a truncated cone,

    V = h (C1^2 + C1 C2 + C2^2) / (12 pi),

h the distance between the heights and C the circumferences (the usual sum of truncated cones, as in
Mayrovitz 2007, Phys Ther 87(10):1362). Only the measured length is counted: neither what lies above the
first height nor the end below the last. A tape is not exact, so every volume carries its standard error, and
a change smaller than the error allows is said to be none that one can be sure of.

Nothing here leads from volume to sock ply or back: layers of socks do not add up
(``fhircare.planner.socks``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal

from fhircare.planner.facts import months_between

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping, Sequence

    from fhircare.plan import Limb, LimbMeasurement, Quantity

_IN_CM: Final[Mapping[str, float]] = {"mm": 0.1, "cm": 1.0, "m": 100.0, "[in_i]": 2.54}
_SURE: Final = 1.96
"""Standard errors that a change must exceed to be one to be sure of at 95 %."""


@dataclass(frozen=True, slots=True)
class Volume:
    """The volume of the measured length of a limb.

    Attributes:
        on: When it was measured.
        ml: Millilitres.
        error_ml: Its standard error.
        from_cm: Height of the first circumference below the reference point.
        to_cm: Height of the last.
    """

    on: dt.date
    ml: float
    error_ml: float
    from_cm: float
    to_cm: float


@dataclass(frozen=True, slots=True)
class VolumeChange:
    """How a volume changed from one date to a later one, over the length measured on both.

    Attributes:
        earlier: The earlier volume, over the shared length.
        later: The later one.
        ml: Later less earlier.
        error_ml: Standard error of that.
        percent: Of the earlier volume.
        error_percent: Standard error of that.
        sure: False when the change is within what the tape alone may make of it (95 %).
    """

    earlier: Volume
    later: Volume
    ml: float
    error_ml: float
    percent: float
    error_percent: float
    sure: bool


def volume(measured: LimbMeasurement, girth_error_mm: float) -> Volume | None:
    """Return the volume of the measured length, None with fewer than two circumferences.

    Args:
        measured: Circumferences from the top down.
        girth_error_mm: Standard error of one circumference, in mm.
    """
    return _volume(measured.on, _profile(measured), girth_error_mm / 10)


def _profile(measured: LimbMeasurement) -> list[tuple[float, float]]:
    return sorted((_cm(c.height), _cm(c.girth)) for c in measured.circumferences)


def _cm(quantity: Quantity) -> float:
    return float(quantity.value) * _IN_CM[quantity.unit]


def _volume(on: dt.date, profile: Sequence[tuple[float, float]], error_cm: float) -> Volume | None:
    if len(profile) < 2:
        return None
    total = 0.0
    slopes = [0.0] * len(profile)  # dV/dC of each circumference; each one bounds two cones
    for index, ((top, upper), (bottom, lower)) in enumerate(pairwise(profile)):
        part = (bottom - top) / (12 * math.pi)
        total += part * (upper * upper + upper * lower + lower * lower)
        slopes[index] += part * (2 * upper + lower)
        slopes[index + 1] += part * (2 * lower + upper)
    error = error_cm * math.hypot(*slopes)
    return Volume(on, total, error, profile[0][0], profile[-1][0])


def volume_change(
    earlier: LimbMeasurement, later: LimbMeasurement, girth_error_mm: float
) -> VolumeChange | None:
    """Return how the volume changed, None when the two share no length or no reference point.

    Both are counted between the same heights, which must have been measured both times: a height measured
    once says nothing about change. Errors of the two dates are independent and add as squares.

    Args:
        earlier: The earlier measurement.
        later: The later one.
        girth_error_mm: Standard error of one circumference, in mm.
    """
    if earlier.reference != later.reference:
        return None
    before, after = dict(_profile(earlier)), dict(_profile(later))
    shared = sorted(before.keys() & after.keys())
    error_cm = girth_error_mm / 10
    first = _volume(earlier.on, [(h, before[h]) for h in shared], error_cm)
    second = _volume(later.on, [(h, after[h]) for h in shared], error_cm)
    if first is None or second is None:
        return None
    change = second.ml - first.ml
    error = math.hypot(first.error_ml, second.error_ml)
    ratio = second.ml / first.ml
    relative = ratio * math.hypot(first.error_ml / first.ml, second.error_ml / second.ml)
    return VolumeChange(
        earlier=first,
        later=second,
        ml=change,
        error_ml=error,
        percent=100 * (ratio - 1),
        error_percent=100 * relative,
        sure=abs(change) > _SURE * error,
    )


Stage = Literal["unknown", "recovering", "late-recovery", "mature", "mature-but-changing"]


@dataclass(frozen=True, slots=True)
class Maturation:
    """How mature a limb is, and why that is thought."""

    stage: Stage
    why: str


def maturation(
    limb: Limb, on: dt.date, *, recovery_months: int, mature_months: int, girth_error_mm: float
) -> Maturation:
    """Return how mature a limb is on a date, from the months since amputation and the trend of its volume.

    Recovery is the first 12 to 18 months, mature beyond 18 (Sanders and Fatone 2011, J Rehabil Res Dev
    48(8):949; evidence mostly below the knee). Between 12 months and maturity a volume that still changes
    keeps the limb recovering; afterwards it is mature, but changing.

    Args:
        limb: The limb.
        on: The date.
        recovery_months: Months within which it counts as recovering whatever its volume does.
        mature_months: Months from which it counts as mature.
        girth_error_mm: Standard error of one circumference, in mm.
    """
    if limb.amputated_on is None:
        return Maturation("unknown", "The date of amputation is not known.")
    months = months_between(limb.amputated_on, on)
    change = None
    if len(limb.measurements) >= 2:
        change = volume_change(limb.measurements[-2], limb.measurements[-1], girth_error_mm)
    since = f"{months} months after amputation"
    if change is None:
        trend = "the trend of its volume is not known"
    elif change.sure:
        trend = f"its volume changed by {change.percent:+.1f} %"
    else:
        trend = "no change of volume that one can be sure of"
    why = f"{since}; {trend}."
    changing = change is not None and change.sure
    if months < min(recovery_months, mature_months):
        return Maturation("recovering", why)
    if months < mature_months:
        return Maturation("recovering" if changing else "late-recovery", why)
    return Maturation("mature-but-changing" if changing else "mature", why)
