"""The plan of care and what it is about: CarePlan, CareTeam, Goal, Condition, Encounter, DetectedIssue."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.releases.lens import Lens, joined, listed, renamed, wrapped

if TYPE_CHECKING:
    from fhircare.releases.table import Json

_FUNCTION = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
_ROLES = {"recorder": "author", "asserter": "informant"}
"""Who wrote it down, and who said so, as R5's Condition.participant.function has them."""


def _participants_there(part: Json) -> Json:
    made = [
        {"function": _function(code), "actor": part[name]} for name, code in _ROLES.items() if name in part
    ]
    return {"participant": made} if made else {}


def _participants_back(part: Json) -> Json:
    found: Json = {}
    for one in listed(part.get("participant")):
        for name, code in _ROLES.items():
            if one.get("function") == _function(code):
                found.setdefault(name, one["actor"])
    return found


def _function(code: str) -> Json:
    return {"coding": [{"system": _FUNCTION, "code": code}]}


def _evidence_there(part: Json) -> Json:
    made: list[Json] = []
    for one in listed(part.get("evidence")):
        codes, details = listed(one.get("code")), listed(one.get("detail"))
        if len(codes) == len(details) == 1:
            made.append({"concept": codes[0], "reference": details[0]})
        else:
            made += [{"concept": code} for code in codes] + [{"reference": detail} for detail in details]
    return {"evidence": made} if made else {}


def _evidence_back(part: Json) -> Json:
    made = [
        ({"code": [one["concept"]]} if "concept" in one else {})
        | ({"detail": [one["reference"]]} if "reference" in one else {})
        for one in listed(part.get("evidence"))
    ]
    return {"evidence": made} if made else {}


def _class_there(part: Json) -> Json:
    return {"class": [{"coding": [part["class"]]}]} if "class" in part else {}


def _class_back(part: Json) -> Json:
    return {"class": part["class"][0]["coding"][0]} if part.get("class") else {}


def _reasons_there(part: Json) -> Json:
    values = [{"concept": one} for one in listed(part.get("reasonCode"))]
    values += [{"reference": one} for one in listed(part.get("reasonReference"))]
    return {"reason": [{"value": [one]} for one in values]} if values else {}


def _reasons_back(part: Json) -> Json:
    values = [one for reason in listed(part.get("reason")) for one in reason.get("value", ())]
    found: dict[str, list[Any]] = {
        "reasonCode": [one["concept"] for one in values if "concept" in one],
        "reasonReference": [one["reference"] for one in values if "reference" in one],
    }
    return {name: value for name, value in found.items() if value}


NODES = {"Encounter.hospitalization": "Encounter.admission"}

RULES: dict[str, tuple[Lens, ...]] = {
    "CarePlan": (renamed("author", "custodian"),),
    "CarePlan.activity": (
        renamed("reference", "plannedActivityReference"),
        joined("outcomeCodeableConcept", "outcomeReference", "performedActivity"),
    ),
    "CareTeam.participant": (renamed("period", "coveragePeriod"),),
    "Goal": (renamed("expressedBy", "source"),),
    "Condition": (
        Lens(("recorder", "asserter"), ("participant",), _participants_there, _participants_back),
        Lens(("evidence",), ("evidence",), _evidence_there, _evidence_back),
    ),
    "AllergyIntolerance": (
        Lens(("recorder", "asserter"), ("participant",), _participants_there, _participants_back),
    ),
    "DetectedIssue": (renamed("patient", "subject"),),
    "Encounter": (
        renamed("period", "actualPeriod"),
        renamed("hospitalization", "admission"),
        Lens(("class",), ("class",), _class_there, _class_back),
        Lens(("reasonCode", "reasonReference"), ("reason",), _reasons_there, _reasons_back),
    ),
    "Encounter.participant": (renamed("individual", "actor"),),
    "Encounter.location": (renamed("physicalType", "form"),),
    "EpisodeOfCare": (renamed("team", "careTeam"),),
    "EpisodeOfCare.diagnosis": (
        renamed("role", "use"),
        wrapped("condition", "condition", "reference", many_r4=False, many_r5=True),
    ),
    "ClinicalImpression": (renamed("assessor", "performer"),),
}

CODES = {
    "Encounter.status": {
        # The first of those that share an R5 code is what that code comes home as.
        "in-progress": "in-progress",
        "arrived": "in-progress",
        "triaged": "in-progress",
        "onleave": "on-hold",
        "finished": "completed",
    },
}

# R5 requires the status, and added "unknown" to its codes for that.
FILLS: dict[tuple[str, str], Json] = {
    ("R5", "Condition.clinicalStatus"): {
        "clinicalStatus": {
            "coding": [
                {"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "unknown"}
            ]
        }
    },
}
