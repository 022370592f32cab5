"""How findings about profiles speak of elements, slices and the values a profile asks for.

Only what the profile itself says is told, never what the resource holds.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from fhircare.check.words import listed

if TYPE_CHECKING:
    from fhircare.check.profiles.tree import Node

LONGEST = 160


def of_element(node: Node, name: str) -> str:
    """Return how an element, or a slice of it, is spoken of."""
    return f"the slice {name} of {node.plain}" if name else node.plain


def are(count: int) -> str:
    """Return how many there are, for a sentence."""
    return "is none" if count == 0 else "is 1" if count == 1 else f"are {count}"


def times(count: int) -> str:
    """Return how many are allowed, for a sentence."""
    return "one only" if count == 1 else f"{count} only"


def of_value(value: Any) -> str:
    """Return a value of a profile as people read it: a code with its system, or JSON."""
    if isinstance(value, dict):
        codings = value.get("coding")
        if isinstance(codings, list) and len(value) == 1:
            return listed([of_value(one) for one in codings], 4)
        if "code" in value and set(value) <= {"system", "code", "display", "version"}:
            system = f" of {value['system']}" if "system" in value else ""
            return f"{value['code']}{system}"
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}..."


def telling(node: Node) -> str:
    """Return what tells a wanted item, such as the code of its pattern, "" when nothing short does."""
    if node.fixed is not None:
        return f": {of_value(node.fixed)}"
    if node.pattern is not None:
        return f" with {of_value(node.pattern)}"
    if node.binding is not None and node.binding[0] == "required":
        return f" with a code of {node.binding[1]}"
    told = [
        f"{child.plain} {of_value(child.fixed if child.fixed is not None else child.pattern)}"
        for child in node.children
        if child.fixed is not None or child.pattern is not None
    ]
    return f" with {listed(told, 3)}" if told else ""
