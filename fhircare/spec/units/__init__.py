"""UCUM units: whether a code is one, whether two can be compared, and amounts turned from one into the other.

::

    parse_unit("mm[Hg]")                          # Unit(factor=..., dimension=...), None when it is no UCUM
    unit commensurable("d", "s")                       # True convert(Decimal("98.6"), "[degF]", "Cel")     #
    Decimal("37.0")

The specification: https://ucum.org/ucum. The table of units is UCUM's own file (``SOURCES.md``); it is read
when a unit is met that is none of the usual ones, which are known here by heart.
"""

from __future__ import annotations

from decimal import Decimal, localcontext
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

Dimension = tuple[tuple[str, int], ...]

_LONGEST = 255  # no unit in use comes near
_DIGITS = 28  # significant digits of a converted amount that does not come out exact


class Unit(NamedTuple):
    """What a unit means.

    Attributes:
        factor: How many of the base units one is; for a special unit, of the unit its scale is bound to.
        dimension: Base units and their exponents, sorted; () for a pure number. An arbitrary unit such as
            ``[iU]`` is a base unit of its own, since nothing else can be compared with it.
        special: Name of the function of a special unit's scale, such as ``Cel``; "" for all others.
        scale: For a special unit, the factor of its prefix.
    """

    factor: Fraction
    dimension: Dimension
    special: str = ""
    scale: Fraction = Fraction(1)


# Usual in care after fitting a prosthesis, from UCUM's table (a test compares them): no table need be read
# for these.
_USUAL: dict[str, tuple[str, Dimension]] = {
    "1": ("1", ()),
    "%": ("1/100", ()),
    "s": ("1", (("s", 1),)),
    "min": ("60", (("s", 1),)),
    "h": ("3600", (("s", 1),)),
    "d": ("86400", (("s", 1),)),
    "wk": ("604800", (("s", 1),)),
    "mo": ("2629800", (("s", 1),)),
    "a": ("31557600", (("s", 1),)),
    "ms": ("1/1000", (("s", 1),)),
    "m": ("1", (("m", 1),)),
    "km": ("1000", (("m", 1),)),
    "cm": ("1/100", (("m", 1),)),
    "mm": ("1/1000", (("m", 1),)),
    "[in_i]": ("127/5000", (("m", 1),)),
    "[ft_i]": ("381/1250", (("m", 1),)),
    "m/s": ("1", (("m", 1), ("s", -1))),
    "g": ("1", (("g", 1),)),
    "kg": ("1000", (("g", 1),)),
    "mg": ("1/1000", (("g", 1),)),
    "[lb_av]": ("45359237/100000", (("g", 1),)),
    "kg/m2": ("1000", (("g", 1), ("m", -2))),
    "mm[Hg]": ("133322", (("g", 1), ("m", -1), ("s", -2))),
    "/min": ("1/60", (("s", -1),)),
    "/d": ("1/86400", (("s", -1),)),
}


def parse_unit(code: str) -> Unit | None:
    """Return what a UCUM code (case sensitive) means, or None when it is no valid unit."""
    return _parsed(code) if len(code) <= _LONGEST else None


@lru_cache(maxsize=4096)
def _parsed(code: str) -> Unit | None:
    usual = _USUAL.get(code)
    if usual is not None:
        return Unit(Fraction(usual[0]), usual[1])
    if code[:1] == "{" and code[-1:] == "}" and _is_annotation(code):
        return Unit(Fraction(1), ())
    from fhircare.spec.units.grammar import read  # the table behind it costs some milliseconds

    return read(code)


def _is_annotation(code: str) -> bool:
    inner = code[1:-1]
    return inner.isascii() and inner.isprintable() and "{" not in inner and "}" not in inner


def commensurable(a: str, b: str) -> bool | None:
    """Tell whether amounts in two units can be compared; None when one of them is no unit."""
    one, other = parse_unit(a), parse_unit(b)
    if one is None or other is None:
        return None
    return one.dimension == other.dimension


def convert(value: Decimal, from_unit: str, to_unit: str) -> Decimal | None:
    """Return an amount in another unit: exact where it can be, else to 28 digits.

    Args:
        value: The amount in ``from_unit``.
        from_unit: A UCUM code.
        to_unit: A UCUM code.

    Returns:
        The amount in ``to_unit``, or None when either is no unit, they are not commensurable, or the scale of
        a special unit does not hold the amount (a logarithm of nothing).
    """
    one, other = parse_unit(from_unit), parse_unit(to_unit)
    if one is None or other is None or one.dimension != other.dimension:
        return None
    if from_unit == to_unit:
        return value
    if not one.special and not other.special:
        return _decimal(Fraction(value) * one.factor / other.factor)
    from fhircare.spec.units.special import from_scale, to_scale

    amount = from_scale(one, Fraction(value)) if one.special else Fraction(value) * one.factor
    if amount is None:
        return None
    found = to_scale(other, amount) if other.special else amount / other.factor
    return None if found is None else _decimal(found)


def _decimal(number: Fraction) -> Decimal:
    with localcontext() as context:
        context.prec = _DIGITS
        return Decimal(number.numerator) / Decimal(number.denominator)
