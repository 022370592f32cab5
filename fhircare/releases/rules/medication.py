"""Medication, procedures and the rest that a bundle from elsewhere may hold beside a plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.releases.lens import Lens, joined, listed, renamed

if TYPE_CHECKING:
    from fhircare.releases.table import Json

ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"


def _choice(r4: str, r5: str, *types: str) -> tuple[Lens, ...]:
    return tuple(renamed(r4 + one, r5 + one) for one in types)


def _structure_there(part: Json) -> Json:
    made: Json = {"structure": part["location"]} if "location" in part else {}
    made |= {"qualifier": part["locationQualifier"]} if "locationQualifier" in part else {}
    return {"includedStructure": [made]} if "structure" in made else {}


def _structure_back(part: Json) -> Json:
    one = listed(part.get("includedStructure"))[0]
    names = (("structure", "location"), ("qualifier", "locationQualifier"))
    return {mine: one[theirs] for theirs, mine in names if theirs in one}


NODES: dict[str, str] = {}

RULES: dict[str, tuple[Lens, ...]] = {
    "Procedure": (
        *_choice("performed", "occurrence", "DateTime", "Period", "String", "Age", "Range"),
        joined("usedCode", "usedReference", "used"),
    ),
    "ImagingStudy": (joined("procedureCode", "procedureReference", "procedure"),),
    "MedicationAdministration": (*_choice("effective", "occurence", "DateTime", "Period"),),
    "MedicationStatement": (renamed("context", "encounter"),),
    "MedicationRequest.dispenseRequest": (renamed("performer", "dispenser"),),
    "DiagnosticReport": (renamed("imagingStudy", "study"),),
    "NutritionOrder": (renamed("patient", "subject"),),
    "NutritionOrder.enteralFormula": (renamed("routeofAdministration", "routeOfAdministration"),),
    "Specimen.processing": (renamed("procedure", "method"),),
    "BodyStructure": (
        Lens(("location", "locationQualifier"), ("includedStructure",), _structure_there, _structure_back),
    ),
    "Consent": (renamed("patient", "subject"),),
}

CODES: dict[str, dict[str, str]] = {}

_UNKNOWN = {"extension": [{"url": ABSENT, "valueCode": "unknown"}]}
FILLS: dict[tuple[str, str], Json] = {
    ("R5", "BodyStructure.includedStructure"): {"includedStructure": [{"structure": _UNKNOWN}]},
}
