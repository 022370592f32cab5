"""The invariants of a node, put into its generated checker, and told apart when one is broken.

The checker asks all of a node's invariants in one condition. Only when that fails is each asked for itself
(``broken``), to say which one it was.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.explain import page
from fhircare.check.fhirpath.build import compile_expression, inline
from fhircare.check.fhirpath.model import SpecModel
from fhircare.check.fhirpath.namespace import NAMESPACE
from fhircare.check.fhirpath.runtime import UNDECIDABLE

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.path import Path
    from fhircare.check.report import Severity
    from fhircare.check.walk import Walk
    from fhircare.spec import Constraint, Definitions, Element, Node

# Invariants that are enforced elsewhere than by their FHIRPath, each with where and why.
ELSEWHERE = {
    "ele-1": "the walk: an object with no members or an id alone is found while walking",
    "txt-1": "narrative: elements and attributes of the XHTML are checked one by one",
    "txt-2": "narrative: text or an image must be there",
}


class Rule(NamedTuple):
    """One invariant where it stands: the constraint, and a function that asks it."""

    constraint: Constraint
    ask: Callable[[Any, Any, Any], bool]


class Rules:
    """All invariants of a release, compiled as their nodes are.

    Attributes:
        namespace: The globals of generated code, to which the source's own are added.
    """

    def __init__(self, definitions: Definitions, namespace: dict[str, Any]) -> None:
        self.definitions = definitions
        self.model = SpecModel(definitions)
        self.namespace = namespace
        namespace.update(NAMESPACE)
        namespace.update({"UNDECIDABLE": UNDECIDABLE, "broken": self.broken})
        self._count = 0
        self._asked: dict[tuple[str, str], list[Rule]] = {}

    def lines(self, node_id: str) -> list[str]:
        """Return the lines that ask every invariant stated on a node, over ``o`` and ``w``."""
        constraints, context = self.stated(node_id)
        condition, uses_env = self._condition(constraints, context, "o", "None")
        if not condition:
            return []
        return [
            *(["env = w.env"] if uses_env else []),
            "try:",
            f"    if not ({condition}):",
            f'        broken(o, p, w, "{node_id}", "", None)',
            "except UNDECIDABLE:",
            f'    broken(o, p, w, "{node_id}", "", None)',
        ]

    def element_lines(self, node: Node, element: Element, place: str) -> list[str]:
        """Return the lines that ask the invariants stated on an element, over its value ``v``."""
        key = element.name
        context = element.node or element.names[key].code
        beside = f'o.get("_{key}")' if context in self.definitions.primitive_types else "None"
        condition, uses_env = self._condition(element.constraints, context, "v", "e")
        if not condition:
            return []
        call = f'broken(v, {place}, w, "{node.id}", "{key}", e)'
        return [
            f"e = {beside}",
            *(["env = w.env"] if uses_env else []),
            "try:",
            f"    if not ({condition}):",
            f"        {call}",
            "except UNDECIDABLE:",
            f"    {call}",
        ]

    def stated(self, node_id: str) -> tuple[tuple[Constraint, ...], str]:
        """Return the invariants of a node or quantity profile that FHIRPath asks, and their context type."""
        definition = self.definitions.type(node_id)
        if definition is not None and node_id not in definition.nodes:
            context = definition.base
            own = definition.nodes[context].constraints
            base = self.definitions.node(context)
            known = {c.key for c in base.constraints} if base else set()
            return tuple(c for c in own if c.key not in known), context
        node = self.definitions.node(node_id)
        return tuple(c for c in node.constraints if c.key not in ELSEWHERE) if node else (), node_id

    def _condition(
        self, constraints: tuple[Constraint, ...], context: str, node: str, element: str
    ) -> tuple[str, bool]:
        parts: list[str] = []
        uses_env = False
        for constraint in constraints:
            if constraint.key in ELSEWHERE:
                continue
            self._count += 1
            made = inline(
                constraint.expression,
                context,
                self.model,
                node=node,
                element=element,
                prefix=f"k{self._count}_",
            )
            for name, text in made.constants:
                self.namespace[name] = eval(text, self.namespace)  # noqa: S307 - the compiler's own text
            parts.append(f"({made.source})")
            uses_env = uses_env or made.uses_env
        return "\n            and ".join(parts), uses_env

    def _ask(self, node_id: str, key: str) -> list[Rule]:
        """Return the invariants of a node, or of its element ``key``, each as a function of its own."""
        found = self._asked.get((node_id, key))
        if found is None:
            constraints, context = self.stated(node_id)
            if key:
                node = self.definitions.node(node_id)
                assert node is not None  # noqa: S101 - it was compiled
                element = next(e for e in node.elements.values() if key in e.names)
                constraints, context = element.constraints, element.node or element.names[key].code
            found = [
                Rule(c, compile_expression(c.expression, context, self.model))
                for c in constraints
                if c.key not in ELSEWHERE
            ]
            self._asked[(node_id, key)] = found
        return found

    def broken(self, v: Any, p: Path, w: Walk, node_id: str, key: str, beside: Any) -> None:
        """Ask each invariant for itself, and say which do not hold."""
        for rule in self._ask(node_id, key):
            try:
                if rule.ask(v, w.env, beside):
                    continue
            except UNDECIDABLE:
                continue  # the structure is wrong, and said so
            constraint = rule.constraint
            severity: Severity = "warning" if constraint.severity == "warning" else "error"
            w.say(
                p,
                severity,
                "invariant",
                constraint.key,
                constraint.human,
                f"make this hold: {constraint.expression}",
                page(w, node_id, key),
            )
