"""Which invariants stand on a node or an element, and what is said when one is broken.

A generated checker asks them one after the other. When the structure is so wrong that asking one raises,
the others are asked each for itself (``undecided``): that needs the compiler, which is otherwise not
imported by a check.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from fhircare.check.explain import page
from fhircare.check.fhirpath.runtime import UNDECIDABLE

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.path import Path
    from fhircare.check.walk import Walk
    from fhircare.spec import Constraint, Definitions, Element

    Ask = Callable[[Any, Any, dict[str, Any] | None], bool]

# Invariants that are enforced elsewhere than by their FHIRPath, each with where.
ELSEWHERE = {
    "ele-1": "the walk: an object with no members or an id alone is found while walking",
    "bdl-7": "bundles: fullUrl and version are compared there, which can say which entries collide",
    "bdl-15": "bundles: each entry without fullUrl is named",
    "bdl-18": "bundles: the missing link is named",
    "ref-1": "references: a fragment is followed there, from inside a contained resource too",
    "txt-1": "narrative: elements and attributes of the XHTML are checked one by one",
    "txt-2": "narrative: text or an image must be there",
}


def node_rules(definitions: Definitions, node_id: str) -> tuple[tuple[Constraint, ...], str]:
    """Return the invariants first stated on a node or quantity profile, and the type of their context.

    What a resource inherits is asked by the checker of its base.
    """
    definition = definitions.type(node_id)
    if definition is not None and node_id not in definition.nodes:
        context = definition.base
        own = definition.nodes[context].constraints
    else:
        node = definitions.node(node_id)
        if node is None:
            raise KeyError(node_id)
        context, own = node_id, node.constraints
    said: set[str] = set()
    if definition is not None and (definition.kind == "resource" or node_id not in definition.nodes):
        base = definitions.node(definition.base)
        said = {rule.key for rule in base.constraints} if base else set()
    return tuple(rule for rule in own if rule.key not in said), context


def element_rules(element: Element, key: str) -> tuple[tuple[Constraint, ...], str]:
    """Return the invariants stated on an element written ``key``, and the type of their context."""
    return element.constraints, element.node or element.names[key].code


def _stated(definitions: Definitions, node_id: str, key: str) -> tuple[tuple[Constraint, ...], str]:
    """Return the invariants of a node, or of its element ``key``, and the type of their context."""
    if not key:
        return node_rules(definitions, node_id)
    node = definitions.node(node_id)
    elements = node.elements.values() if node else ()
    return element_rules(next(e for e in elements if key in e.names), key)


def broken(p: Path, w: Walk, node_id: str, key: str, rule_key: str) -> None:
    """Say that an invariant does not hold."""
    rules, _ = _stated(w.definitions, node_id, key)
    rule = next(rule for rule in rules if rule.key == rule_key)
    w.say(
        p,
        "warning" if rule.severity == "warning" else "error",
        "invariant",
        rule.key,
        rule.human,
        f"Make this hold: `{rule.expression}`",
        page(w, node_id, key),
    )


@cache
def _asked(definitions: Definitions, node_id: str, key: str) -> list[tuple[str, Ask]]:
    """Return the invariants of a node, or of its element ``key``, each as a function of its own."""
    from fhircare.check.fhirpath.build import compile_expression
    from fhircare.check.fhirpath.model import SpecModel

    rules, context = _stated(definitions, node_id, key)
    model = SpecModel(definitions)
    return [
        (r.key, compile_expression(r.expression, context, model)) for r in rules if r.key not in ELSEWHERE
    ]


def undecided(p: Path, w: Walk, node_id: str, key: str, v: Any, beside: Any) -> None:
    """Ask each invariant for itself, leaving out those that cannot be decided and those already said."""
    said = {issue.rule for path, issue in w.issues if path is p or path == p}
    for rule_key, ask in _asked(w.definitions, node_id, key):
        if rule_key not in said:
            try:
                if not ask(v, w.env, beside):
                    broken(p, w, node_id, key, rule_key)
            except UNDECIDABLE:
                continue  # the structure is wrong, and said so
