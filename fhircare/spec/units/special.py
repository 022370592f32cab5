"""Special units: those whose scale is bound to another unit by a function and not by a factor.

https://ucum.org/ucum#section-Special-Units-on-non-ratio-scales and the tables of UCUM that name each
function. Amounts are turned into, and from, the coherent base units (K, rad, ...); logarithms and roots to 28
digits, tangents to the machine's.
"""

from __future__ import annotations

import math
from decimal import Context, Decimal, InvalidOperation
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.spec.units import Unit

_CONTEXT = Context(prec=40)


def _decimal(number: Fraction) -> Decimal:
    return _CONTEXT.divide(Decimal(number.numerator), Decimal(number.denominator))


class Scale(NamedTuple):
    """A function and its inverse, between a special unit's numbers and the unit it is bound to."""

    to_proper: Callable[[Fraction], Fraction]
    from_proper: Callable[[Fraction], Fraction]


def _power(base: int) -> Callable[[Fraction], Fraction]:
    return lambda x: Fraction(_CONTEXT.power(Decimal(base), _decimal(x)))


def _logarithm(times: int, base: int = 10) -> Scale:
    """``times · log(x)`` on the special side."""
    log_of_base = _CONTEXT.ln(Decimal(base))

    def log(x: Fraction) -> Fraction:
        return Fraction(_CONTEXT.divide(_CONTEXT.ln(_decimal(x)), log_of_base)) * times

    power = _power(base)
    return Scale(lambda x: power(x / times), log)


def _shift(offset: Fraction) -> Scale:
    return Scale(lambda x: x + offset, lambda x: x - offset)


def _tangent(a_radian: float) -> Scale:
    """A hundred times the tangent of an angle, which is given in a unit of so many to the radian."""
    return Scale(
        lambda x: Fraction(math.atan(float(x) / 100) * a_radian),
        lambda x: Fraction(math.tan(float(x) / a_radian) * 100),
    )


_SCALES: dict[str, Callable[[], Scale]] = {
    "Cel": lambda: _shift(Fraction("273.15")),
    "degF": lambda: _shift(Fraction("459.67")),
    "degRe": lambda: _shift(Fraction("218.52")),
    "pH": lambda: _logarithm(-1),
    "hpX": lambda: _logarithm(-1),
    "hpC": lambda: _logarithm(-1, 100),
    "hpM": lambda: _logarithm(-1, 1000),
    "hpQ": lambda: _logarithm(-1, 50000),
    "ln": lambda: Scale(
        lambda x: Fraction(_CONTEXT.exp(_decimal(x))), lambda x: Fraction(_CONTEXT.ln(_decimal(x)))
    ),
    "lg": lambda: _logarithm(1),
    "lgTimes2": lambda: _logarithm(2),
    "ld": lambda: _logarithm(1, 2),
    "tanTimes100": lambda: _tangent(1),
    "100tan": lambda: _tangent(math.degrees(1)),
    "sqrt": lambda: Scale(lambda x: x * x, lambda x: Fraction(_CONTEXT.sqrt(_decimal(x)))),
}


def from_scale(unit: Unit, value: Fraction) -> Fraction | None:
    """Return an amount of a special unit in base units, None when its function has no such value."""
    try:
        return _SCALES[unit.special]().to_proper(value * unit.scale) * unit.factor
    except (InvalidOperation, OverflowError, ZeroDivisionError, ValueError):
        return None


def to_scale(unit: Unit, amount: Fraction) -> Fraction | None:
    """Return an amount in base units in a special unit, None when its function has no such value."""
    try:
        return _SCALES[unit.special]().from_proper(amount / unit.factor) / unit.scale
    except (InvalidOperation, OverflowError, ZeroDivisionError, ValueError):
        return None
