"""A server that takes no plans: the plan goes as one DocumentReference.

Creating a DocumentReference is the one write that US Core asks of every server (US Core 9.0.0, capability
statement), so it is how a plan reaches a chart that has no place for care plans: the whole plan as a document
Bundle, and the handout as a PDF, both inside it.
"""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING, Any

from fhircare.errors import OutcomeUnclear, ServerRefused, ServerUnavailable
from fhircare.exchange import outcome, wire
from fhircare.exchange.client import carries
from fhircare.exchange.entries import patient_of, series, sha1
from fhircare.exchange.report import EntryReport, SendReport
from fhircare.exchange.writing import condition

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.exchange.client import FhirServer, Resource
    from fhircare.exchange.entries import Entry
    from fhircare.exchange.http import Request
    from fhircare.exchange.report import Outcome

_TRIES = 3
_CLINICAL_NOTE = {
    "coding": [
        {
            "system": "http://hl7.org/fhir/us/core/CodeSystem/us-core-documentreference-category",
            "code": "clinical-note",
        }
    ]
}
# LOINC 18776-5 "Plan of care note": the plan of care section of HL7's IPS 2.0.1.
_PLAN_OF_CARE = {"coding": [{"system": "http://loinc.org", "code": "18776-5"}], "text": "Plan of care"}


def send_document(
    server: FhirServer,
    bundle: dict[str, Any],
    found: tuple[Entry, ...],
    destination: str,
    document: dict[str, Any],
    pdf: bytes | None,
    notes: list[str],
    shown: list[Request] | None = None,
    rest: Callable[[int], None] = lambda _round: None,
) -> SendReport:
    """Send a plan as one DocumentReference; doing it again changes nothing.

    Args:
        server: Where to.
        bundle: The plan's bundle.
        found: Its entries.
        destination: The server's name, for the report.
        document: The same plan as a Bundle of type document.
        pdf: The handout.
        notes: What to tell in the report.
        shown: When a list, nothing is written and the request is put there.
        rest: Called with the number of the round to wait after an unclear answer.

    Raises:
        ServerRefused: When the server does not know the patient, or refuses the document.
        ServerUnavailable: When it does not answer.
    """
    patient = _patient(server, found)
    private = outcome.private_texts(bundle)
    ours = document_reference(bundle, found, patient, document, pdf)
    unclear: ServerUnavailable | None = None
    for turn in range(_TRIES):
        have, earlier = _there(server, ours, patient)
        if have is not None:
            became: Outcome = "created" if unclear is not None or turn else "unchanged"
            row = EntryReport("Bundle", "DocumentReference", became, f"DocumentReference/{have['id']}")
            return SendReport(destination, "document", (row,), tuple(notes), verified=True)
        if earlier:
            ours["relatesTo"] = [
                {"code": "replaces", "target": {"reference": f"DocumentReference/{row['id']}"}}
                for row in earlier
            ]
        number = ours["identifier"][0]
        told = server.capabilities.conditional_create("DocumentReference")
        request = server.create_request(ours, condition(number["system"], number["value"]) if told else "")
        if shown is not None:
            shown.append(request)
            break
        try:
            server.write(request, 1, private)
        except OutcomeUnclear as error:
            unclear = error
            rest(turn)
    if shown is None:
        raise unclear or OutcomeUnclear("does not keep the document it says it has taken")
    return SendReport(destination, "document", (), tuple(notes))


def document_reference(
    bundle: dict[str, Any],
    found: tuple[Entry, ...],
    patient: str,
    document: dict[str, Any],
    pdf: bytes | None,
) -> Resource:
    """Return the DocumentReference that holds a plan: as FHIR for machines, as PDF for people."""
    plan = next((entry.resource for entry in found if entry.in_force), {})
    person = patient_of(found).resource
    numbers = plan.get("identifier") or [bundle.get("identifier") or {}]
    title = str(plan.get("title") or "Care plan")
    written = str(bundle.get("timestamp") or plan.get("created") or "")
    contents = [_content("application/fhir+json", wire.dumps(document), title)]
    if pdf:
        contents.append(_content("application/pdf", pdf, title))
    mark = hashlib.sha256("".join(str(c["attachment"]["hash"]) for c in contents).encode()).hexdigest()[:12]
    resource: Resource = {
        "resourceType": "DocumentReference",
        "identifier": [
            # A document is never changed: other content is another document, with another number.
            {
                "system": str(numbers[0].get("system", "")),
                "value": f"{numbers[0].get('value', '')}/document/{mark}",
            }
        ],
        "status": "current",
        "type": _PLAN_OF_CARE,
        "category": [_CLINICAL_NOTE],
        "subject": {"reference": patient},
        "description": series(bundle).rpartition("|")[2],
        "content": contents,
    }
    if "T" in written:
        resource["date"] = written
    if (person.get("meta") or {}).get("security"):
        resource["meta"] = {"security": person["meta"]["security"]}
    return resource


def _content(kind: str, data: bytes, title: str) -> dict[str, Any]:
    text = base64.b64encode(data).decode()
    return {
        "attachment": {
            "contentType": kind,
            "data": text,
            "size": len(data),
            "hash": sha1(text),
            "title": title,
        }
    }


def _patient(server: FhirServer, found: tuple[Entry, ...]) -> str:
    numbers = patient_of(found).resource.get("identifier") or []
    for number in numbers:
        if number.get("system") and number.get("value"):
            row = server.find("Patient", number["system"], number["value"])
            if row is not None:
                return f"Patient/{row['id']}"
    raise ServerRefused("does not know this patient by any of the numbers given: register them there first")


def _there(server: FhirServer, ours: Resource, patient: str) -> tuple[Resource | None, list[Resource]]:
    """Return the same document if the server has it, and documents of the same plan that it replaces.

    Searched by patient, the one search for documents every US Core server has; the rest is done here.
    """
    number = ours["identifier"][0]
    rows = [
        row
        for row in server.search("DocumentReference", {"patient": patient}).matches
        if str((row.get("subject") or {}).get("reference", "")).endswith(patient)
        and row.get("status") == "current"
    ]
    hashes = _hashes(ours)
    same = [row for row in rows if carries(row, number["system"], number["value"]) and _hashes(row) == hashes]
    serial = ours["description"]
    earlier = [
        row
        for row in rows
        if row.get("description") == serial
        and any(n.get("system") == number["system"] for n in row.get("identifier") or [])
    ]
    return (same[0] if same else None), earlier


def _hashes(resource: Resource) -> list[str]:
    """Return the SHA-1 of each content: as told, or reckoned where the server kept only the data."""
    found = []
    for content in resource.get("content") or []:
        attachment = content.get("attachment") or {}
        found.append(
            str(attachment.get("hash") or (sha1(attachment["data"]) if attachment.get("data") else ""))
        )
    return sorted(found)
