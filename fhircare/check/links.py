"""The page of the specification that says what an element may be."""

from __future__ import annotations

PAGES = {
    "R4": "https://hl7.org/fhir/R4/",
    "R5": "https://hl7.org/fhir/R5/",
}
# Types that are not explained on the page of the data types, nor on one of their own name.
_ELSEWHERE = {
    "Extension": "extensibility",
    "Reference": "references",
    "Meta": "resource",
    "Narrative": "narrative",
    "Dosage": "dosage",
    "ElementDefinition": "elementdefinition",
    "Element": "element",
    "BackboneElement": "backboneelement",
    "ContactDetail": "metadatatypes",
    "Contributor": "metadatatypes",
    "DataRequirement": "metadatatypes",
    "Expression": "metadatatypes",
    "ParameterDefinition": "metadatatypes",
    "RelatedArtifact": "metadatatypes",
    "TriggerDefinition": "metadatatypes",
    "UsageContext": "metadatatypes",
}


def element_page(release: str, kind: str, node_id: str, element: str = "") -> str:
    """Return the address of the definition of an element.

    Args:
        release: ``R4``.
        kind: ``resource``, ``complex-type`` or ``primitive-type``.
        node_id: ``Observation.component``.
        element: ``value[x]``; "" for the node itself.
    """
    top = node_id.split(".", maxsplit=1)[0]
    page = top.lower() if kind == "resource" else _ELSEWHERE.get(top, "datatypes")
    anchor = f"{node_id}.{element}" if element else node_id
    return f"{PAGES.get(release, PAGES['R4'])}{page}-definitions.html#{anchor.replace('[x]', '_x_')}"
