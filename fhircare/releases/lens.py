"""A lens: how a few elements of an object are said in R4 and in R5, both ways.

A lens may forget. Whoever uses it (``walk``) goes there and back, and where that is not what it began with,
keeps the elements as they were in the cross-version extension (``kept``). So a lens says what the other
release's readers should see, and nothing can be lost by it.

A *part* is a small dict with those of the lens's elements that are there, each with its ``_name`` where one
is (FHIR JSON's place for a primitive's id and extensions).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

Json = dict[str, Any]
Way = Callable[[Json], Json]


class Lens(NamedTuple):
    """One correspondence between the elements of two releases.

    Attributes:
        r4: Names in R4, such as ``("reasonCode", "reasonReference")``.
        r5: Names in R5, such as ``("reason",)``.
        there: An R4 part → the R5 part.
        back: An R5 part → the R4 part.
    """

    r4: tuple[str, ...]
    r5: tuple[str, ...]
    there: Way
    back: Way


def names_of(name: str) -> tuple[str, str]:
    """Return a name and the name of what belongs to its primitive."""
    return name, f"_{name}"


def listed(value: Any) -> list[Any]:
    """Return a list as it is, nothing as an empty one, another value as a list of one."""
    if value is None:
        return []
    return value if isinstance(value, list) else [value]


def moved(part: Json, before: str, after: str) -> Json:
    """Return a part's element under another name, with what belongs to it."""
    pairs = zip(names_of(before), names_of(after), strict=True)
    return {new: part[old] for old, new in pairs if old in part}


def renamed(r4: str, r5: str) -> Lens:
    """Return the lens of an element with another name in R5."""
    return Lens((r4,), (r5,), lambda part: moved(part, r4, r5), lambda part: moved(part, r5, r4))


def nowhere(r4: tuple[str, ...] = (), r5: tuple[str, ...] = ()) -> Lens:
    """Return the lens of elements that the other release lacks: they will be kept."""
    return Lens(r4, r5, lambda _: {}, lambda _: {})


def wrapped(r4: str, r5: str, field: str, *, many_r4: bool, many_r5: bool) -> Lens:
    """Return the lens of a CodeableConcept or Reference that R5 holds in a CodeableReference.

    Args:
        r4: The element's name in R4.
        r5: Its name in R5.
        field: ``concept`` or ``reference``: where it is in the CodeableReference.
        many_r4: True when R4's is a list.
        many_r5: True when R5's is one.
    """

    def there(part: Json) -> Json:
        items = [{field: one} for one in listed(part.get(r4))]
        return _one_or_many(r5, items, many=many_r5)

    def back(part: Json) -> Json:
        items = [one[field] for one in listed(part.get(r5)) if field in one]
        return _one_or_many(r4, items, many=many_r4)

    return Lens((r4,), (r5,), there, back)


def joined(concept: str, reference: str, r5: str, *, many_r4: bool = True, many_r5: bool = True) -> Lens:
    """Return the lens of R4's pair (``reasonCode``, ``reasonReference``) that is one element in R5."""

    def there(part: Json) -> Json:
        items = [{"concept": one} for one in listed(part.get(concept))]
        items += [{"reference": one} for one in listed(part.get(reference))]
        return _one_or_many(r5, items, many=many_r5)

    def back(part: Json) -> Json:
        items = listed(part.get(r5))
        concepts = [one["concept"] for one in items if "concept" in one]
        references = [one["reference"] for one in items if "reference" in one]
        return _one_or_many(concept, concepts, many=many_r4) | _one_or_many(
            reference, references, many=many_r4
        )

    return Lens((concept, reference), (r5,), there, back)


def counted(name: str, *, many_r4: bool) -> Lens:
    """Return the lens of an element that is a list in one of the two releases only; the first one is said."""

    def one(part: Json) -> Json:
        return {key: value[0] for key, value in part.items() if value and value[0] is not None}

    def many(part: Json) -> Json:
        return {key: [value] for key, value in part.items()}

    return Lens((name,), (name,), one, many) if many_r4 else Lens((name,), (name,), many, one)


def coded(name: str, codes: dict[str, str], r4: frozenset[str] | None, r5: frozenset[str] | None) -> Lens:
    """Return the lens of a code whose value sets differ.

    Args:
        name: The element.
        codes: R4's code → R5's, where they are not the same. R5's code → the first of R4's that lead there.
        r4: The codes that R4 allows, None for any.
        r5: The codes that R5 allows, None for any.
    """
    homeward: dict[str, str] = {}
    for mine, theirs in codes.items():
        homeward.setdefault(theirs, mine)

    def way(table: dict[str, str], allowed: frozenset[str] | None) -> Way:
        def go(part: Json) -> Json:
            value = part.get(name)
            if isinstance(value, list):
                said = [table.get(one, one) if isinstance(one, str) else one for one in value]
                fits = allowed is None or all(one in allowed for one in said)
                return part | {name: said} if fits else {}
            if not isinstance(value, str):
                return part
            told = table.get(value, value)
            return part | {name: told} if allowed is None or told in allowed else {}

        return go

    return Lens((name,), (name,), way(codes, r5), way(homeward, r4))


def either(lens: Lens, *, to_r5: bool) -> tuple[tuple[str, ...], tuple[str, ...], Way, Way]:
    """Return a lens as seen from one release: its names, the other's, the way, the way back."""
    if to_r5:
        return lens.r4, lens.r5, lens.there, lens.back
    return lens.r5, lens.r4, lens.back, lens.there


def _one_or_many(name: str, items: list[Any], *, many: bool) -> Json:
    if not items:
        return {}
    return {name: items if many else items[0]}
