"""FHIRPath's operators: equality, order, membership, logic, arithmetic, union (FHIRPath 2.0.0 section 6)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.check.fhirpath.paths import Path
from fhircare.check.fhirpath.terms import Bool, Empty, Items, Scalar, Term

if TYPE_CHECKING:
    from fhircare.check.fhirpath.compiler import Compiler, Focus
    from fhircare.check.fhirpath.syntax import Binary

_DATES = frozenset({"date", "dateTime", "instant", "time", "System.Date", "System.DateTime", "System.Time"})
_NUMBERS = frozenset(
    {"integer", "integer64", "decimal", "positiveInt", "unsignedInt", "System.Integer", "System.Decimal"}
)
_INTEGERS = frozenset({"integer", "positiveInt", "unsignedInt", "System.Integer"})
_QUANTITIES = frozenset(
    {"Quantity", "Age", "Count", "Distance", "Duration", "SimpleQuantity", "MoneyQuantity", "System.Quantity"}
)
_STRINGS = frozenset(
    {"string", "code", "id", "markdown", "uri", "url", "canonical", "oid", "uuid", "base64Binary", "xhtml"}
    | {"System.String"}
)
_PLAIN = _STRINGS | _NUMBERS | {"boolean", "System.Boolean"}


def truth(true: str, sat: str) -> Bool:
    """Return a truth value by its two sources, for ``is``."""
    return Bool(true, sat)


def known(value: str) -> Bool:
    """Return a truth value by one source of True, False or None."""
    return Bool(value=value)


def binary(compiler: Compiler, node: Binary, focus: Focus) -> Term:
    """Return the term of an operator between two expressions."""
    left, right = compiler.term(node.left, focus), compiler.term(node.right, focus)
    match node.op:
        case "and" | "or" | "xor" | "implies":
            return _logic(node.op, left, right)
        case "=" | "!=":
            return _equal(left, right, negated=node.op == "!=")
        case "~" | "!~":
            return _equivalent(left, right, negated=node.op == "!~")
        case "<" | ">" | "<=" | ">=":
            return _compare(compiler, node.op, left, right)
        case "in":
            return _member(compiler, left, right)
        case "contains":
            return _member(compiler, right, left)
        case "|":
            return union(left, right)
        case "&":
            return Scalar(f"fp_concat({left.one()}, {right.one()})", "System.String", definite=True)
    return _arithmetic(compiler, node.op, left, right)


def _logic(op: str, left: Term, right: Term) -> Term:
    match op:
        case "and":
            return Bool(f"({left.true()} and {right.true()})", f"({left.sat()} and {right.sat()})")
        case "or":
            return Bool(f"({left.true()} or {right.true()})", f"({left.sat()} or {right.sat()})")
        case "implies":
            return Bool(
                f"(not {left.sat()} or {right.true()})",
                f"(not {left.true()} or {right.sat()})",
            )
    if _definite(left) and _definite(right):
        return _always(f"({left.true()} != {right.true()})")
    return known(f"fp_xor({left.truth()}, {right.truth()})")


def _definite(term: Term) -> bool:
    return isinstance(term, Bool) and term.definite


def _always(source: str) -> Bool:
    return Bool(source, source)


def _kind(term: Term) -> str:
    """Return how a term's values compare: ``date``, ``plain``, ``quantity`` or ``deep``."""
    if term.types and term.types <= _DATES:
        return "date"
    if term.types and term.types <= _PLAIN:
        return "plain"
    if term.types and term.types <= _QUANTITIES:
        return "quantity"
    return "deep"


def _equal(left: Term, right: Term, *, negated: bool) -> Term:
    """``=`` and ``!=`` (section 6.1): empty when a side is empty."""
    if isinstance(left, Empty) or isinstance(right, Empty):
        return Empty()
    if _definite(left) and _definite(right):
        return _always(f"({left.true()} {'!=' if negated else '=='} {right.true()})")
    kinds = {_kind(left), _kind(right)}
    if "date" in kinds and kinds <= {"date", "plain"}:
        how = "fp_equal_dates"
    elif kinds == {"quantity"}:
        how = "fp_equal_quantities"
    else:
        how = "fp_equal"
    if left.many or right.many:
        source = f"fp_equal_lists({left.values()}, {right.values()}, {how})"
        return known(f"fp_not({source})" if negated else source)
    if kinds == {"plain"}:
        return _equal_plain(left, right, negated=negated)
    source = f"{how}({left.one()}, {right.one()})"
    return known(f"fp_not({source})" if negated else source)


def _equal_plain(left: Term, right: Term, *, negated: bool) -> Term:
    """Equality of single plain values; with a literal the empty case folds into a default of ``.get``."""
    op = "!=" if negated else "=="
    if isinstance(left, Scalar) and left.literal is not None:
        left, right = right, left
    if isinstance(right, Scalar) and right.literal is not None:
        if left.definite:
            return _always(f"({left.one()} {op} {right.source})")
        if isinstance(right.literal, bool):
            op = "is not" if negated else "is"
        default = left.value_or(right.source) if isinstance(left, Path) else ""
        if default:
            plain, folded = f"({left.one()} {op} {right.source})", f"({default} {op} {right.source})"
            return Bool(folded, plain) if negated else Bool(plain, folded)
    source = f"fp_equal({left.one()}, {right.one()})"
    return known(f"fp_not({source})" if negated else source)


def _equivalent(left: Term, right: Term, *, negated: bool) -> Term:
    """``~`` and ``!~`` (section 6.1.2): never empty."""
    source = f"fp_equivalent({left.values()}, {right.values()})"
    return _always(f"(not {source})" if negated else source)


def _compare(compiler: Compiler, op: str, left: Term, right: Term) -> Term:
    """``< > <= >=`` (section 6.2): empty when a side is empty or the precision or the units do not tell."""
    if isinstance(left, Empty) or isinstance(right, Empty):
        return Empty()
    types = left.types | right.types
    if types <= _NUMBERS or types <= _STRINGS:
        if left.definite and right.definite:
            return _always(f"({left.one()} {op} {right.one()})")
        return known(f"fp_compare_plain({op!r}, {left.one()}, {right.one()})")
    if types <= _DATES:
        return known(f"fp_compare_dates({op!r}, {left.one()}, {right.one()})")
    if types <= _QUANTITIES:
        return known(f"fp_compare_quantities({op!r}, {left.one()}, {right.one()})")
    raise compiler.fail(f"{op} between {' | '.join(sorted(types))} is not defined")


def _member(compiler: Compiler, item: Term, collection: Term) -> Term:
    """``item in collection`` (section 6.4): empty when the item is, false when only the collection is."""
    if isinstance(item, Empty):
        return item
    literals = collection.literals if isinstance(collection, Union) else None
    if isinstance(collection, Scalar) and collection.literal is not None:
        literals = (collection.literal,)
    if literals is not None and item.types <= _PLAIN:
        allowed = compiler.unit.constant(f"frozenset({literals!r})")
        default = item.value_or(repr(literals[0])) if isinstance(item, Path) else ""
        if default:
            return Bool(f"({item.one()} in {allowed})", f"({default} in {allowed})")
        return known(f"fp_in({item.one()}, {allowed})")
    if item.types | collection.types <= _STRINGS:
        return known(f"fp_in({item.one()}, {collection.values()})")
    return known(f"fp_in_deep({item.one()}, {collection.values()})")


class Union(Items):
    """A union; ``literals`` holds the constants when it is made of nothing else."""

    def __init__(self, left: Term, right: Term) -> None:
        super().__init__(
            f"fp_union({left.nodes()}, {right.nodes()})",
            left.types | right.types,
            boxed=left.boxed or right.boxed,
            targets=left.targets if left.targets and right.targets else (),
        )
        self.literals: tuple[object, ...] | None = None
        parts: list[object] = []
        for side in (left, right):
            if isinstance(side, Union) and side.literals is not None:
                parts.extend(side.literals)
            elif isinstance(side, Scalar) and side.literal is not None:
                parts.append(side.literal)
            else:
                return
        self.literals = tuple(parts)


def union(left: Term, right: Term) -> Term:
    """``|`` (section 6.3.2): both sides, each item once."""
    if isinstance(left, Empty):
        return right
    if isinstance(right, Empty):
        return left
    return Union(left, right)


def _arithmetic(compiler: Compiler, op: str, left: Term, right: Term) -> Term:
    types = left.types | right.types
    if isinstance(left, Empty) or isinstance(right, Empty):
        return Empty()
    if not (types <= _NUMBERS or (op == "+" and types <= _STRINGS)):
        raise compiler.fail(f"{op} between {' | '.join(sorted(types))} is not supported")
    if types <= _STRINGS:
        result = "System.String"
    elif types <= _INTEGERS and op != "/":
        result = "System.Integer"
    else:
        result = "System.Decimal"
    if left.definite and right.definite and op in "+-*":
        return Scalar(f"({left.one()} {op} {right.one()})", result, definite=True)
    return Scalar(f"fp_arithmetic({op!r}, {left.one()}, {right.one()})", result)


def sign(compiler: Compiler, op: str, operand: Term) -> Term:
    """Unary plus and minus."""
    if not operand.types <= _NUMBERS:
        raise compiler.fail(f"{op} before {' | '.join(sorted(operand.types))} is not supported")
    if op == "+":
        return operand
    if isinstance(operand, Scalar) and isinstance(operand.literal, int):
        return Scalar(f"-{operand.source}", "System.Integer", definite=True, literal=-operand.literal)
    return Scalar(f"fp_arithmetic('-', 0, {operand.one()})", next(iter(operand.types)))
