"""What R4 and R5 say differently, as tables: a module for each family of resources.

* ``NODES``: nodes with another name in R5 (types and backbone elements).
* ``RULES``: lenses by R4 node, for what the definitions alone do not tell.
* ``CODES``: codes with another name in R5, by R4 element.
* ``FILLS``: what stands for an element that only one release requires, by release and element; where none is
  listed, ``unknown`` by data-absent-reason.

Read from the definitions of R4 4.0.1 and R5 5.0.0 and R5's list of changes (https://hl7.org/fhir/R5/diff.html).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.releases.rules import care, datatypes, devices, documents, medication, people, requests

if TYPE_CHECKING:
    from fhircare.releases.lens import Lens
    from fhircare.releases.table import Json

_FAMILIES = (care, datatypes, devices, documents, medication, people, requests)

NODES: dict[str, str] = {mine: theirs for family in _FAMILIES for mine, theirs in family.NODES.items()}
RULES: dict[str, tuple[Lens, ...]] = {
    node: lenses for family in _FAMILIES for node, lenses in family.RULES.items()
}
CODES: dict[str, dict[str, str]] = {
    element: codes for family in _FAMILIES for element, codes in family.CODES.items()
}
FILLS: dict[tuple[str, str], Json] = {
    element: fill for family in _FAMILIES for element, fill in family.FILLS.items()
}
APART = frozenset({"Composition.relatesTo"})
"""Elements whose type both releases have, while one of them says the element by a type of its own: a rule
says all of it, so that only the values in it are turned before."""
SYSTEMS_OF_TYPES = {
    "R4": "http://hl7.org/fhir/resource-types",
    "R5": "http://hl7.org/fhir/fhir-types",
}
"""The code system that names a release's resource types, for a type that stands in a Basic."""
