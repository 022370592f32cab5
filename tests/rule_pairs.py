"""Every place in a resource where an invariant of the definitions stands, found by a plain walk of our own.

Slow and simple on purpose: it shares nothing with the compiled walk but the definitions and the FHIRPath
compiler.
"""

from __future__ import annotations

import copy
import json
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from fhircare.check.fhirpath.build import compile_expression
from fhircare.check.fhirpath.model import SpecModel
from fhircare.check.fhirpath.runtime import UNDECIDABLE
from fhircare.spec import definitions

EXAMPLES = Path(__file__).parent / "data" / "hl7" / "examples"
R4 = definitions("R4")
MODEL = SpecModel(R4)


@dataclass
class File:
    """What rules may ask about the file: the resource, its container, and the Bundle around both."""

    resource: dict[str, Any]
    root_resource: dict[str, Any]
    bundle: dict[str, Any] | None = None

    def resolve(self, reference: str) -> dict[str, Any] | None:
        if reference == "#":
            return self.root_resource
        if reference.startswith("#"):
            contained = self.root_resource.get("contained", [])
            return next((one for one in contained if one.get("id") == reference[1:]), None)
        for entry in (self.bundle or {}).get("entry", []):
            url = entry.get("fullUrl", "")
            if "resource" in entry and (url == reference or url.endswith("/" + reference)):
                return entry["resource"]
        return None

    def member_of(self, value: Any, value_set: str) -> bool | None:
        return None

    def conforms_to(self, node: Any, profile: str) -> bool | None:
        return None


@dataclass
class Pair:
    """One invariant at one place."""

    place: str
    key: str
    severity: str
    expression: str
    context: str
    node: Any
    element: dict[str, Any] | None
    file: File

    def ask(self) -> bool | None:
        """Return our answer; None when it cannot be decided."""
        try:
            return compiled(self.expression, self.context)(self.node, self.file, self.element)
        except UNDECIDABLE:
            return None


@cache
def compiled(expression: str, context: str) -> Any:
    """Return an invariant compiled, once."""
    return compile_expression(expression, context, MODEL)


def pairs(resource: dict[str, Any]) -> list[Pair]:
    """Return every invariant in a resource, contained and Bundle resources included, in document order."""
    found: list[Pair] = []
    bundle = resource if resource["resourceType"] == "Bundle" else None
    _walk(
        resource,
        None,
        resource["resourceType"],
        resource["resourceType"],
        File(resource, resource, bundle),
        (),
        found,
    )
    return found


def _walk(value: Any, beside: Any, context: str, place: str, file: File, own: Any, found: list[Pair]) -> None:
    node = R4.node(context)
    stated = {rule.key for rule in own}
    inherited = node.constraints if node else ()
    rules = [*own, *(rule for rule in inherited if rule.key not in stated)]
    found.extend(Pair(place, r.key, r.severity, r.expression, context, value, beside, file) for r in rules)
    members = value if isinstance(value, dict) else beside
    if node is None or members is None:
        return
    for element in node.elements.values():
        for name, ref in element.names.items():
            below = element.node or ref.code
            for at, (bare, side) in enumerate(_items(members, name, below)):
                here = f"{place}.{name}[{at}]" if element.is_list else f"{place}.{name}"
                if below == "Resource":
                    _walk(
                        bare,
                        None,
                        bare["resourceType"],
                        here,
                        _inner(file, bare, name),
                        element.constraints,
                        found,
                    )
                else:
                    _walk(bare, side, below, here, file, element.constraints, found)


def _inner(file: File, resource: dict[str, Any], name: str) -> File:
    if name == "contained":
        return File(resource, file.resource, file.bundle)
    return File(
        resource, resource, file.resource if file.resource["resourceType"] == "Bundle" else file.bundle
    )


def _items(members: dict[str, Any], name: str, type_name: str) -> list[tuple[Any, Any]]:
    bare = members.get(name)
    side = members.get(f"_{name}") if type_name in R4.primitive_types else None
    left = bare if isinstance(bare, list) else [bare]
    right = side if isinstance(side, list) else [side]
    size = max(len(left), len(right))
    left, right = left + [None] * (size - len(left)), right + [None] * (size - len(right))
    return [(a, b) for a, b in zip(left, right, strict=True) if a is not None or b is not None]


@cache
def examples() -> tuple[tuple[str, dict[str, Any]], ...]:
    """Return HL7's R4 examples by file name."""
    files = sorted((EXAMPLES / "r4").glob("*.json"))
    return tuple((file.name, json.loads(file.read_bytes(), parse_float=Decimal)) for file in files)


def variants(pair: Pair) -> list[Pair]:
    """Return the same invariant on the same element with each member left out in turn.

    Many of these break a rule, so that answers of "false" are compared as well as answers of "true".
    """
    if not isinstance(pair.node, dict):
        return []
    made = []
    for name in pair.node:
        if name == "resourceType":
            continue
        less = copy.copy(pair.node)
        del less[name]
        file = pair.file
        if file.resource is pair.node:
            root = less if file.root_resource is pair.node else file.root_resource
            file = File(less, root, file.bundle)
        made.append(
            Pair(
                f"{pair.place} without {name}",
                pair.key,
                pair.severity,
                pair.expression,
                pair.context,
                less,
                None,
                file,
            )
        )
    return made
