"""Elements and codes that are legal and look wrong."""

from __future__ import annotations

from tests.near_misses.builders import TEXT, UNKNOWN, Case, patient, questionnaire

ELEMENTS: list[Case] = [
    (
        "elements called text, language, contains or type inside others",
        "questionnaire.html, patient.html: names of an element's own",
        questionnaire({"linkId": "1", "text": "Skin?", "type": "boolean"}, language="en"),
    ),
    (
        "a language of a person",
        "patient.html: communication.language",
        patient(
            communication=[{"language": {"coding": [{"system": "urn:ietf:bcp:47", "code": "sr-Latn-RS"}]}}]
        ),
    ),
    (
        "extensions nobody knows, nested and modifying",
        "extensibility.html: any extension may stand on any element",
        patient(
            extension=[{"url": UNKNOWN, "extension": [{"url": "part", "valuePeriod": {"start": "2026"}}]}],
            modifierExtension=[{"url": UNKNOWN + "-not", "valueBoolean": True}],
            contact=[{"modifierExtension": [{"url": UNKNOWN, "valueCode": "x"}], "name": {"text": "Bea"}}],
        ),
    ),
    (
        "items within items within items",
        "questionnaire.html: contentReference",
        questionnaire(
            {
                "linkId": "1",
                "type": "group",
                "item": [{"linkId": "1.1", "type": "group", "item": [{"linkId": "1.1.1", "type": "string"}]}],
            }
        ),
    ),
    (
        "parts within parts, and a resource as a part",
        "parameters.html: part is a parameter",
        {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "a", "part": [{"name": "b", "part": [{"name": "c", "resource": patient()}]}]}
            ],
        },
    ),
    (
        "text without a code",
        "datatypes.html#CodeableConcept: text alone, where the binding is extensible",
        {
            "resourceType": "Condition",
            "text": TEXT,
            "clinicalStatus": {
                "coding": [
                    {"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "active"}
                ]
            },
            "category": [{"text": "Skin"}],
            "code": {"text": "Redness"},
            "subject": {"display": "somebody"},
        },
    ),
    (
        "an attachment whose size is that of its data",
        "datatypes.html#Attachment: size is of the data before encoding",
        {
            "resourceType": "DocumentReference",
            "text": TEXT,
            "status": "current",
            "content": [
                {
                    "attachment": {
                        "contentType": "text/plain; charset=utf-8",
                        "language": "nl-NL",
                        "data": "aGVsbG8gd29ybGQ=",
                        "size": 11,
                        "hash": "Kq5sNclPz7QV2+lfQIuc6R7oRu0=",
                    }
                }
            ],
        },
    ),
]
