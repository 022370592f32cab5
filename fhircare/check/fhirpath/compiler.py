"""An expression's tree turned into terms: navigation, operators and environment variables.

Types are settled here, before any data: a choice element becomes the keys it may be written under, a type
test the keys of that type. What cannot be settled or is not supported raises ``FhirPathError``; nothing is
left for later.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fhircare.check.fhirpath import functions, operators
from fhircare.check.fhirpath.model import ANY, is_system
from fhircare.check.fhirpath.paths import Loose, Path, Step
from fhircare.check.fhirpath.syntax import (
    Binary,
    Call,
    Constant,
    FhirPathError,
    Index,
    Literal,
    Member,
    Node,
    Nothing,
    Sign,
    Special,
    TypeTest,
    UnknownElementError,
    type_argument,
)
from fhircare.check.fhirpath.terms import Empty, Filtered, Items, One, Scalar, Term, Unit

if TYPE_CHECKING:
    from fhircare.check.fhirpath.model import Element

# FHIR R4 fhirpath.html, "Use of environment variables".
_CONSTANTS = {
    "ucum": "http://unitsofmeasure.org",
    "sct": "http://snomed.info/sct",
    "loinc": "http://loinc.org",
}
_RESOURCES = {"resource": "resource", "rootResource": "root_resource"}
# Types of FHIR that are one of FHIRPath's own: an unqualified name means FHIR's first (FHIR R4
# fhirpath.html).
_SYSTEM_TYPES = {"Boolean", "String", "Integer", "Decimal", "Date", "DateTime", "Time", "Quantity"}


@dataclass(frozen=True, slots=True)
class Focus:
    """Where an expression stands.

    Attributes:
        this: ``$this``, what names and functions without a target start from.
        context: ``%context``, the element the whole expression is evaluated on.
        index: Source of ``$index``, "" outside a loop.
    """

    this: Term
    context: Term
    index: str = ""


class Compiler:
    """Turns nodes into terms for one expression."""

    def __init__(self, unit: Unit, env: str, root_type: str) -> None:
        self.unit, self.env, self.root_type = unit, env, root_type
        self.model = unit.model

    def fail(self, problem: str) -> FhirPathError:
        """Return the error that stops the compilation."""
        return FhirPathError(self.unit.expression, problem)

    def term(self, node: Node, focus: Focus) -> Term:
        """Return the term of a node.

        Raises:
            FhirPathError: It names something unknown or unsupported.
        """
        match node:
            case Literal():
                return self._literal(node)
            case Nothing():
                return Empty()
            case Special("$this"):
                return focus.this
            case Special("$index") if focus.index:
                return Scalar(focus.index, "System.Integer", definite=True)
            case Constant():
                return self._constant(node.name, focus)
            case Member():
                return self._member(node, focus)
            case Call():
                return self._call(node, focus)
            case Index():
                return self._index(node, focus)
            case Sign():
                return operators.sign(self, node.op, self.term(node.operand, focus))
            case Binary():
                return operators.binary(self, node, focus)
            case TypeTest():
                operand = self.term(node.operand, focus)
                return (
                    self.is_type(operand, node.type) if node.op == "is" else self.of_type(operand, node.type)
                )
        raise self.fail(f"{node} is not supported")

    @staticmethod
    def _literal(node: Literal) -> Scalar:
        value = node.value
        if node.type == "System.Decimal":
            source = f"fp_Decimal({str(value)!r})"
        elif isinstance(value, tuple):
            source = f"fp_quantity({str(value[0])!r}, {value[1]!r})"
        else:
            source = repr(value)
        return Scalar(source, node.type, definite=True, literal=value)

    def _constant(self, name: str, focus: Focus) -> Term:
        if name in _RESOURCES:
            self.unit.uses_env = True
            root = self.root_type if name == "resource" and self.root_type else "Resource"
            return One(f"{self.env}.{_RESOURCES[name]}", {root}, definite=True)
        if name == "context":
            return focus.context
        if name == "extension" and self.unit.extension:
            self.unit.uses_env = True
            return One(f"{self.env}.extension", {"Extension"}, definite=True)
        if name in _CONSTANTS:
            return Scalar(repr(_CONSTANTS[name]), "System.String", definite=True, literal=_CONSTANTS[name])
        if name.startswith("vs-"):
            url = f"http://hl7.org/fhir/ValueSet/{name[3:]}"
            return Scalar(repr(url), "System.String", definite=True, literal=url)
        raise self.fail(f"the environment variable %{name} is not supported")

    # --- navigation ---

    def _member(self, node: Member, focus: Focus) -> Term:
        if node.target is not None:
            return self.navigate(self.term(node.target, focus), node.name)
        if node.name[0].isupper() and self.model.is_type(node.name):
            return self.of_type(focus.this, node.name)
        return self.navigate(focus.this, node.name)

    def navigate(self, target: Term, name: str) -> Term:
        """Return the members of a term's items.

        Raises:
            FhirPathError: No type the items can have has such a member.
        """
        if isinstance(target, Empty):
            return target
        found = {t: e for t in target.types if (e := self._find(t, name)) is not None}
        if not found:
            return self._unknown_member(target, name)
        mixed = len({(e.keys, e.many) for e in found.values()}) > 1 or ANY in target.types
        if isinstance(target, Path) and len(found) < len(target.types):
            # value.system: only the keys whose type has a system.
            narrowed = target.narrowed(found)
            if len(narrowed.types) == len(found):
                target = narrowed
        targets = target.targets if name == "reference" else self._targets(found.values())
        if mixed or (not isinstance(target, (One, Path)) and self._has_primitive(target)):
            return Loose(self.unit, target, name, {t for e in found.values() for _, t in e.keys})
        element = next(iter(found.values()))
        step = Step(element.keys, element.many)
        if isinstance(target, Path):
            if self._has_primitive(target):
                return self._beside(target).then(step, targets)
            return target.then(step, targets)
        return Path(self.unit, target, (step,), targets)

    @staticmethod
    def _beside(target: Path) -> Path:
        """Return the path to the objects beside a path's primitives (its complex elements stay)."""
        last = target.steps[-1]
        keys = tuple((f"_{key}" if target.primitive(t) else key, t) for key, t in last.keys)
        steps = (*target.steps[:-1], replace(last, keys=keys, sibling=True))
        return Path(target.unit, target.base, steps)

    def _find(self, type_name: str, name: str) -> Element | None:
        members = self.model.members(type_name)
        if name in members:
            return members[name]
        if type_name == "Resource":
            return self.model.members("DomainResource").get(name)
        return None

    def _unknown_member(self, target: Term, name: str) -> Term:
        if target.types & {ANY, "Resource", "DomainResource"}:
            return Loose(self.unit, target, name, {ANY})
        if name == "value" and self._has_primitive(target):
            # FHIR R4 fhirpath.html: a primitive's value is its System value.
            return Items(target.values(), target.types, many=target.many)
        if any(is_system(t) or self.model.is_primitive(t) for t in target.types):
            return Empty()
        held = " | ".join(sorted(target.types)) or "the empty collection"
        raise UnknownElementError(self.unit.expression, f"{held} has no element {name}")

    @staticmethod
    def _targets(elements: object) -> tuple[str, ...]:
        found: set[str] = set()
        for element in elements:  # type: ignore[attr-defined]
            if not element.targets:
                return ()
            found.update(element.targets)
        return tuple(sorted(found))

    def _has_primitive(self, term: Term) -> bool:
        return any(self.model.is_primitive(t) for t in term.types)

    def _index(self, node: Index, focus: Focus) -> Term:
        target = self.term(node.target, focus)
        index = self.term(node.index, focus)
        if not isinstance(index, Scalar) or not isinstance(index.literal, int):
            raise self.fail("an index must be a number")
        return self.item(target, f"fp_at({target.nodes()}, {index.literal})")

    @staticmethod
    def item(target: Term, source: str) -> One:
        """Return the term of one of a term's items, by the source of the item or None."""
        return One(source, target.types, boxed=target.boxed, targets=target.targets)

    def _call(self, node: Call, focus: Focus) -> Term:
        target = focus.this if node.target is None else self.term(node.target, focus)
        function = functions.TABLE.get(node.name)
        if function is None:
            raise self.fail(f"the function {node.name}() is not supported")
        if len(node.args) not in function.arity:
            raise self.fail(f"the function {node.name}() does not take {len(node.args)} arguments")
        return function.build(self, target, node.args, focus)

    # --- types ---

    def type_argument(self, node: Node) -> str:
        """Return the name of a type given as an argument."""
        return type_argument(node, self.unit.expression)

    def _matching(self, term: Term, name: str) -> tuple[frozenset[str], bool]:
        """Return which of a term's types are of the named type, and whether only resources can tell."""
        bare = name.removeprefix("FHIR.")
        if not self.model.is_type(bare):
            if bare.removeprefix("System.") in _SYSTEM_TYPES:
                wanted = f"System.{bare.removeprefix('System.')}"
                return frozenset(t for t in term.types if t == wanted), False
            raise self.fail(f"{name} is no type of this release")
        if term.types and all(self.model.is_resource(t) for t in term.types):
            return frozenset(self.model.concrete(bare)), True
        return frozenset(t for t in term.types if self.model.is_a(t, bare)), False

    def is_type(self, term: Term, name: str) -> Term:
        """Return ``term is name``."""
        if ANY in term.types:
            raise self.fail(f"{name} cannot be told among elements of any type")
        matching, by_resource = self._matching(term, name)
        if isinstance(term, Path) and not term.many and not by_resource:
            yes = term.narrowed(matching).exists() if matching else "False"
            rest = term.types - matching
            no = term.narrowed(rest).exists() if rest else "False"
            return operators.truth(yes, f"(not {no})")
        if by_resource or len(term.types) > 1:
            item = f"fp_single({term.nodes()})" if term.many else _bare_item(term)
            return operators.known(
                f"fp_is({item}, {self.unit.constant(f'frozenset({tuple(sorted(matching))!r})')})"
            )
        if matching:
            return operators.truth(term.exists(), "True")
        return operators.truth("False", f"(not {term.exists()})")

    def of_type(self, term: Term, name: str) -> Term:
        """Return ``term.ofType(name)``; ``as`` is the same for the single item it is meant for."""
        if ANY in term.types:
            raise self.fail(f"{name} cannot be told among elements of any type")
        matching, by_resource = self._matching(term, name)
        if not matching:
            return Empty()
        if term.types <= matching:
            return term
        if isinstance(term, Path) and not by_resource:
            return term.narrowed(matching)
        kept = {name.removeprefix("FHIR.")} if by_resource else matching
        if by_resource:
            wanted = self.unit.constant(f"frozenset({tuple(sorted(matching))!r})")
            variable = self.unit.fresh()
            found: Term = Filtered(term, variable, f"fp_is({variable}, {wanted})")
            found.types = frozenset(kept)
            return found
        wanted = self.unit.constant(f"frozenset({tuple(sorted(matching))!r})")
        return Items(f"fp_of_type({term.nodes()}, {wanted})", kept, boxed=term.boxed, many=term.many)


def _bare_item(term: Term) -> str:
    return term.source if isinstance(term, One) else f"fp_single({term.nodes()})"
