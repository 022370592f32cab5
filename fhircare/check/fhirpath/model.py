"""What the compiler must know of a release: a type's elements, how JSON spells them, and their types.

A *type* is a name: ``Period``, ``string``, ``CarePlan``, or the path of a nested element such as
``CarePlan.activity`` (an element that refers to another's content has that other path as its type). ``*``
stands for "any element".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fhircare.spec import Definitions
    from fhircare.spec import Element as SpecElement

ANY = "*"


@dataclass(frozen=True, slots=True)
class Element:
    """One element of a type.

    Attributes:
        keys: JSON name and type of each way to write it: one pair, or one for each type of a choice.
        many: True when it repeats (a JSON array).
        targets: Resource types a Reference in it may point at; empty for any.
    """

    keys: tuple[tuple[str, str], ...]
    many: bool
    targets: tuple[str, ...] = ()


class Model(Protocol):
    """The look-ups the compiler makes; everything is asked for at compile time, nothing while evaluating."""

    def members(self, type_name: str) -> Mapping[str, Element]:
        """Return a type's elements by their FHIRPath name (``value``, not ``valueString``); {} if unknown."""
        ...

    def is_a(self, type_name: str, base: str) -> bool:
        """Tell whether a type is, or specialises, another: ``Patient`` is a ``DomainResource``."""
        ...

    def is_primitive(self, type_name: str) -> bool:
        """Tell whether a type is one of FHIR's primitive types."""
        ...

    def is_resource(self, type_name: str) -> bool:
        """Tell whether a type is a resource, abstract ones included."""
        ...

    def is_type(self, name: str) -> bool:
        """Tell whether the release defines a type of this name."""
        ...

    def is_choice(self, name: str) -> bool:
        """Tell whether any type has a choice element of this name (``value`` for ``value[x]``)."""
        ...

    def concrete(self, base: str) -> tuple[str, ...]:
        """Return the resource types that are, or specialise, ``base``."""
        ...


class SpecModel:
    """The model of a release, read from ``fhircare.spec``."""

    def __init__(self, definitions: Definitions) -> None:
        self._definitions = definitions
        self._members: dict[str, dict[str, Element]] = {}
        self._choices: set[str] = set()

    def members(self, type_name: str) -> Mapping[str, Element]:
        """Return a type's elements by their FHIRPath name."""
        found = self._members.get(type_name)
        if found is None:
            node = self._definitions.node(type_name)
            elements = node.elements.values() if node else ()
            found = {e.name.removesuffix("[x]"): self._element(e) for e in elements}
            self._members[type_name] = found
        return found

    @staticmethod
    def _element(element: SpecElement) -> Element:
        targets: set[str] = set()
        for ref in element.types:
            targets |= ref.targets or set()
        keys = tuple((name, element.node or ref.code) for name, ref in element.names.items())
        return Element(keys, element.is_list, tuple(sorted(targets)))

    def is_a(self, type_name: str, base: str) -> bool:
        """Tell whether a type is, or specialises, another."""
        while type_name and type_name != base:
            found = self._definitions.type(type_name)
            type_name = found.base if found else ""
        return bool(type_name)

    def is_primitive(self, type_name: str) -> bool:
        """Tell whether a type is one of FHIR's primitive types."""
        return type_name in self._definitions.primitive_types

    def is_resource(self, type_name: str) -> bool:
        """Tell whether a type is a resource, abstract ones included."""
        found = self._definitions.type(type_name) if "." not in type_name else None
        return found is not None and found.kind == "resource"

    def is_type(self, name: str) -> bool:
        """Tell whether the release defines a type of this name."""
        return "." not in name and self._definitions.type(name) is not None

    def is_choice(self, name: str) -> bool:
        """Tell whether any type has a choice element of this name."""
        if not self._choices:
            types = map(self._definitions.type, self._definitions.type_names())
            nodes = (node for found in types if found for node in found.nodes.values())
            self._choices = {
                e.removesuffix("[x]") for node in nodes for e in node.elements if e.endswith("[x]")
            }
        return name in self._choices

    def concrete(self, base: str) -> tuple[str, ...]:
        """Return the resource types that are, or specialise, ``base``."""
        if base in self._definitions.resource_types:
            return (base,)
        return tuple(sorted(t for t in self._definitions.resource_types if self.is_a(t, base)))


def is_system(type_name: str) -> bool:
    """Tell whether a type is FHIRPath's own, such as ``System.String``, and not FHIR's."""
    return type_name.startswith("System.")
