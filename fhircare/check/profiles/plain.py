"""Tells quickly that nothing is amiss: tests made of a profile's tree once, and asked of each resource.

A ``Visit`` looks at every element a profile speaks of, there or not, and keeps the place of each; most
resources keep their profiles, and for them all that is wasted. So a tree is made into nested functions that
go through the members an object has, and know what can be decided beforehand: which member leads where, what
its type asks, which slice a text means. ``True`` means that a visit would say nothing. ``False`` means only
that somebody must look: whatever is unusual, such as a primitive with extensions, is left to the visit.

So ``visit`` alone says what a profile means. What is new there must be known here too, or be left to
``_Maker.visited``; that both agree is a test (``tests/test_profiles_plain.py``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.fhirpath.runtime import UNDECIDABLE
from fhircare.check.profiles import codes, targets
from fhircare.check.profiles.slicing import is_type, members
from fhircare.check.profiles.values import holding, outside, same, specialises
from fhircare.check.profiles.visit import Broken, Heard, items

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from fhircare.check.path import Path
    from fhircare.check.profiles.library import Library
    from fhircare.check.profiles.tree import Node, Profile, Slice, Slicing, Test
    from fhircare.check.walk import Env

    Json = dict[str, Any]
    # What is asked of one value.
    Ask = Callable[[Any, Env], bool]
    # What is asked of a member: its value, the object that has it.
    Member = Callable[[Any, Json, Env], bool]
    # Whether a value is in a slice; None when a visit must find out.
    LetIn = Callable[[Any, Env], bool | None]

NOWHERE: Path = (None, "")
NONE, ASK = -1, -2
"""Instead of a slice's place: in no slice; a visit must find out."""


def plain(profile: Profile, kind: str, library: Library) -> Ask:
    """Return the quick test of a profile on values of a type.

    Args:
        profile: The profile.
        kind: The type of the values: a resource's, a data type's.
        library: Where other profiles and value sets are found.
    """
    return _Maker(profile, library).value(profile.root, kind) or _anything


def _anything(_value: Any, _env: Env) -> bool:
    return True


def _nothing(_value: Any, _env: Env) -> bool:
    return False


class _Maker:
    """Makes the tests of one profile."""

    def __init__(self, profile: Profile, library: Library) -> None:
        self.profile, self.library = profile, library

    def visited(self, node: Node) -> Member:
        """Return the test of an element that a visit makes."""
        profile, library = self.profile, self.library

        def ask(_value: Any, o: Json, env: Env) -> bool:
            try:
                Heard(profile, library, env, []).several(node, items(node, o, NOWHERE), NOWHERE)
            except Broken:
                return False
            return True

        return ask

    # --- one value ---

    def value(self, node: Node, kind: str) -> Ask | None:
        """Return what a node asks of one value of a type, None when that is nothing."""
        definitions = self.library.definitions
        if node.types is not None and not specialises(kind, node.types, definitions):
            return _nothing
        asks = [*_of_content(node, kind)]
        if node.binding is not None and kind in codes.CODED:
            asks.append(codes.silent(node.binding, kind, self.profile.url, self.library))
        for purpose, url, one_is_enough, _ in node.also:
            if one_is_enough:
                return _nothing
            asks.append(codes.silent((purpose, url, ""), kind, self.profile.url, self.library))
        if node.targets is not None:
            asks.append(targets.silent(node.targets, kind, self.library))
        if kind in node.profiles:
            asks.append(self._kept(node.profiles[kind], kind))
        rules = [rule.asks.get(kind) or rule.asks.get("") for rule in node.rules]
        if any(rules):
            asks.append(_all_kept([rule for rule in rules if rule is not None]))
        if node.children:
            asks.append(self._below(node.children))
        return _together(asks)

    def _kept(self, urls: tuple[str, ...], kind: str) -> Ask:
        """Return the test that one of the profiles is kept which the type names.

        They are looked up when first needed: a profile may name itself within.
        """
        library = self.library

        def ask(value: Any, env: Env) -> bool:
            known = [profile for profile in map(library.profile, urls) if profile is not None]
            if len(known) < len(urls):
                return True
            return any(library.plain(profile, kind)(value, env) for profile in known)

        return ask

    def _below(self, children: tuple[Node, ...]) -> Ask:
        """Return what is asked of the elements of an object, None of it where the value is no object."""
        table: dict[str, Member] = {}
        wanted = [frozenset(key for key, _, _ in child.keys) for child in children if _is_due(child)]
        due = frozenset[str]().union(*(names for names in wanted if len(names) == 1))
        due_choices = [names for names in wanted if len(names) != 1]
        for child in children:
            for key, kind, primitive in child.keys:
                table[key] = self._member(child, kind)
                if primitive:
                    table[f"_{key}"] = self.visited(child)

        def ask(o: Any, env: Env) -> bool:
            if o.__class__ is not dict:
                return True
            if due and not o.keys() >= due:
                return False
            for names in due_choices:
                if names.isdisjoint(o):
                    return False
            for key, value in o.items():
                member = table.get(key)
                if member is not None and not member(value, o, env):
                    return False
            return True

        return ask

    # --- all values of a member ---

    def _member(self, node: Node, kind: str) -> Member:
        """Return what is asked of an element where it is written with one of its names."""
        if kind == "Resource" or any(one_is_enough for _, _, one_is_enough, _ in node.also):
            return self.visited(node)  # which type it is each resource says for itself
        ask = self.value(node, kind) or _anything
        if node.slicing is None and node.most is None and node.least < 2:
            return _there if ask is _anything else _each(ask)
        least, most = node.least, float("inf") if node.most is None else node.most
        divided = self._divided(node, node.slicing, kind) if node.slicing is not None else None

        def member(value: Any, o: Json, env: Env) -> bool:
            found = value if value.__class__ is list else [value]
            if not least <= len(found) <= most:
                return False
            for one in found:
                if one is None or not ask(one, env):
                    return False
            return divided is None or divided(found, o, env)

        return member

    def _divided(self, node: Node, slicing: Slicing, kind: str) -> Member:
        """Return what the slices of an element ask of its values."""
        visited = self.visited(node)
        sort = self._sorter(slicing, kind)
        if sort is None or slicing.ordered or slicing.rules == "openAtEnd":
            return visited
        asks = [self.value(one.node, kind) or _anything for one in slicing.slices]
        limits = [(one.node.least, one.node.most) for one in slicing.slices]
        bounds = [
            (index, least, float("inf") if most is None else most)
            for index, (least, most) in enumerate(limits)
            if least or most is not None
        ]
        closed = slicing.rules == "closed"

        def divided(found: Any, o: Json, env: Env) -> bool:
            counts = [0] * len(asks)
            for one in found:
                index = sort(one, env)
                if index == ASK:
                    return visited(found, o, env)
                if index == NONE:
                    if closed:
                        return False
                    continue
                counts[index] += 1
                if not asks[index](one, env):
                    return False
            for index, least, most in bounds:  # noqa: SIM110 - as in ``_together``
                if not least <= counts[index] <= most:
                    return False
            return True

        return divided

    def _sorter(self, slicing: Slicing, kind: str) -> Callable[[Any, Env], int] | None:
        """Return what tells the place of the slice a value is in; None when only a visit can."""
        if any(one.node.slicing is not None for one in slicing.slices):
            return None
        if slicing.step:
            return _by_text(slicing.step, slicing.by_text)
        doors = [self._door(one, kind) for one in slicing.slices]
        known = [door for door in doors if door is not None]
        if len(known) < len(doors):
            return None

        def sort(value: Any, env: Env) -> int:
            found = NONE
            for index, door in enumerate(known):
                told = door(value, env)
                if told is None or (told and found != NONE):
                    return ASK
                if told:
                    found = index
            return found

        return sort

    def _door(self, one: Slice, kind: str) -> LetIn | None:
        """Return what tells whether a value is in a slice, None when only a visit can."""
        tests = [self._test(test, kind) for test in one.tests]
        known = [test for test in tests if test is not None]
        if len(known) < len(tests):
            return None
        if len(known) == 1:
            return known[0]

        def door(value: Any, env: Env) -> bool | None:
            told = [test(value, env) for test in known]
            return False if False in told else None if None in told else True

        return door

    def _test(self, test: Test, kind: str) -> LetIn | None:
        """Return one test of a slice: of the type, of a value or of a value set; None for any other."""
        wanted, steps = test.wanted, tuple(step for step in test.steps if isinstance(step, str))
        if len(steps) < len(test.steps):
            return None
        if test.kind == "type" and not steps:
            told = is_type(kind, wanted, self.library.definitions)
            return lambda _value, _env: told
        if test.kind != "value" or wanted.children or wanted.slicing:
            return None
        if wanted.binding is None:
            return _reaching(steps, wanted)
        bare = wanted.fixed is None and wanted.pattern is None
        return codes.within(wanted.binding, kind, self.library) if bare and not steps else None


def _there(value: Any, _o: Json, _env: Env) -> bool:
    """Tell that a member has a value: an empty list has none, and null may stand for one."""
    return value is not None and (value.__class__ is not list or (bool(value) and None not in value))


def _each(ask: Ask) -> Member:
    """Return the test of every value of a member, of which there is one."""

    def member(value: Any, _o: Json, env: Env) -> bool:
        if value.__class__ is not list:
            return value is not None and ask(value, env)
        for one in value:
            if one is None or not ask(one, env):
                return False
        return bool(value)

    return member


def _is_due(node: Node) -> bool:
    """Tell whether something is amiss where an element is not there at all."""
    slices = node.slicing.slices if node.slicing is not None else ()
    return node.least > 0 or any(_is_due(one.node) for one in slices)


def _of_content(node: Node, kind: str) -> Iterable[Ask]:
    """Yield what is asked of the content of a value alone."""
    fixed, pattern, longest = node.fixed, node.pattern, node.longest
    if isinstance(fixed, str):
        yield lambda value, _: bool(value == fixed)
    elif fixed is not None:
        yield lambda value, _: same(value, fixed)
    if pattern is not None:
        held = holding(pattern)
        yield lambda value, _: held(value)
    if longest:
        yield lambda value, _: not isinstance(value, str) or len(value) <= longest
    if node.low is not None:
        yield lambda value, _: not outside(kind, value, node.low, -1)
    if node.high is not None:
        yield lambda value, _: not outside(kind, value, node.high, 1)


def _together(asks: list[Ask]) -> Ask | None:
    if len(asks) < 2:
        return asks[0] if asks else None

    def ask(value: Any, env: Env) -> bool:
        for one in asks:  # noqa: SIM110 - a generator costs as much as most of what is asked
            if not one(value, env):
                return False
        return True

    return ask


def _all_kept(rules: list[Callable[[Any, Any, Any], bool]]) -> Ask:
    def ask(value: Any, env: Env) -> bool:
        for rule in rules:
            try:
                if not rule(value, env, None):
                    return False
            except UNDECIDABLE:
                continue  # the structure is wrong, and said so
        return True

    return ask


def _by_text(step: str, by_text: dict[str, int]) -> Callable[[Any, Env], int]:
    """Return what tells slices by one text of their own, such as the url of extensions."""

    def sort(value: Any, _env: Env) -> int:
        text = value.get(step) if value.__class__ is dict else None
        return by_text.get(text, NONE) if text.__class__ is str else ASK

    return sort


def _reaching(steps: tuple[str, ...], wanted: Node) -> LetIn:
    """Return the test that some value at the end of the steps is the wanted one."""
    fixed = wanted.fixed
    held = holding(wanted.pattern) if wanted.pattern is not None else None

    def let_in(value: Any, _env: Env) -> bool:
        here = [value]
        for step in steps:
            here = [inner for one in here for _, inner in members(one, step)]
        return any((fixed is None or same(one, fixed)) and (held is None or held(one)) for one in here)

    return let_in
