"""References and bundles that are legal and look wrong."""

from __future__ import annotations

from tests.near_misses.builders import TEXT, UNKNOWN, A, B, C, Case, bundle, observation, patient

REFERENCES: list[Case] = [
    (
        "references of every form",
        "references.html: relative, versioned, absolute, opaque, by identifier, by words",
        {
            "resourceType": "CareTeam",
            "text": TEXT,
            "participant": [
                {"member": member}
                for member in (
                    {"reference": "Patient/1"},
                    {"reference": "Patient/1/_history/2"},
                    {"reference": "http://example.org/fhir/Patient/1"},
                    {"reference": "https://example.org/opaque?person=1", "type": "Patient"},
                    {"reference": "urn:oid:1.2.3"},
                    {
                        "type": "Practitioner",
                        "identifier": {"system": "http://example.org/ids", "value": "1"},
                    },
                    {"display": "a neighbour"},
                    {"extension": [{"url": UNKNOWN, "valueCode": "unknown"}]},
                )
            ],
        },
    ),
    (
        "references within a bundle, by fullUrl and relative to a base",
        "bundle.html#references",
        bundle(
            "collection",
            {"fullUrl": A, "resource": patient(id="another-id")},
            {"fullUrl": "http://example.org/fhir/Patient/2", "resource": patient(id="2")},
            {"fullUrl": B, "resource": observation(subject={"reference": A})},
            {
                "fullUrl": "http://example.org/fhir/Observation/3",
                "resource": observation(id="3", subject={"reference": "Patient/2"}),
            },
        ),
    ),
    (
        "conditional and temporary references in a transaction",
        "http.html#trules: Type?search, and urn:uuid of other entries",
        bundle(
            "transaction",
            {
                "fullUrl": A,
                "resource": patient(),
                "request": {"method": "POST", "url": "Patient", "ifNoneExist": "identifier=http://e.org|1"},
            },
            {
                "fullUrl": B,
                "resource": observation(
                    subject={"reference": A},
                    performer=[{"reference": "Practitioner?identifier=http://e.org|2"}],
                ),
                "request": {"method": "POST", "url": "Observation"},
            },
            {
                "fullUrl": "http://example.org/fhir/Patient/7",
                "resource": patient(id="7"),
                "request": {"method": "PUT", "url": "Patient/7", "ifMatch": 'W/"3"'},
            },
        ),
    ),
]

BUNDLES: list[Case] = [
    (
        "a batch of requests without bodies",
        "bundle.html: GET and DELETE have no resource, fullUrl is not needed",
        bundle(
            "batch",
            {"request": {"method": "GET", "url": "Patient?name=ada"}},
            {"request": {"method": "DELETE", "url": "Patient/1"}},
        ),
    ),
    (
        "answers to a batch",
        "bundle.html: response without resource",
        bundle(
            "batch-response",
            {"response": {"status": "204"}},
            {
                "response": {
                    "status": "404 Not Found",
                    "outcome": {
                        "resourceType": "OperationOutcome",
                        "text": TEXT,
                        "issue": [{"severity": "error", "code": "not-found"}],
                    },
                }
            },
        ),
    ),
    (
        "a history with the same resource in two versions and one deleted",
        "bundle.html: fullUrl is unique by version; a deletion has no resource",
        bundle(
            "history",
            {
                "fullUrl": "http://example.org/fhir/Patient/1",
                "resource": patient(id="1", meta={"versionId": "2"}),
                "request": {"method": "PUT", "url": "Patient/1"},
                "response": {"status": "200", "lastModified": "2026-01-02T00:00:00Z"},
            },
            {
                "fullUrl": "http://example.org/fhir/Patient/1",
                "resource": patient(id="1", meta={"versionId": "1"}),
                "request": {"method": "POST", "url": "Patient"},
                "response": {"status": "201", "lastModified": "2026-01-01T00:00:00Z"},
            },
            {
                "fullUrl": "http://example.org/fhir/Patient/2",
                "request": {"method": "DELETE", "url": "Patient/2"},
                "response": {"status": "204", "lastModified": "2026-01-01T00:00:00Z"},
            },
            total=3,
        ),
    ),
    (
        "search results with an outcome among them",
        "bundle.html, search: mode outcome",
        bundle(
            "searchset",
            {
                "fullUrl": "http://example.org/fhir/Patient/1",
                "resource": patient(id="1"),
                "search": {"mode": "match", "score": 1},
            },
            {
                "fullUrl": A,
                "resource": {
                    "resourceType": "OperationOutcome",
                    "text": TEXT,
                    "issue": [{"severity": "warning", "code": "informational"}],
                },
                "search": {"mode": "outcome"},
            },
            total=1,
            link=[{"relation": "self", "url": "http://example.org/fhir/Patient"}],
        ),
    ),
    (
        "a document",
        "documents.html: Composition first, identifier and timestamp, everything reachable",
        bundle(
            "document",
            {
                "fullUrl": A,
                "resource": {
                    "resourceType": "Composition",
                    "text": TEXT,
                    "status": "final",
                    "type": {"text": "Plan"},
                    "subject": {"reference": B},
                    "date": "2026-01-02",
                    "author": [{"reference": B}],
                    "title": "Plan",
                    "section": [{"title": "Pain", "text": TEXT, "entry": [{"reference": C}]}],
                },
            },
            {"fullUrl": B, "resource": patient()},
            {"fullUrl": C, "resource": observation(subject={"reference": B})},
            identifier={"system": "urn:ietf:rfc:3986", "value": A},
            timestamp="2026-01-02T03:04:05Z",
        ),
    ),
    (
        "an empty search",
        "bundle.html: entry is optional",
        {
            "resourceType": "Bundle",
            "type": "searchset",
            "total": 0,
            "link": [{"relation": "self", "url": "http://example.org/fhir/Patient?name=nobody"}],
        },
    ),
]
