"""UCUM's grammar: terms of simple units with exponents, annotations, numbers and parentheses.

https://ucum.org/ucum#section-Syntax-Rules, with the one liberty its functional tests take: a number may be
annotated.
"""

from __future__ import annotations

import re
from fractions import Fraction

from fhircare.spec.units import Dimension, Unit
from fhircare.spec.units.table import Table, table

_ANNOTATION = re.compile(r"\{[\x20-\x7a\x7c\x7e]*\}")
_FACTOR = re.compile(r"(?=0*[1-9])[0-9]+(?=[./){]|\Z)")
# A symbol: brackets may hold anything but brackets; ``10*`` and ``10^`` are symbols that begin with digits.
_SYMBOL = re.compile(r"(?:10[*^]|(?:\[[\x21-\x5a\x5c\x5e-\x7e]+\]|[A-Za-z%'\"_])+)")
_EXPONENT = re.compile(r"[+-]?[0-9]+")
# Limits against codes made to be costly; no unit in use comes near.
_DEEPEST = 16
_MOST = 99


class _Invalid(Exception):  # noqa: N818 - never leaves this module
    """The code is no unit."""


class _Reader:
    def __init__(self, code: str, units: Table) -> None:
        self.code, self.units, self.at, self.depth = code, units, 0, 0

    def take(self, pattern: re.Pattern[str]) -> str | None:
        match = pattern.match(self.code, self.at)
        if match is None:
            return None
        self.at = match.end()
        return match[0]

    def next(self) -> str:
        return self.code[self.at : self.at + 1]

    def whole(self) -> Unit:
        if self.next() == "/":
            self.at += 1
            return self.rest(_powered(self.component(), -1))
        return self.rest(self.component())

    def rest(self, unit: Unit) -> Unit:
        while self.next() and self.next() in "./":
            sign = 1 if self.next() == "." else -1
            self.at += 1
            unit = _product(unit, _powered(self.component(), sign))
        return unit

    def component(self) -> Unit:
        if self.next() == "(":
            self.at += 1
            self.depth += 1
            if self.depth > _DEEPEST:
                raise _Invalid
            unit = self.rest(self.component())
            if self.next() != ")":
                raise _Invalid
            self.at += 1
            return unit
        if self.take(_ANNOTATION):
            return Unit(Fraction(1), ())
        number = self.take(_FACTOR)
        unit = Unit(Fraction(int(number)), ()) if number else self.simple()
        self.take(_ANNOTATION)
        return unit

    def simple(self) -> Unit:
        symbol = self.take(_SYMBOL)
        if symbol is None:
            raise _Invalid
        unit = self.units.unit(symbol)
        if unit is None:
            raise _Invalid
        exponent = self.take(_EXPONENT)
        if exponent is None:
            return unit
        if abs(int(exponent)) > _MOST:
            raise _Invalid
        return _powered(unit, int(exponent))


def _powered(unit: Unit, exponent: int) -> Unit:
    if exponent == 1:
        return unit
    return Unit(
        unit.factor**exponent, tuple((base, power * exponent) for base, power in unit.dimension if exponent)
    )


def _product(left: Unit, right: Unit) -> Unit:
    powers = dict(left.dimension)
    for base, power in right.dimension:
        powers[base] = powers.get(base, 0) + power
    dimension: Dimension = tuple(sorted((base, power) for base, power in powers.items() if power))
    return Unit(left.factor * right.factor, dimension)


def read(code: str, units: Table | None = None) -> Unit | None:
    """Return what a code means, or None when it is no unit of the table's."""
    reader = _Reader(code, units or table())
    try:
        unit = reader.whole()
    except _Invalid:
        return None
    return unit if reader.at == len(code) else None
