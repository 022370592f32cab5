"""What the compiled checkers call when something is not plainly right: the close look, and the words.

The straight line only notices *that* an element needs a look. Here it is looked at again, slowly and
exactly, and every finding is said with its rule, its place and its mend. A close look may also find that
nothing is wrong.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.links import element_page
from fhircare.check.primitives import absolute, json_type
from fhircare.check.words import nearest

if TYPE_CHECKING:
    from fhircare.check.path import Path
    from fhircare.check.walk import Walk
    from fhircare.spec import Element

JSON_PAGE = "https://hl7.org/fhir/R4/json.html"
EMPTY = "Give it a value, or leave it out."


def page(w: Walk, node_id: str, name: str = "") -> str:
    """Return the page that defines an element."""
    definition = w.definitions.type(node_id.split(".", maxsplit=1)[0])
    kind = definition.kind if definition else ""
    return element_page(w.definitions.release, kind, node_id, name)


def element_of(w: Walk, node_id: str, key: str) -> Element:
    """Return the element that is written ``key`` in a node: ``value[x]`` for ``valueString``."""
    node = w.definitions.node(node_id)
    if node is None:
        raise KeyError(node_id)
    found = node.elements.get(key)
    if found is not None:
        return found
    return next(e for e in node.elements.values() if key in e.names)


def not_object(o: Any, p: Path, w: Walk, node_id: str) -> None:
    """Say that something other than a filled JSON object stands where ``node_id`` is due."""
    if o.__class__ is dict:
        w.say(p, "error", "structure", "json.empty", "An empty object.", EMPTY, JSON_PAGE)
        return
    if o.__class__ is list:
        mend = "Write one object: this element does not repeat." if _own_step(p) else "Write one object."
        w.say(
            p, "error", "structure", "json.array", "An array where one object is due.", mend, page(w, node_id)
        )
        return
    top = node_id.rsplit(".", maxsplit=1)[-1]
    w.say(
        p,
        "error",
        "structure",
        "json.type",
        f"{json_type(o)} where an object ({top}) is due.",
        "Write an object.",
        page(w, node_id),
    )


def _own_step(p: Path) -> bool:
    return isinstance(p[1], str)


def not_list(v: Any, p: Path, w: Walk, node_id: str, key: str) -> None:
    """Say that something other than a filled JSON array stands where one is due."""
    at = (p, key)
    if v.__class__ is list:
        w.say(at, "error", "structure", "json.empty", "An empty array.", EMPTY, JSON_PAGE)
    else:
        w.say(
            at,
            "error",
            "structure",
            "json.array",
            f"{json_type(v)} where an array is due.",
            "This element may repeat: write it in [ ].",
            page(w, node_id, key),
        )


def bad(_o: dict[str, Any], key: str, v: Any, p: Path, w: Walk, node_id: str) -> None:
    """Look closely at a single primitive."""
    element = element_of(w, node_id, key)
    if v.__class__ is list:
        w.say(
            (p, key),
            "error",
            "structure",
            "json.array",
            "An array where one value is due.",
            "Write one value: this element does not repeat.",
            page(w, node_id, element.name),
        )
        return
    _primitive(element, key, v, (p, key), w, node_id)


def _primitive(element: Element, key: str, v: Any, at: Path, w: Walk, node_id: str) -> None:
    from fhircare.check.lexical import fault

    kind = element.names[key].code
    found = fault(kind, v, w.definitions.release)
    if found is not None:
        w.say(
            at,
            found.severity,
            found.code,
            found.rule,
            found.message,
            found.mend,
            page(w, node_id, element.name),
        )
        if found.severity == "error":
            return
    if element.absolute and not absolute(v):
        w.say(
            at,
            "error",
            "value",
            "uri.absolute",
            "This URI must be absolute.",
            "Give the whole URI, such as http://... or urn:oid:...",
            page(w, node_id, element.name),
        )
    if element.binding is not None:
        from fhircare.check.terminology import explain_code

        explain_code(element.binding, v, at, w, page(w, node_id, element.name))


def bad_list(o: dict[str, Any], key: str, v: Any, p: Path, w: Walk, node_id: str) -> None:
    """Look closely at an array of primitives."""
    if v.__class__ is not list or not v:
        not_list(v, p, w, node_id, key)
        return
    element = element_of(w, node_id, key)
    beside = o.get(f"_{key}")
    for index, item in enumerate(v):
        at = ((p, key), index)
        if item is not None:
            _primitive(element, key, item, at, w, node_id)
        elif not (beside.__class__ is list and index < len(beside) and beside[index]):
            w.say(
                at,
                "error",
                "structure",
                "json.null",
                "A null in an array.",
                f"A null is allowed only beside an object at the same place of _{key}.",
                JSON_PAGE,
            )


def missing(o: dict[str, Any], p: Path, w: Walk, node_id: str, name: str) -> None:
    """Say that a required element is missing, unless an extension stands in for its value."""
    key = name.removesuffix("[x]")
    if key in o and o[key] is None:
        return  # a null: said as such
    if o.get(f"_{key}"):
        return  # a primitive without value, but with extensions: https://hl7.org/fhir/R4/json.html#primitive
    w.say(
        (p, key),
        "error",
        "required",
        "cardinality.min",
        f"The required element {name} is missing.",
        f"Add {name}.",
        page(w, node_id, name),
    )


def of_type(o: Any, p: Path, w: Walk, name: str) -> None:
    """Say that another resource stands where a definition asks for one of type ``name``."""
    if o.__class__ is dict and o.get("resourceType") != name:
        w.say(
            p,
            "error",
            "structure",
            "resource.type",
            "Another type of resource than the definition asks for.",
            f"Put a resource of type {name} here.",
            page(w, name),
        )


def only_id(p: Path, w: Walk) -> None:
    """Say that an element has an id and nothing else."""
    w.say(
        p,
        "error",
        "invariant",
        "ele-1",
        "An element must have a value or children, not an id alone.",
        EMPTY,
        page(w, "Element"),
    )


def unknown(key: str, p: Path, w: Walk, node_id: str, known: list[str]) -> None:
    """Say that a node has no element of this name, and which looks like it."""
    near = nearest(key, known)
    if key.startswith("_"):
        mend = "Only primitive elements may have a companion with an underscore."
    elif near:
        mend = f"Did you mean {' or '.join(near)}?"
    else:
        mend = "Take it out, or put it into an extension."
    w.say(
        (p, key),
        "error",
        "structure",
        "element.unknown",
        f"{node_id} has no such element.",
        mend,
        page(w, node_id),
    )
