"""Navigation as Python source: chains of keys where the types tell them, else a look at the data."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fhircare.check.fhirpath.model import ANY, is_system
from fhircare.check.fhirpath.terms import Empty, One, Term

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.check.fhirpath.terms import Unit

_ONE_OF = 3  # up to so many key tests are cheaper than one set operation


class Descendants(Term):
    """All elements below others; of any type."""

    types = frozenset({ANY})
    boxed = True

    def __init__(self, base: Term) -> None:
        self.base = base

    def nodes(self) -> str:  # noqa: D102
        return f"fp_descendants({self.base.nodes()})"


class Loose(Term):
    """A member by name of items whose types do not tell how it is written: found by looking at the data."""

    boxed = True

    def __init__(self, unit: Unit, base: Term, name: str, types: Iterable[str]) -> None:
        self.unit, self.base, self.name, self.types = unit, base, name, frozenset(types)
        self.choice = unit.model.is_choice(name)

    def _members(self, item: str) -> str:
        if self.choice:
            return f"fp_nav({item}, {self.name!r})"
        return f"fp_prims(fp_dict({item}), {self.name!r})"

    def nodes(self) -> str:  # noqa: D102
        if isinstance(self.base, Descendants) and not self.choice:
            return f"fp_below({self.base.base.nodes()}, {self.name!r})"
        item, found = self.unit.fresh(), self.unit.fresh()
        return f"[{found} for {item} in {self.base.nodes()} for {found} in {self._members(item)}]"

    def exists(self) -> str:  # noqa: D102
        if isinstance(self.base, Descendants):
            return super().exists()
        item = self.unit.fresh()
        return f"any({self._members(item)} for {item} in {self.base.nodes()})"


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a path: the keys to look under, each with its type.

    ``sibling`` steps read ``_name``; in an array of primitives their items may be null.
    """

    keys: tuple[tuple[str, str], ...]
    many: bool
    sibling: bool = False

    def key(self) -> str:
        """Return the only key, or "" when there are several."""
        return self.keys[0][0] if len(self.keys) == 1 else ""


class Path(Term):
    """A chain of members from one item, or from each item of a list."""

    def __init__(
        self, unit: Unit, base: Term, steps: tuple[Step, ...], targets: tuple[str, ...] = ()
    ) -> None:
        self.unit, self.base, self.steps, self.targets = unit, base, steps, targets
        last = steps[-1]
        self.types = frozenset(t for _, t in last.keys)
        self.many = base.many or any(step.many for step in steps)
        self.boxed = self._boxed(last)

    def _boxed(self, step: Step) -> bool:
        if step.sibling:
            return False
        return len(step.keys) > 1 or any(self.primitive(t) for _, t in step.keys)

    def primitive(self, type_name: str) -> bool:
        """Tell whether a type's values are bare in JSON."""
        return is_system(type_name) or self.unit.model.is_primitive(type_name)

    def narrowed(self, keep: Iterable[str]) -> Term:
        """Return the same path, its last step only under the keys whose type is kept."""
        wanted = frozenset(keep)
        keys = tuple(pair for pair in self.steps[-1].keys if pair[1] in wanted)
        if not keys:
            return Empty()
        steps = (*self.steps[:-1], replace(self.steps[-1], keys=keys))
        return Path(self.unit, self.base, steps, self.targets)

    def then(self, step: Step, targets: tuple[str, ...]) -> Path:
        """Return the path one step longer."""
        return Path(self.unit, self.base, (*self.steps, step), targets)

    # --- walking down to the last step ---

    def _descend(self) -> tuple[str, list[str]]:
        """Return the source of the last step's parent, and the clauses of the comprehension it stands in."""
        clauses: list[str] = []
        if isinstance(self.base, One):
            parent = self.base.member_base()
        else:
            item = self.unit.fresh()
            clauses.append(f"for {item} in {self.base.nodes()}")
            parent = f"fp_dict({item})" if self.base.boxed else item
        for step in self.steps[:-1]:
            parent = self._into(parent, step, clauses)
        return parent, clauses

    def _into(self, parent: str, step: Step, clauses: list[str]) -> str:
        key = step.key()
        if not step.many and not clauses:
            return f"{parent}.get({key!r}, fp_E)" if key else f"fp_into({parent}, {self._keys(step)})"
        inner = self.unit.fresh()
        if step.many:
            listed = f"{parent}.get({key!r}, ())" if key else f"fp_lists({parent}, {self._keys(step)})"
            clauses.append(f"for {inner} in {listed}")
            if step.sibling:
                clauses.append(f"if {inner}")
        elif key:
            clauses.append(f"if {key!r} in {parent}")
            return f"{parent}[{key!r}]"
        else:
            clauses.append(f"for {inner} in (fp_into({parent}, {self._keys(step)}),)")
        return inner

    def _keys(self, step: Step) -> str:
        return self.unit.constant(repr(tuple(key for key, _ in step.keys)))

    def _test(self, parent: str) -> str:
        step = self.steps[-1]
        keys: list[str] = []
        for key, type_name in step.keys:
            keys.append(key)
            if not step.sibling and self.primitive(type_name):
                keys.append(f"_{key}")
        if len(keys) <= _ONE_OF:
            test = " or ".join(f"{key!r} in {parent}" for key in keys)
            return f"({test})"
        constant = self.unit.constant(f"frozenset({tuple(sorted(keys))!r})")
        return f"(not {constant}.isdisjoint({parent}))"

    # --- what is asked of it ---

    def exists(self) -> str:  # noqa: D102
        parent, clauses = self._descend()
        if not clauses:
            return self._test(parent)
        return f"any({self._test(parent)} {' '.join(clauses)})"

    def _list(self, parent: str, *, boxed: bool) -> str:
        """Source of the list of the last step's items under one parent."""
        step, key = self.steps[-1], self.steps[-1].key()
        if self.boxed and boxed:
            if key:
                return f"fp_prims({parent}, {key!r})"
            return f"fp_choice({parent}, {self.unit.constant(repr(self._choice()))})"
        if not key:
            return f"fp_lists({parent}, {self._keys(step)})"
        if not step.many:
            return f"fp_opt({parent}.get({key!r}))"
        if step.sibling:
            return f"[s for s in {parent}.get({key!r}, ()) if s]"
        if self.primitive(step.keys[0][1]):
            return f"[v for v in {parent}.get({key!r}, ()) if v is not None]"
        return f"{parent}.get({key!r}, ())"

    def _choice(self) -> tuple[tuple[str, str, bool], ...]:
        return tuple((key, t, self.primitive(t)) for key, t in self.steps[-1].keys)

    def _gather(self, *, boxed: bool) -> str:
        parent, clauses = self._descend()
        if not clauses:
            return self._list(parent, boxed=boxed)
        item = self.unit.fresh()
        key = self.steps[-1].key()
        if key and not self.steps[-1].many and not (self.boxed and boxed):
            return f"[{parent}[{key!r}] {' '.join(clauses)} if {key!r} in {parent}]"
        return f"[{item} {' '.join(clauses)} for {item} in {self._list(parent, boxed=boxed)}]"

    def nodes(self) -> str:  # noqa: D102
        return self._gather(boxed=True)

    def values(self) -> str:  # noqa: D102
        return self._gather(boxed=False)

    def one(self) -> str:  # noqa: D102
        return self.value_or("None") or super().one()

    def value_or(self, default: str) -> str:
        """Source of the only value, with another value for "none"; "" when the path may hold several."""
        parent, clauses = self._descend()
        if self.many or clauses:
            return ""
        key = self.steps[-1].key()
        if not key:
            return f"fp_first({parent}, {self._keys(self.steps[-1])}, {default})"
        return f"{parent}.get({key!r})" if default == "None" else f"{parent}.get({key!r}, {default})"

    def count(self) -> str:  # noqa: D102
        # A key test is a bool, and Python's bools are the integers 0 and 1.
        return f"len({self.nodes()})" if self.many else self.exists()

    def has_value(self) -> str:
        """Source that holds when there is one element and it has a value (``hasValue()``)."""
        single = self.value_or("None")
        return f"({single} is not None)" if single else f"fp_has_value({self.nodes()})"
