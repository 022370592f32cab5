"""A server that takes no plans: the plan goes as one DocumentReference.

Creating a DocumentReference is the one write that US Core asks of every server (US Core 9.0.0, capability
statement), so it is how a plan reaches a chart that has no place for care plans: the whole plan as a document
Bundle, and the handout as a PDF, both inside it.
"""

from __future__ import annotations

import base64
import hashlib
import re
from typing import TYPE_CHECKING, Any

from fhircare.errors import OutcomeUnclear, ServerRefused, ServerUnavailable
from fhircare.exchange import outcome, wire
from fhircare.exchange.client import carries
from fhircare.exchange.entries import patient_of, series, sha1
from fhircare.exchange.report import EntryReport, SendReport
from fhircare.exchange.speech import heard, said
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
        bundle: The plan's bundle, in R4's spelling.
        found: Its entries.
        destination: The server's name, for the report.
        document: The same plan as a Bundle of type document, in the server's release.
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
        filed = _filed(server, ours, patient)
        latest = [row for row in filed if row["id"] not in _replaced(filed)]
        have = next((row for row in latest if _hashes(row) == _hashes(ours)), None)
        if have is not None:
            became: Outcome = "created" if unclear is not None or turn else "unchanged"
            row = EntryReport("Bundle", "DocumentReference", became, f"DocumentReference/{have['id']}")
            return SendReport(destination, "document", (row,), tuple(notes), verified=True)
        _in_place_of(ours, filed, latest)
        number = ours["identifier"][0]
        told = server.capabilities.conditional_create("DocumentReference")
        request = server.create_request(
            said(server, ours), condition(number["system"], number["value"]) if told else ""
        )
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
        "docStatus": "preliminary" if plan.get("status") == "draft" else "final",
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


def _filed(server: FhirServer, ours: Resource, patient: str) -> list[Resource]:
    """Return the documents of the same plan that the server has.

    Searched by patient, the one search for documents every US Core server has; the rest is done here.

    Raises:
        ServerRefused: When one is of a later revision: an old plan must not replace it.
    """
    number = ours["identifier"][0]
    rows = [
        row
        for came in server.search("DocumentReference", {"patient": patient}).matches
        for row in [heard(server, came)]
        if str((row.get("subject") or {}).get("reference", "")).endswith(patient)
        and row.get("status") == "current"
        and row.get("description") == ours["description"]
        and any(n.get("system") == number["system"] for n in row.get("identifier") or [])
    ]
    if any(_revision(row) > _revision(ours) for row in rows):
        raise ServerRefused("already holds a later revision of this plan: nothing was sent")
    return rows


def _revision(row: Resource) -> int:
    told = [re.search(r"/r(\d{1,9})/document/", str(n.get("value", ""))) for n in row.get("identifier") or []]
    return max((int(match[1]) for match in told if match), default=0)


def _replaced(rows: list[Resource]) -> set[str]:
    """Return the ids of documents that another one replaces; what cannot be updated stays current there."""
    return {
        str((related.get("target") or {}).get("reference", "")).rpartition("/")[2]
        for row in rows
        for related in row.get("relatesTo") or []
        if related.get("code") == "replaces"
    }


def _in_place_of(ours: Resource, filed: list[Resource], latest: list[Resource]) -> None:
    """Let our document replace the latest ones; the same content once more is another document."""
    number = ours["identifier"][0]
    mark = str(number["value"])
    if any(carries(row, number["system"], mark) for row in filed):
        number["value"] = f"{mark}-{len(filed) + 1}"
    if latest:
        ours["relatesTo"] = [
            {"code": "replaces", "target": {"reference": f"DocumentReference/{row['id']}"}} for row in latest
        ]


def _hashes(resource: Resource) -> list[str]:
    """Return the SHA-1 of each content: as told, or reckoned where the server kept only the data."""
    found = []
    for content in resource.get("content") or []:
        attachment = content.get("attachment") or {}
        found.append(
            str(attachment.get("hash") or (sha1(attachment["data"]) if attachment.get("data") else ""))
        )
    return sorted(found)
