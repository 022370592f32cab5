"""Whether two goals can both be followed, and whether what one asks for can be at all.

Measures are the same by a code they share, or, where neither has one, by the same words. Values are compared
in one unit, turned through UCUM; what cannot be turned is not compared, and said so.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal

from fhircare.plan.measures import Measure, measures
from fhircare.spec import terms
from fhircare.spec.units import commensurable, convert

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.exchange.client import Resource

Clash = tuple[Literal["conflict", "beside", ""], str]
_UCUM = "http://unitsofmeasure.org"


@dataclass(frozen=True, slots=True)
class _Target:
    """A target as far as it can be compared."""

    codes: frozenset[str]
    words: str
    low: Decimal | None
    high: Decimal | None
    unit: str
    start: str
    due: str

    @property
    def told(self) -> str:
        """The target as a reader would say it."""
        least = f"at least {self.low}" if self.low is not None else ""
        most = f"at most {self.high}" if self.high is not None else ""
        value = " and ".join(end for end in (least, most) if end) or "no number"
        return f"{value} {self.unit}".strip() + (f" by {self.due}" if self.due else "")


def clash(one: Resource, other: Resource) -> Clash:
    """Return how two goals stand to each other.

    Returns:
        conflict: the same measure at the same time, with values or dates that cannot both be followed.
        beside: the same measure, and each can be followed in its turn (the later asks for more), or the two
        cannot be compared. "" when they have nothing to do with each other. With it, the reason in words.
    """
    found: Clash = ("", "")
    for mine in _targets(one):
        for theirs in _targets(other):
            if not (mine.codes & theirs.codes or (mine.words and mine.words == theirs.words)):
                continue
            kind, why = _between(mine, theirs)
            if kind == "conflict":
                return kind, why
            if kind:
                found = (kind, why)
    return found


def off_scale(goal: Resource) -> str:
    """Return why a goal asks for what its measure cannot be; "" when it can, or the measure is unknown."""
    for index, target in enumerate(_targets(goal)):
        measure = _known(target)
        if measure is None:
            continue
        for value in (target.low, target.high):
            if value is None:
                continue
            turned = _in_unit(value, target.unit, measure)
            place = f"target {index + 1} of {measure.name}"
            if turned is None:
                return f"{place} is in a unit that does not fit: {measure.unit} is usual"
            if not measure.holds(turned):
                return f"{place} is outside its scale: {measure.scale}"
    return ""


def _between(mine: _Target, theirs: _Target) -> Clash:
    told = f"{mine.told} against {theirs.told}"
    if _apart(mine, theirs):
        return "beside", f"one after the other: {told}"
    there = _turned(theirs, mine.unit)
    if there is None:
        return "beside", f"cannot be compared, their units do not fit: {told}"
    if (mine.low, mine.high) == (there.low, there.high):
        return ("", "") if mine.due == theirs.due else ("conflict", f"another date: {told}")
    first, last = (mine, there) if (mine.due or "9999") < (there.due or "9999") else (there, mine)
    if mine.due != there.due and _asks_more(last, first):
        return "beside", f"a step on the way: {told}"
    return "conflict", told


def _apart(one: _Target, other: _Target) -> bool:
    """Return whether one is over before the other begins."""
    return bool(
        (one.due and other.start and one.due < other.start)
        or (other.due and one.start and other.due < one.start)
    )


def _asks_more(later: _Target, earlier: _Target) -> bool:
    if later.low is not None and earlier.low is not None and later.high is None and earlier.high is None:
        return later.low > earlier.low
    if later.high is not None and earlier.high is not None and later.low is None and earlier.low is None:
        return later.high < earlier.high
    return False


def _turned(target: _Target, unit: str) -> _Target | None:
    if target.unit == unit:
        return target
    known = _known(target)
    ends = []
    for value in (target.low, target.high):
        turned = None if value is None else _between_units(value, target.unit, unit, known)
        if value is not None and turned is None:
            return None
        ends.append(turned)
    return _Target(target.codes, target.words, ends[0], ends[1], unit, target.start, target.due)


def _between_units(value: Decimal, unit: str, to: str, measure: Measure | None) -> Decimal | None:
    """Turn a value through UCUM, or through a measure that reads both units (30 min of a day is 0.5 h/d)."""
    if commensurable(unit, to):
        return convert(value, unit, to)
    if measure is None:
        return None
    own, factor = _in_unit(value, unit, measure), _in_unit(Decimal(1), to, measure)
    return None if own is None or not factor else own / factor


def _in_unit(value: Decimal, unit: str, measure: Measure) -> Decimal | None:
    turned = measure.in_unit(value, unit)
    if turned is None and commensurable(unit, measure.unit):
        turned = convert(value, unit, measure.unit)
    return turned


def _known(target: _Target) -> Measure | None:
    ours = terms.uri("measure")
    for told in target.codes:
        system, _, code = told.partition("|")
        if system == ours and code in measures():
            return measures()[code]
    return None


def _targets(goal: Resource) -> Iterator[_Target]:
    start = str(goal.get("startDate", ""))
    for target in goal.get("target") or []:
        concept = target.get("measure") or {}
        codes = frozenset(
            f"{c.get('system', '')}|{c['code']}" for c in concept.get("coding") or [] if c.get("code")
        )
        words = "" if codes else " ".join(str(concept.get("text", "")).lower().split())
        low, high, unit = _ends(target)
        yield _Target(codes, words, low, high, unit, start, _due(target, start))


def _ends(target: dict[str, Any]) -> tuple[Decimal | None, Decimal | None, str]:
    """Return least and most that a target allows, and their unit (FHIR R4 Goal.target.detail)."""
    limits = target.get("detailRange")
    if isinstance(limits, dict):
        low, high = limits.get("low") or {}, limits.get("high") or {}
        return _number(low), _number(high), _unit(low or high)
    for element in ("detailQuantity", "detailInteger"):
        value = target.get(element)
        quantity = value if isinstance(value, dict) else {"value": value}
        number = _number(quantity)
        if number is not None:
            sign = str(quantity.get("comparator", ""))
            if sign.startswith("<"):
                return None, number, _unit(quantity)
            return number, (None if sign.startswith(">") or not sign else number), _unit(quantity)
    return None, None, ""


def _number(quantity: dict[str, Any]) -> Decimal | None:
    value = quantity.get("value")
    return Decimal(str(value)) if isinstance(value, int | float | Decimal) and value is not True else None


def _unit(quantity: dict[str, Any]) -> str:
    coded = quantity.get("system") in (None, _UCUM)
    return str((quantity.get("code") if coded else "") or quantity.get("unit") or "1")


def _due(target: dict[str, Any], start: str) -> str:
    """Return the date a target is due; a duration counts from the goal's start date, where that is whole."""
    if target.get("dueDate"):
        return str(target["dueDate"])
    after = target.get("dueDuration") or {}
    days = convert(_number(after) or Decimal(0), _unit(after), "d") if after else None
    try:
        return (dt.date.fromisoformat(start) + dt.timedelta(days=int(days))).isoformat() if days else ""
    except ValueError:
        return ""
