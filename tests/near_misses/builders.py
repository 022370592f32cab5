"""What near misses are built of."""

from __future__ import annotations

from typing import Any

UCUM = "http://unitsofmeasure.org"
XHTML = "http://www.w3.org/1999/xhtml"
TEXT = {"status": "generated", "div": f'<div xmlns="{XHTML}">Summary</div>'}
UNKNOWN = "http://example.org/fhir/StructureDefinition/of-our-own"
A, B, C = (f"urn:uuid:0b9c0bd0-9d0c-4b53-9c3e-00000000000{n}" for n in "123")

Case = tuple[str, str, dict[str, Any]]


def patient(**members: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "text": TEXT, **members}


def observation(**members: Any) -> dict[str, Any]:
    code = {"text": "Pain"}
    return {"resourceType": "Observation", "text": TEXT, "status": "final", "code": code, **members}


def bundle(kind: str, *entries: dict[str, Any], **members: Any) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, **members, "entry": list(entries)}


def questionnaire(*items: dict[str, Any], **members: Any) -> dict[str, Any]:
    return {"resourceType": "Questionnaire", "text": TEXT, "status": "draft", **members, "item": list(items)}


def quantity(value: float, code: str, **members: Any) -> dict[str, Any]:
    return {"value": value, "system": UCUM, "code": code, **members}
