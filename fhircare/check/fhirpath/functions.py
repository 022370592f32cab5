"""FHIRPath's functions and those FHIR adds: one line of a table for each.

FHIRPath 2.0.0 section 5; FHIR R4 fhirpath.html, "Additional functions"; boundaries and ``comparable`` from
the STU part. Functions that read the clock (``now`` and its kin) are left out on purpose: a check gives the
same answer on any day.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from fhircare.check.fhirpath.model import ANY
from fhircare.check.fhirpath.paths import Descendants, Path
from fhircare.check.fhirpath.terms import Bool, Empty, Filtered, Items, One, Scalar, Term

if TYPE_CHECKING:
    from fhircare.check.fhirpath.compiler import Compiler, Focus
    from fhircare.check.fhirpath.syntax import Node

Args = "tuple[Node, ...]"
Build = Callable[["Compiler", Term, "tuple[Node, ...]", "Focus"], Term]


class Function(NamedTuple):
    """How a call is compiled, and how many arguments it takes."""

    build: Build
    arity: tuple[int, ...]


def _always(source: str) -> Bool:
    return Bool(source, source)


def _inside(compiler: Compiler, target: Term, focus: Focus) -> tuple[str, Focus]:
    """Return a fresh variable for one of the target's items, and the focus inside its loop."""
    variable = compiler.unit.fresh()
    this = One(variable, target.types, boxed=target.boxed, definite=True, targets=target.targets)
    return variable, type(focus)(this, focus.context, "")


# --- filtering and projection (5.1, 5.2) ---


def _where(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    if isinstance(target, Empty):
        return target
    variable, inner = _inside(compiler, target, focus)
    return Filtered(target, variable, compiler.term(args[0], inner).true())


def _exists(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    if args:
        target = _where(compiler, target, args, focus)
    return _always("False" if isinstance(target, Empty) else target.exists())


def _empty(_: Compiler, target: Term, __: tuple[Node, ...], ___: Focus) -> Term:
    return _always("True" if isinstance(target, Empty) else f"(not {target.exists()})")


def _not(_: Compiler, target: Term, __: tuple[Node, ...], ___: Focus) -> Term:
    return Bool(f"(not {target.sat()})", f"(not {target.true()})")


def _all(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    variable, inner = _inside(compiler, target, focus)
    condition = compiler.term(args[0], inner).true()
    return _always(f"all({condition} for {variable} in {target.nodes()})")


def _select(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    if isinstance(target, Empty):
        return target
    variable, inner = _inside(compiler, target, focus)
    found = compiler.term(args[0], inner)
    item = compiler.unit.fresh()
    return Items(
        f"[{item} for {variable} in {target.nodes()} for {item} in {found.nodes()}]",
        found.types,
        boxed=found.boxed,
        many=target.many or found.many,
        targets=found.targets,
    )


def _repeat(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    reached: frozenset[str] = frozenset()
    here = target
    while True:
        variable, inner = _inside(compiler, here, focus)
        found = compiler.term(args[0], inner)
        if found.types <= reached:
            break
        reached |= found.types
        here = Items("", target.types | reached, boxed=target.boxed or found.boxed)
    source = f"fp_repeat({target.nodes()}, lambda {variable}: {found.nodes()})"
    return Items(source, reached, boxed=found.boxed)


def _of_type(compiler: Compiler, target: Term, args: tuple[Node, ...], _: Focus) -> Term:
    return compiler.of_type(target, compiler.type_argument(args[0]))


def _is(compiler: Compiler, target: Term, args: tuple[Node, ...], _: Focus) -> Term:
    return compiler.is_type(target, compiler.type_argument(args[0]))


def _iif(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    inner = type(focus)(target, focus.context, focus.index)
    condition, yes = compiler.term(args[0], inner).true(), compiler.term(args[1], inner)
    no = compiler.term(args[2], inner) if len(args) > 2 else Empty()
    if yes.is_boolean() and no.is_boolean():
        return Bool(
            f"({yes.true()} if {condition} else {_truth_of(no, sat=False)})",
            f"({yes.sat()} if {condition} else {_truth_of(no, sat=True)})",
        )
    return Items(
        f"({yes.nodes()} if {condition} else {no.nodes()})",
        yes.types | no.types,
        boxed=yes.boxed or no.boxed,
        many=yes.many or no.many,
    )


def _truth_of(term: Term, *, sat: bool) -> str:
    if isinstance(term, Empty):
        return repr(sat)
    return term.sat() if sat else term.true()


def _trace(_: Compiler, target: Term, __: tuple[Node, ...], ___: Focus) -> Term:
    return target


# --- sub-setting, combining, counting (5.3, 5.4) ---


def _sub(function: str) -> Build:
    """Return a builder for functions that leave some items out."""

    def build(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
        given = "".join(f", {compiler.term(arg, focus).one()}" for arg in args)
        source = f"{function}({target.nodes()}{given})"
        return Items(source, target.types, boxed=target.boxed, targets=target.targets)

    return build


def _item(function: str) -> Build:
    """Return a builder for functions that leave one item."""

    def build(compiler: Compiler, target: Term, _: tuple[Node, ...], __: Focus) -> Term:
        if not target.many:
            return target
        return compiler.item(target, f"{function}({target.nodes()})")

    return build


def _combined(function: str) -> Build:
    """Return a builder for functions of two collections."""

    def build(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
        other = compiler.term(args[0], focus)
        return Items(
            f"{function}({target.nodes()}, {other.nodes()})",
            target.types | other.types,
            boxed=target.boxed or other.boxed,
            targets=target.targets,
        )

    return build


def _set_test(function: str) -> Build:
    """Return a builder for tests on the values of one or two collections; never empty."""

    def build(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
        given = "".join(f", {compiler.term(arg, focus).values()}" for arg in args)
        return _always(f"{function}({target.values()}{given})")

    return build


def _count(_: Compiler, target: Term, __: tuple[Node, ...], ___: Focus) -> Term:
    if isinstance(target, Empty):
        return Scalar("0", "System.Integer", definite=True)
    return Scalar(target.count(), "System.Integer", definite=True)


# --- one value in, one value out: conversion, strings, boundaries (5.5, 5.6) ---


def _scalar(function: str, type_name: str) -> Build:
    """Return a builder for functions of single values, empty when one of them is."""

    def build(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
        if isinstance(target, Empty):
            return target
        given = "".join(f", {compiler.term(arg, focus).one()}" for arg in args)
        kept = type_name or next(iter(sorted(target.types)))
        return Scalar(f"{function}({target.one()}{given})", kept)

    return build


def _test(function: str) -> Build:
    """Return a builder for tests of single values, empty when one of them is."""
    scalar = _scalar(function, "")

    def build(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
        found = scalar(compiler, target, args, focus)
        return found if isinstance(found, Empty) else Bool(value=found.one())

    return build


def _matches(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    """``matches``: a search, unless the expression anchors it; the regular expression is compiled once."""
    if isinstance(target, Empty):
        return target
    pattern = compiler.term(args[0], focus)
    literal = pattern.literal if isinstance(pattern, Scalar) else None
    if not isinstance(literal, str):
        raise compiler.fail("matches() needs a constant regular expression")
    # In ECMAScript, on which FHIRPath leans, $ is the very end; in Python a line break may follow.
    source = re.sub(r"(?<!\\)\$\Z", r"\\Z", literal)
    try:
        re.compile(source, re.DOTALL)
    except re.error as fault:
        raise compiler.fail(f"the regular expression {literal!r} is broken ({fault})") from None
    constant = compiler.unit.constant(f"fp_regex({source!r})")
    return Bool(value=f"fp_matches({target.one()}, {constant})")


def _starts_with(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    prefix = compiler.term(args[0], focus)
    if (
        isinstance(target, Path)
        and isinstance(prefix, Scalar)
        and isinstance(prefix.literal, str)
        and prefix.literal
    ):
        text, default = target.value_or("''"), target.value_or(prefix.source)
        if text:
            return Bool(f"{text}.startswith({prefix.source})", f"{default}.startswith({prefix.source})")
    return _test("fp_starts_with")(compiler, target, args, focus)


# --- the tree (5.8), and what FHIR adds ---


def _children(compiler: Compiler, target: Term, _: tuple[Node, ...], __: Focus) -> Term:
    types: set[str] = set()
    for type_name in target.types:
        for element in compiler.model.members(type_name).values():
            types.update(t for _, t in element.keys)
        if type_name == ANY:
            types.add(ANY)
    return Items(f"fp_children({target.nodes()})", types, boxed=True)


def _descendants(_: Compiler, target: Term, __: tuple[Node, ...], ___: Focus) -> Term:
    return Descendants(target)


def _has_value(_: Compiler, target: Term, __: tuple[Node, ...], ___: Focus) -> Term:
    if isinstance(target, Path):
        return _always(target.has_value())
    if isinstance(target, Empty):
        return _always("False")
    return _always(f"fp_has_value({target.nodes()})")


def _get_value(_: Compiler, target: Term, __: tuple[Node, ...], ___: Focus) -> Term:
    return Items(target.values(), target.types, many=target.many)


def _extension(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    extensions = compiler.navigate(target, "extension")
    if isinstance(extensions, Empty):
        return extensions
    variable = compiler.unit.fresh()
    url = compiler.term(args[0], focus).one()
    return Filtered(extensions, variable, f"({variable}.get('url') == {url})")


def _resolve(compiler: Compiler, target: Term, _: tuple[Node, ...], __: Focus) -> Term:
    compiler.unit.uses_env = True
    types = frozenset(target.targets) or frozenset({"Resource"})
    return Items(f"fp_resolve({target.nodes()}, {compiler.env})", types, many=target.many)


def _html_checks(_: Compiler, target: Term, __: tuple[Node, ...], ___: Focus) -> Term:
    return Bool(value=f"fp_html_checks({target.one()})")


def _unreferenced_contained(_: Compiler, target: Term, __: tuple[Node, ...], ___: Focus) -> Term:
    """Not FHIRPath: what ``dom-3`` means (see ``overrides``)."""
    return Items(f"fp_unreferenced_contained({target.one()})", {"Resource"})


def _asked(method: str) -> Build:
    """Return a builder for questions the environment answers."""

    def build(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
        compiler.unit.uses_env = True
        url = compiler.term(args[0], focus).one()
        return Bool(value=f"fp_ask({compiler.env}.{method}, {target.one()}, {url})")

    return build


def _comparable(compiler: Compiler, target: Term, args: tuple[Node, ...], focus: Focus) -> Term:
    other = compiler.term(args[0], focus)
    return Bool(value=f"fp_comparable({target.one()}, {other.one()})")


TABLE: dict[str, Function] = {
    "where": Function(_where, (1,)),
    "exists": Function(_exists, (0, 1)),
    "empty": Function(_empty, (0,)),
    "not": Function(_not, (0,)),
    "all": Function(_all, (1,)),
    "select": Function(_select, (1,)),
    "repeat": Function(_repeat, (1,)),
    "ofType": Function(_of_type, (1,)),
    "as": Function(_of_type, (1,)),
    "is": Function(_is, (1,)),
    "iif": Function(_iif, (2, 3)),
    "trace": Function(_trace, (1, 2)),
    "single": Function(_item("fp_single"), (0,)),
    "first": Function(_item("fp_head"), (0,)),
    "last": Function(_item("fp_last"), (0,)),
    "tail": Function(_sub("fp_tail"), (0,)),
    "skip": Function(_sub("fp_skip"), (1,)),
    "take": Function(_sub("fp_take"), (1,)),
    "distinct": Function(_sub("fp_distinct"), (0,)),
    "combine": Function(_combined("fp_combine"), (1,)),
    "union": Function(_combined("fp_union"), (1,)),
    "intersect": Function(_combined("fp_intersect"), (1,)),
    "exclude": Function(_combined("fp_exclude"), (1,)),
    "isDistinct": Function(_set_test("fp_is_distinct"), (0,)),
    "subsetOf": Function(_set_test("fp_subset_of"), (1,)),
    "supersetOf": Function(_set_test("fp_superset_of"), (1,)),
    "allTrue": Function(_set_test("fp_all_true"), (0,)),
    "anyTrue": Function(_set_test("fp_any_true"), (0,)),
    "allFalse": Function(_set_test("fp_all_false"), (0,)),
    "anyFalse": Function(_set_test("fp_any_false"), (0,)),
    "count": Function(_count, (0,)),
    "toInteger": Function(_scalar("fp_to_integer", "System.Integer"), (0,)),
    "toDecimal": Function(_scalar("fp_to_decimal", "System.Decimal"), (0,)),
    "toString": Function(_scalar("fp_to_string", "System.String"), (0,)),
    "substring": Function(_scalar("fp_substring", "System.String"), (1, 2)),
    "indexOf": Function(_scalar("fp_index_of", "System.Integer"), (1,)),
    "length": Function(_scalar("fp_length", "System.Integer"), (0,)),
    "upper": Function(_scalar("fp_upper", "System.String"), (0,)),
    "lower": Function(_scalar("fp_lower", "System.String"), (0,)),
    "trim": Function(_scalar("fp_trim", "System.String"), (0,)),
    "replace": Function(_scalar("fp_replace", "System.String"), (2,)),
    "replaceMatches": Function(_scalar("fp_replace_matches", "System.String"), (2,)),
    "lowBoundary": Function(_scalar("fp_low_boundary", ""), (0,)),
    "highBoundary": Function(_scalar("fp_high_boundary", ""), (0,)),
    "abs": Function(_scalar("fp_abs", ""), (0,)),
    "startsWith": Function(_starts_with, (1,)),
    "endsWith": Function(_test("fp_ends_with"), (1,)),
    "contains": Function(_test("fp_contains"), (1,)),
    "matches": Function(_matches, (1,)),
    "children": Function(_children, (0,)),
    "descendants": Function(_descendants, (0,)),
    "hasValue": Function(_has_value, (0,)),
    "getValue": Function(_get_value, (0,)),
    "extension": Function(_extension, (1,)),
    "resolve": Function(_resolve, (0,)),
    "htmlChecks": Function(_html_checks, (0,)),
    "memberOf": Function(_asked("member_of"), (1,)),
    "conformsTo": Function(_asked("conforms_to"), (1,)),
    "comparable": Function(_comparable, (1,)),
    "unreferencedContained": Function(_unreferenced_contained, (0,)),
}
