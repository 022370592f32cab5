"""What an object of FHIR JSON may hold in one release: its names, and what is in them."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from fhircare.spec import definitions

if TYPE_CHECKING:
    from fhircare.spec import Element, Node, TypeRef

RESOURCE = "Resource"


class Slot(NamedTuple):
    """One name that an object may have in JSON.

    Attributes:
        name: The name in JSON: ``valueQuantity``.
        element: The element's name without ``[x]``: ``value``.
        type: The name of its type: ``Quantity``, ``code``, ``BackboneElement``, ``Resource``.
        node: Where its own elements are found: a type's name, a backbone's id, ``Resource`` for any
            resource, "" for a primitive.
        is_list: True when it is an array.
        required: True when it must be there (a choice: one of its names).
        codes: For a code with a required binding: the codes allowed; None otherwise.
    """

    name: str
    element: str
    type: str
    node: str
    is_list: bool
    required: bool
    codes: frozenset[str] | None


@cache
def shape(release: str, node_id: str) -> dict[str, Slot]:
    """Return the names that an object of this node may have in JSON; empty for a node that is not there."""
    node: Node | None = definitions(release).node(node_id) if node_id else None
    if node is None:
        return {}
    return {
        name: _slot(release, element, name, kind)
        for element in node.elements.values()
        for name, kind in element.names.items()
    }


@cache
def extension_types(release: str) -> frozenset[str]:
    """Return the types that the value of an extension may have."""
    return frozenset(slot.type for slot in shape(release, "Extension").values() if slot.element == "value")


@cache
def is_resource(release: str, kind: str) -> bool:
    """Tell whether the release has this resource type."""
    return kind in definitions(release).resource_types


def _slot(release: str, element: Element, name: str, kind: TypeRef) -> Slot:
    known = definitions(release)
    if element.node:
        node = element.node
    elif kind.code == RESOURCE or kind.code in known.resource_types:
        node = RESOURCE
    else:
        node = "" if kind.code in known.primitive_types or known.node(kind.code) is None else kind.code
    return Slot(
        name,
        element.name.removesuffix("[x]"),
        kind.code,
        node,
        element.is_list,
        element.min > 0,
        _codes(release, element) if kind.code == "code" else None,
    )


def _codes(release: str, element: Element) -> frozenset[str] | None:
    binding = element.binding
    if binding is None or binding.strength != "required" or not binding.value_set:
        return None
    allowed = definitions(release).value_set(binding.value_set)
    return allowed.codes if allowed and allowed.known and not allowed.open else None
