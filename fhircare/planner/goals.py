"""Goals: their scales, changes one can be sure of, goal attainment, functional level."""

from __future__ import annotations

import difflib
import itertools
import math
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal

from fhircare.errors import DeliveryError, Fault
from fhircare.plan import Goal, Quantity, Target, WearSchedule
from fhircare.plan.measures import measures
from fhircare.planner.rules import rules

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from fhircare.delivery import DeliveryRecord


# --- the record's goals ------------------------------------------------------------------------------------


def goals_for(record: DeliveryRecord, wear: WearSchedule) -> tuple[Goal, ...]:
    """Return the record's goals, or a goal of daily wear drawn from the ladder when it has none.

    Raises:
        DeliveryError: When a target or a measurement names an unknown measure, a unit that does not fit, or a
            value outside the measure's scale; names every such field.
    """
    faults = list(_faults(record))
    if faults:
        raise DeliveryError(faults)
    return record.goals or (daily_wear_goal(wear),)


def daily_wear_goal(wear: WearSchedule) -> Goal:
    """Return the goal of wearing the prosthesis as long as the last step asks, due the day it is reached."""
    longest = max(day.minutes for day in wear.days)
    reached = next(day.on for day in wear.days if day.minutes == longest)
    all_day = any(session.all_day for day in wear.days for session in day.sessions)
    hours = Decimal(longest) / 60
    value = hours if hours == hours.to_integral_value() else hours.quantize(Decimal("0.1"))
    return Goal(
        text="Wear the prosthesis all day" if all_day else "Wear the prosthesis as long as the table says",
        category="independence",
        start=wear.days[0].on,
        targets=(Target(measure="daily-wear", value=value.normalize() + 0, unit="h/d", due=reached),),
        set_by="prosthetist",
    )


def _faults(record: DeliveryRecord) -> Iterable[Fault]:
    for index, goal in enumerate(record.goals):
        for place, target in enumerate(goal.targets):
            quantity = Quantity(value=target.value, unit=target.unit)
            at = f"goals[{index}].targets[{place}]"
            yield from _value_faults(target.measure, quantity, at, f"{at}.value", f"{at}.unit")
    for index, measured in enumerate(record.measurements):
        at = f"measurements[{index}]"
        yield from _value_faults(
            measured.measure, measured.quantity, at, f"{at}.quantity.value", f"{at}.quantity.unit"
        )


def _value_faults(code: str, quantity: Quantity, at: str, value_at: str, unit_at: str) -> Iterable[Fault]:
    measure = measures().get(code)
    if measure is None:
        near = difflib.get_close_matches(code, measures(), n=1, cutoff=0.4)
        mend = f"did you mean {near[0]}?" if near else "known are " + ", ".join(measures())
        yield Fault(f"{at}.measure", "is not a known measure", mend)
        return
    value = measure.in_unit(quantity.value, quantity.unit)
    if value is None:
        yield Fault(
            unit_at, "is not a unit of this measure", "one of " + ", ".join((measure.unit, *measure.also))
        )
    elif not measure.holds(value):
        yield Fault(value_at, "is outside the measure's scale", measure.scale)


# --- change ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """What lies between two values of a measure.

    Attributes:
        verdict: ``unsure`` below the minimal detectable change; ``unknown`` when the measure has none.
        by: Later less earlier, in the measure's unit.
        matters: Whether it is at least the smallest change that matters to people; None when not published.
        text: In a sentence, with the source of the number that decided.
    """

    verdict: Literal["better", "worse", "same", "unsure", "unknown"]
    by: Decimal
    matters: bool | None
    text: str


def change(code: str, earlier: Decimal, later: Decimal) -> Change:
    """Return what can be said of a change in a measure, both values in its own unit.

    A change smaller than the minimal detectable change is no change one can be sure of, whichever way it
    goes.

    Raises:
        KeyError: When the measure is unknown.
    """
    measure = measures()[code]
    by = later - earlier
    amount = f"{abs(by)} {measure.unit}"
    matters = None if measure.mcid is None else abs(by) >= measure.mcid
    if by == 0:
        return Change("same", by, matters, "No change.")
    if measure.mdc is not None and abs(by) < measure.mdc:
        text = f"No change you can be sure of: {amount} is less than {measure.mdc} ({measure.mdc_source})."
        return Change("unsure", by, matters, text)
    better = measure.better is not None and (by > 0) == (measure.better == "higher")
    direction = "better" if better else "worse"
    if measure.mdc is None or measure.better is None:
        text = f"Changed by {amount}; how much of that is chance is not known for this measure."
        return Change("unknown", by, matters, text)
    text = f"{direction.capitalize()} by {amount}, at least {measure.mdc} ({measure.mdc_source})."
    return Change("better" if better else "worse", by, matters, text)


# --- goal attainment scaling -------------------------------------------------------------------------------


def attainment_t(scores: Sequence[int], weights: Sequence[float] | None = None, rho: float = 0.3) -> float:
    """Return the T score of goal attainment scaling: 50 when every goal came out as expected.

    T = 50 + 10 sum(w x) / sqrt((1 - rho) sum(w^2) + rho (sum w)^2), with x from -2 (much less than expected)
    to +2 (much more) and rho = 0.3 (Kiresuk and Sherman 1968, Community Ment Health J 4:443).

    Args:
        scores: One per goal, -2 to +2.
        weights: One per goal, above zero; equal when left out.
        rho: Expected correlation among goals, at least 0 and below 1.

    Raises:
        ValueError: When there is no goal, a score or weight does not fit, or there are not as many of each.
    """
    weights = [1.0] * len(scores) if weights is None else weights
    if not scores or len(scores) != len(weights):
        raise ValueError("one weight for each goal, and at least one goal")
    if any(score not in (-2, -1, 0, 1, 2) for score in scores):
        raise ValueError("scores run from -2 to +2")
    if any(weight <= 0 for weight in weights) or not 0 <= rho < 1:
        raise ValueError("weights are above zero, rho is at least 0 and below 1")
    attained = sum(w * x for w, x in zip(weights, scores, strict=True))
    spread = (1 - rho) * sum(w * w for w in weights) + rho * sum(weights) ** 2
    return 50 + 10 * attained / math.sqrt(spread)


# --- functional level --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LevelBand:
    """The functional levels that measured values point to.

    Attributes:
        low: Lowest, 0 to 4.
        high: Highest.
        basis: Measures it rests on.
        text: In a sentence: it informs the physician's and the prosthetist's judgement and never replaces it.
    """

    low: int
    high: int
    basis: tuple[str, ...]
    text: str


def expected_k_levels(values: Mapping[str, Decimal]) -> LevelBand | None:
    """Return the band of functional levels (K0 to K4) that values point to; None when they do not suffice.

    The Amputee Mobility Predictor alone never gives a level: it agrees with clinicians above 80 % only at K2
    and K3 (Dillon 2018, Prosthet Orthot Int, doi 10.1177/0309364617706748).

    Args:
        values: Values by the measure's code, each in its measure's own unit.
    """
    table = rules().k_levels
    found = {code: _k_level(table[code], value) for code, value in values.items() if code in table}
    if not any(table[code].get("alone", True) for code in found):
        return None
    low, high = min(found.values()), max(found.values())
    band = f"K{low}" if low == high else f"K{low} to K{high}"
    names = ", ".join(measures()[code].name for code in found)
    text = f"The measures point to {band} ({names}); the level is judged by the clinicians, not by a number."
    return LevelBand(low, high, tuple(found), text)


def _k_level(row: Mapping[str, Any], value: Decimal) -> int:
    if "bands" in row:
        return sum(value >= Decimal(str(lowest)) for lowest in row["bands"])
    medians = [Decimal(str(median)) for median in row["medians"]]
    # Nearest published group: the borders lie halfway between neighbours.
    return 1 + sum(value >= (a + b) / 2 for a, b in itertools.pairwise(medians))
