"""The pieces of a compiled expression: each knows its static types and writes itself as Python source.

A term is a collection whose shape is known before any data is seen. What is asked of it decides the source it
writes: ``exists()`` of a path is a key test, ``one()`` a chain of ``.get``, ``nodes()`` a comprehension.
Truth is three-valued without a third value: ``true()`` is source that holds when the term is true, ``sat()``
source that holds when it is not false, so that "empty counts as satisfied" costs nothing.

In the sources, ``fp_...`` are the functions of ``runtime``. An *item* is a dict for a complex element, a bare
Python value for a primitive one, or a ``Box`` where the value alone would lose its type or its extensions
(``boxed`` terms).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.check.fhirpath.model import Model

BOOLEAN = frozenset({"System.Boolean"})


@dataclass
class Unit:
    """One expression being compiled: its model, its constants and its fresh names.

    Attributes:
        extension: Whether ``%extension`` may be asked for, an extension that ``env`` holds.
    """

    expression: str
    model: Model
    extension: bool = False
    constants: dict[str, str] = field(default_factory=dict)
    names: int = 0
    uses_env: bool = False

    def fresh(self) -> str:
        """Return a variable name not used before in this expression."""
        self.names += 1
        return f"i{self.names}"

    def constant(self, source: str) -> str:
        """Keep a constant outside the expression and return its name; equal constants share one."""
        for name, known in self.constants.items():
            if known == source:
                return name
        name = f"fp_k{len(self.constants)}"
        self.constants[name] = source
        return name


class Term:
    """A collection; the base class writes everything from ``nodes()``."""

    types: frozenset[str] = frozenset()
    many = True
    boxed = False
    targets: tuple[str, ...] = ()

    def nodes(self) -> str:
        """Source of a list of items."""
        raise NotImplementedError

    def values(self) -> str:
        """Source of a list of bare values; elements without a value are left out."""
        if self.boxed:
            return f"fp_values({self.nodes()})"
        return self.nodes()

    def one(self) -> str:
        """Source of the only value, or None; more than one is an evaluation error."""
        return f"fp_single({self.values()})"

    def exists(self) -> str:
        """Source that holds when there is at least one item."""
        return f"(len({self.nodes()}) > 0)"

    def count(self) -> str:
        """Source of the number of items."""
        return f"len({self.nodes()})"

    def is_boolean(self) -> bool:
        """Tell whether the items can only be booleans."""
        return self.types <= {"boolean", "System.Boolean"}

    def true(self) -> str:
        """Source that holds when the term, read as a boolean, is true."""
        return f"({self.truth()} is True)"

    def sat(self) -> str:
        """Source that holds when the term, read as a boolean, is true or empty."""
        return f"({self.truth()} is not False)"

    def truth(self) -> str:
        """Source of True, False or None, by singleton evaluation (FHIRPath 2.0.0 section 4.5)."""
        if self.is_boolean():
            return self.one()
        return f"fp_truth({self.nodes()})"

    @property
    def definite(self) -> bool:
        """Tell whether the term always has exactly one value."""
        return False


class Empty(Term):
    """The empty collection."""

    many = False

    def nodes(self) -> str:  # noqa: D102 - as Term says, and so for each class below
        return "()"

    def one(self) -> str:  # noqa: D102
        return "None"


class Bool(Term):
    """A truth value, known by its ``true`` and ``sat`` sources, or by one source of True, False or None."""

    types = BOOLEAN
    many = False

    def __init__(self, true: str = "", sat: str = "", *, value: str = "") -> None:
        self._true = true or f"({value} is True)"
        self._sat = sat or f"({value} is not False)"
        self._value = value

    @property
    def definite(self) -> bool:  # noqa: D102
        return self._true == self._sat

    def true(self) -> str:  # noqa: D102
        return self._true

    def sat(self) -> str:  # noqa: D102
        return self._sat

    def truth(self) -> str:  # noqa: D102
        if self.definite:
            return self._true
        return self._value or f"(True if {self._true} else None if {self._sat} else False)"

    def one(self) -> str:  # noqa: D102
        return self.truth()

    def nodes(self) -> str:  # noqa: D102
        return f"({self._true},)" if self.definite else f"fp_opt({self.truth()})"

    def exists(self) -> str:  # noqa: D102
        return "True" if self.definite else f"({self.truth()} is not None)"


class Scalar(Term):
    """At most one System value, ``definite`` when never empty; ``literal`` is a constant's Python value."""

    many = False

    def __init__(
        self, source: str, type_name: str, *, definite: bool = False, literal: object = None
    ) -> None:
        self.source, self.types, self._definite = source, frozenset({type_name}), definite
        self.literal = literal

    @property
    def definite(self) -> bool:  # noqa: D102
        return self._definite

    def one(self) -> str:  # noqa: D102
        return self.source

    def nodes(self) -> str:  # noqa: D102
        return f"({self.source},)" if self._definite else f"fp_opt({self.source})"

    def exists(self) -> str:  # noqa: D102
        return "True" if self._definite else f"({self.source} is not None)"


class Items(Term):
    """Any list of items, by the source of the list."""

    def __init__(
        self,
        source: str,
        types: Iterable[str],
        *,
        boxed: bool = False,
        many: bool = True,
        targets: tuple[str, ...] = (),
    ) -> None:
        self.source, self.types = source, frozenset(types)
        self.boxed, self.many, self.targets = boxed, many, targets

    def nodes(self) -> str:  # noqa: D102
        return self.source


class Filtered(Term):
    """The items of another term for which a condition, written over ``variable``, holds."""

    def __init__(self, base: Term, variable: str, condition: str) -> None:
        self.base, self.variable, self.condition = base, variable, condition
        self.types, self.boxed, self.many, self.targets = base.types, base.boxed, base.many, base.targets

    def nodes(self) -> str:  # noqa: D102
        return f"[{self.variable} for {self.variable} in {self.base.nodes()} if {self.condition}]"

    def exists(self) -> str:  # noqa: D102
        return f"any({self.condition} for {self.variable} in {self.base.nodes()})"


class One(Term):
    """At most one item, by the source of the item or None: the context node, a loop's variable, ``first()``.

    ``element`` is, for a primitive that is not boxed, the source of the object with its id and extensions.
    """

    many = False

    def __init__(
        self,
        source: str,
        types: Iterable[str],
        *,
        boxed: bool = False,
        definite: bool = False,
        element: str = "",
        targets: tuple[str, ...] = (),
    ) -> None:
        self.source, self.types, self.boxed, self._definite = source, frozenset(types), boxed, definite
        self.element, self.targets = element, targets

    def nodes(self) -> str:  # noqa: D102
        if self.element:
            return f"fp_boxes_of({self.source}, {self.element})"
        return f"({self.source},)" if self._definite else f"fp_opt({self.source})"

    def one(self) -> str:  # noqa: D102
        return f"fp_value({self.source})" if self.boxed else self.source

    def values(self) -> str:  # noqa: D102
        return f"fp_opt({self.one()})"

    def exists(self) -> str:  # noqa: D102
        if self._definite:
            return "True"
        if self.element:
            return f"({self.source} is not None or {self.element} is not None)"
        return f"({self.source} is not None)"

    def member_base(self) -> str:
        """Source of the dict to look members up in, never None; a primitive's is its id and extensions."""
        if self.element:
            return f"({self.element} or fp_E)"
        if self.boxed:
            return f"fp_dict({self.source})"
        return self.source if self._definite else f"({self.source} or fp_E)"
