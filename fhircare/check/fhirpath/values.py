"""Values compared for compiled expressions: equality, order, membership and sets.

None stands for the empty collection throughout. Rules: FHIRPath 2.0.0 sections 5.3, 5.4 and 6.1 to 6.5.
Elements with members are equal when all their members are; dates inside such elements are compared as text.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fhircare.check.fhirpath import dates
from fhircare.check.fhirpath.runtime import Item, Items, value, values

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

Truth = bool | None
UCUM = "http://unitsofmeasure.org"
# FHIRPath 2.0.0 section 6.2 and 6.6: calendar units in quantity literals, as UCUM writes them.
_CALENDAR = {
    "year": "a",
    "month": "mo",
    "week": "wk",
    "day": "d",
    "hour": "h",
    "minute": "min",
    "second": "s",
    "millisecond": "ms",
}


def negate(answer: Truth) -> Truth:
    """Return ``not()``."""
    return None if answer is None else not answer


def xor(left: Truth, right: Truth) -> Truth:
    """Return exclusive or."""
    return None if left is None or right is None else left != right


def equal(left: Item, right: Item) -> Truth:
    """Return whether two values are equal."""
    if left is None or right is None:
        return None
    if (left.__class__ is bool) != (right.__class__ is bool):
        return False
    if left == right:
        return True
    return compare_amounts(left, right) == 0 if _is_amount(left) and _is_amount(right) else False


def equal_dates(left: Item, right: Item) -> Truth:
    """Return whether two dates or times are equal."""
    if left == right:
        return None if left is None else True
    if left is not None and right is not None and (left[2:3] == ":") != (right[2:3] == ":"):
        return False  # a time of day is no date
    order = dates.compare(left, right)
    return None if order is None else order == 0


def _is_amount(item: Item) -> bool:
    return item.__class__ is dict and isinstance(item.get("value"), (int, Decimal))


def quantity(number: str, code: str) -> dict[str, Any]:
    """Return a quantity literal as FHIR writes a Quantity."""
    return {"value": Decimal(number), "system": UCUM, "code": _CALENDAR.get(code, code)}


def compare_amounts(left: Item, right: Item) -> int | None:
    """Return -1, 0 or 1 for two quantities, or None when their units or comparators do not tell."""
    if left is None or right is None:
        return None
    one, other = left.get("value"), right.get("value")
    if one is None or other is None or "comparator" in left or "comparator" in right:
        return None
    if _unit(left) != _unit(right):
        converted = _converted(right, left)
        if converted is None:
            return None
        other = converted
    return int(one > other) - int(one < other)


def _unit(amount: Item) -> tuple[Any, Any]:
    """Return what must agree for two amounts to compare as they stand: system and code, or else the words."""
    if "code" in amount:
        return amount.get("system"), amount["code"]
    return None, amount.get("unit")


def _converted(amount: Item, target: Item) -> Decimal | None:
    from fhircare.spec import units

    if amount.get("system") != UCUM or target.get("system") != UCUM:
        return None
    return units.convert(Decimal(amount["value"]), amount.get("code", ""), target.get("code", ""))


def comparable(left: Item, right: Item) -> Truth:
    """Return whether two quantities have units that can be compared."""
    if left is None or right is None:
        return None
    return _unit(left) == _unit(right) or _converted({**left, "value": Decimal(1)}, right) is not None


def equal_quantities(left: Item, right: Item) -> Truth:
    """Return whether two quantities are equal, whatever their units."""
    order = compare_amounts(left, right)
    if order is None:
        return equal(left, right) or None
    return order == 0


def equal_lists(left: Items, right: Items, how: Callable[[Item, Item], Truth]) -> Truth:
    """Return whether two collections are equal: as many items, equal one by one."""
    if not left or not right:
        return None
    if len(left) != len(right):
        return False
    answers = [how(one, other) for one, other in zip(left, right, strict=True)]
    if False in answers:
        return False
    return None if None in answers else True


def equivalent(left: Items, right: Items) -> bool:
    """Return ``~``: equal but for order, case, white space and what the less precise side does not tell."""
    waiting = list(left)
    for item in right:
        at = next((at for at, other in enumerate(waiting) if _alike(other, item)), None)
        if at is None:
            return False
        del waiting[at]
    return not waiting


def _alike(one: Item, other: Item) -> bool:
    if isinstance(one, str) and isinstance(other, str):
        return " ".join(one.lower().split()) == " ".join(other.lower().split()) or bool(
            equal_dates(one, other)
        )
    if _is_number(one) and _is_number(other):
        coarse = max(_exponent(one), _exponent(other))
        return Decimal(one).quantize(coarse) == Decimal(other).quantize(coarse)
    return bool(equal(one, other))


def _is_number(item: Item) -> bool:
    return isinstance(item, (int, Decimal)) and not isinstance(item, bool)


def _exponent(number: Item) -> Decimal:
    """Return the unit of a number's last decimal: 0.01 for 0.67, 1 for an integer."""
    exponent = Decimal(number).as_tuple().exponent
    return Decimal(1).scaleb(min(int(exponent), 0))


_ORDERS: dict[str, Callable[[int], bool]] = {
    "<": lambda order: order < 0,
    ">": lambda order: order > 0,
    "<=": lambda order: order <= 0,
    ">=": lambda order: order >= 0,
}


def compare_plain(op: str, left: Item, right: Item) -> Truth:
    """Compare two numbers or two strings."""
    if left is None or right is None:
        return None
    return _ORDERS[op]((left > right) - (left < right))


def compare_dates(op: str, left: Item, right: Item) -> Truth:
    """Compare two dates or times."""
    order = dates.compare(left, right)
    return None if order is None else _ORDERS[op](order)


def compare_quantities(op: str, left: Item, right: Item) -> Truth:
    """Compare two quantities."""
    order = compare_amounts(left, right)
    return None if order is None else _ORDERS[op](order)


def contained_in(item: Item, collection: Iterable[Item]) -> Truth:
    """Return whether a plain value is among others."""
    return None if item is None else item in collection


def contained_in_deep(item: Item, collection: Items) -> Truth:
    """Return whether any value is among others."""
    return None if item is None else any(equal(item, other) for other in collection)


# --- collections as sets ---


def head(items: Items) -> Item:
    """Return the first item."""
    return items[0] if items else None


def last(items: Items) -> Item:
    """Return the last item."""
    return items[-1] if items else None


def at(items: Items, index: int) -> Item:
    """Return one item by its place, from 0."""
    return items[index] if 0 <= index < len(items) else None


def tail(items: Items) -> Items:
    """Return all but the first."""
    return items[1:]


def skip(items: Items, count: int) -> Items:
    """Return all but the first ``count``."""
    return items[max(count, 0) :]


def take(items: Items, count: int) -> Items:
    """Return the first ``count``."""
    return items[: max(count, 0)]


def combine(left: Items, right: Items) -> list[Item]:
    """Return both, one after the other."""
    return [*left, *right]


def distinct(items: Iterable[Item]) -> list[Item]:
    """Return each item once, by its value."""
    found: list[Item] = []
    seen: list[Item] = []
    for item in items:
        plain = value(item)
        if plain is None or plain not in seen:
            found.append(item)
            seen.append(plain)
    return found


def union(left: Items, right: Items) -> list[Item]:
    """Return both, each item once."""
    return distinct([*left, *right])


def intersect(left: Items, right: Items) -> list[Item]:
    """Return what is in both, each item once."""
    others = values(right)
    return [item for item in distinct(left) if value(item) in others]


def exclude(left: Items, right: Items) -> list[Item]:
    """Return what is in the first and not in the second."""
    others = values(right)
    return [item for item in left if value(item) not in others]


def is_distinct(items: Sequence[Item]) -> bool:
    """Tell whether no value occurs twice."""
    try:
        return len(set(items)) == len(items)
    except TypeError:
        return len(distinct(items)) == len(items)


def subset_of(left: Items, right: Items) -> bool:
    """Tell whether every value of the first is in the second."""
    return all(item in right for item in left)


def superset_of(left: Items, right: Items) -> bool:
    """Tell whether every value of the second is in the first."""
    return subset_of(right, left)


def all_true(items: Items) -> bool:
    """Tell whether all are true."""
    return all(item is True for item in items)


def any_true(items: Items) -> bool:
    """Tell whether any is true."""
    return any(item is True for item in items)


def all_false(items: Items) -> bool:
    """Tell whether all are false."""
    return all(item is False for item in items)


def any_false(items: Items) -> bool:
    """Tell whether any is false."""
    return any(item is False for item in items)
