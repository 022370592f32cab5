"""Values held against those of a profile: types, fixed ones, patterns, least and greatest ones.

https://hl7.org/fhir/R4/elementdefinition-definitions.html (fixed[x], pattern[x], minValue[x], maxValue[x]).
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fhircare.check.fhirpath import dates
from fhircare.check.fhirpath.values import compare_amounts

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.spec import Definitions

NUMBERS = frozenset({"decimal", "integer", "positiveInt", "unsignedInt", "integer64"})
AMOUNTS = frozenset({"Quantity", "Age", "Count", "Distance", "Duration", "Money"})


def _number(value: Any) -> bool:
    return isinstance(value, (int, float, Decimal)) and not isinstance(value, bool)


def _as_decimal(value: Any) -> Decimal:
    return value if isinstance(value, Decimal) else Decimal(str(value))


def specialises(kind: str, types: frozenset[str], definitions: Definitions) -> bool:
    """Tell whether a type is one of these, or specialises one, such as the abstract ones."""
    while kind:
        if kind in types:
            return True
        kind = definitions.base(kind)
    return False


def same(value: Any, fixed: Any) -> bool:
    """Tell whether a value is exactly the fixed one, its ids and extensions included."""
    if isinstance(fixed, dict):
        return (
            isinstance(value, dict)
            and value.keys() == fixed.keys()
            and all(same(value[key], one) for key, one in fixed.items())
        )
    if isinstance(fixed, list):
        return (
            isinstance(value, list)
            and len(value) == len(fixed)
            and all(same(one, other) for one, other in zip(value, fixed, strict=True))
        )
    return _equal(value, fixed)


def holds(value: Any, pattern: Any) -> bool:
    """Tell whether a value holds a pattern: what it names must be there, more may be.

    Each item of a pattern's array is held by some item of the value's.
    """
    if isinstance(pattern, dict):
        return isinstance(value, dict) and all(holds(value.get(key), one) for key, one in pattern.items())
    if isinstance(pattern, list):
        return isinstance(value, list) and all(any(holds(one, it) for one in value) for it in pattern)
    return _equal(value, pattern)


def holding(pattern: Any) -> Callable[[Any], bool]:
    """Return ``holds`` for one pattern, taken apart beforehand: it is asked of many values."""
    if isinstance(pattern, dict):
        texts = [(key, one) for key, one in pattern.items() if isinstance(one, str)]
        parts = [(key, holding(one)) for key, one in pattern.items() if not isinstance(one, str)]

        def of_object(value: Any) -> bool:
            if value.__class__ is not dict:
                return False
            for key, text in texts:
                if value.get(key) != text:
                    return False
            return all(part(value.get(key)) for key, part in parts)

        return of_object
    if isinstance(pattern, list):
        wanted = [holding(one) for one in pattern]
        return lambda value: (
            value.__class__ is list and all(any(part(one) for one in value) for part in wanted)
        )
    return lambda value: _equal(value, pattern)


def _equal(value: Any, other: Any) -> bool:
    if _number(value) and _number(other):
        return _as_decimal(value) == _as_decimal(other)
    return type(value) is type(other) and bool(value == other)


def outside(kind: str, value: Any, limit: Any, sign: int) -> bool:
    """Tell whether a value lies beyond a limit; what cannot be compared does not.

    Args:
        kind: The value's type.
        value: The value.
        limit: minValue or maxValue.
        sign: -1 for the least, 1 for the greatest.
    """
    if kind in NUMBERS:
        if not _number(value) or not _number(limit):
            return False
        told: int | None = (_as_decimal(value) > _as_decimal(limit)) - (
            _as_decimal(value) < _as_decimal(limit)
        )
    elif kind in AMOUNTS:
        told = compare_amounts(value, limit) if isinstance(value, dict) and isinstance(limit, dict) else None
    elif not isinstance(value, str) or not isinstance(limit, str):
        told = None
    elif kind == "time":
        told = dates.compare_times(value, limit)
    else:
        told = dates.compare(value, limit)
    return told == sign
