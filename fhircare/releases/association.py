"""Who wears a device: R4's Device.patient, R5's DeviceAssociation.

R5 took the patient out of Device and made the association a resource. So each Device of a bundle that names
its patient gets one, after all other entries, and loses it when the bundle comes home. Which associations
are ours to take out is not marked: it is the one that would be made for the device, in every element.

Any other (another system's, or ours as a server gives it back, with an id of its own) stays, kept as whatever
R4 has no resource for; the device says its patient all the same, and gets no second association on the way
back.

A bundle whose entries mean more than that they are there (an answer to a search, a history, a document with
its table of contents) gets no entry; there ``patient`` is kept as any other element.
"""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.releases.table import Json

GATHERINGS = frozenset({"collection", "transaction", "batch"})
"""Types of Bundle that may get an entry."""
_STATUS = "http://hl7.org/fhir/deviceassociation-status"
_DIV = '<div xmlns="http://www.w3.org/1999/xhtml" lang="en" xml:lang="en"><p>{}</p></div>'
_SAID = {
    "attached": _DIV.format("The patient has this device."),
    "unknown": _DIV.format("The patient had this device; whether it is in use is not known."),
}
_WRITES = frozenset({"POST", "PUT"})
_OVER = ("explanted", "entered-in-error")
"""Statuses of an association that say nothing of who has the device now (R5, deviceassociation-status)."""


def made(device: Json, entry: Json, patient: Any, kind: str) -> Json | None:
    """Return the entry that says who wears a device; None when it cannot be said.

    Args:
        device: The Device, in either release.
        entry: Its entry.
        patient: The Reference to its patient.
        kind: The bundle's type.
    """
    url = entry.get("fullUrl")
    method = entry.get("request", {}).get("method") if isinstance(entry.get("request"), dict) else None
    if not isinstance(url, str) or kind not in GATHERINGS or not isinstance(patient, dict):
        return None
    if kind != "collection" and method not in _WRITES:
        return None
    resource: Json = {"resourceType": "DeviceAssociation"}
    # R4 says "affixed to" and nothing of how: an active device is attached, of any other it is not known.
    security = device.get("meta", {}).get("security") if isinstance(device.get("meta"), dict) else None
    if security:
        resource["meta"] = {"security": security}
    identifiers = _identifiers(device)
    if identifiers:
        resource["identifier"] = identifiers
    state = "attached" if device.get("status") == "active" else "unknown"
    if "text" in device:
        resource["text"] = {"status": "generated", "div": _SAID[state]}
    status = {"coding": [{"system": _STATUS, "code": state}]}
    resource |= {"device": {"reference": url}, "status": status, "subject": patient}
    # The name follows from the device's own, so that the same bundle is said the same way every time.
    found: Json = {"fullUrl": f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, f'{url}#association')}"}
    found["resource"] = resource
    if kind != "collection":
        found["request"] = _request(identifiers)
    return found


def is_for(association: Json, device: Json, entry: Json, kind: str) -> bool:
    """Tell whether an entry is the one that would be made for a device."""
    resource = association.get("resource")
    subject = resource.get("subject") if isinstance(resource, dict) else None
    return subject is not None and made(device, entry, subject, kind) == association


def wearers(entries: Iterable[Json]) -> dict[str, Json]:
    """Return who wears each device, by its full URL, as the associations among R5 entries say it.

    Left out are associations that are over, devices of which two patients are named, and subjects that are
    not patients: R4's Device.patient can say none of these.
    """
    kinds: dict[str, str] = {}
    told: list[tuple[str, str, Json]] = []
    for entry in entries:
        url, resource = str(entry.get("fullUrl", "")), entry["resource"]
        kinds[url] = str(resource.get("resourceType"))
        if kinds[url] == "DeviceAssociation" and (found := _in_force(resource)):
            device, subject = found
            told.append((_whole(device, url), _whole(str(subject["reference"]), url), subject))
    named: dict[str, dict[str, Json]] = {}
    for device, patient, subject in told:
        if kinds.get(device) == "Device" and _is_patient(patient, kinds, subject):
            named.setdefault(device, {})[patient] = subject
    return {device: next(iter(people.values())) for device, people in named.items() if len(people) == 1}


def _in_force(association: Json) -> tuple[str, Json] | None:
    """Return the device and the subject of an association that is not over; None for any other."""
    device, subject, period = (association.get(name) for name in ("device", "subject", "period"))
    status = association.get("status")
    codings = status.get("coding") if isinstance(status, dict) else None
    told = codings if isinstance(codings, list) else []
    over = any(isinstance(c, dict) and c.get("code") in _OVER for c in told)
    if over or (isinstance(period, dict) and "end" in period):
        return None
    if not isinstance(device, dict) or not isinstance(subject, dict):
        return None
    known = isinstance(device.get("reference"), str) and isinstance(subject.get("reference"), str)
    return (device["reference"], subject) if known else None


def _whole(reference: str, url: str) -> str:
    """Return a reference as a full URL: a relative one is on the server of who says it (R5, Bundle)."""
    if ":" in reference:
        return reference
    return url.rsplit("/", 2)[0] + f"/{reference}"


def _is_patient(url: str, kinds: dict[str, str], subject: Json) -> bool:
    named = url.rsplit("/", 2)[-2] if "/" in url else ""
    return "Patient" in (kinds.get(url), subject.get("type"), named)


def _identifiers(device: Json) -> list[Json]:
    found = device.get("identifier")
    for one in found if isinstance(found, list) else []:
        system, value = (one.get("system"), one.get("value")) if isinstance(one, dict) else (None, None)
        if isinstance(system, str) and isinstance(value, str) and system.endswith("/fhircare/part"):
            return [{"system": system, "value": f"{value}/association"}]
    return []


def _request(identifiers: list[Json]) -> Json:
    made: Json = {"method": "POST", "url": "DeviceAssociation"}
    if identifiers:
        made["ifNoneExist"] = f"identifier={identifiers[0]['system']}|{identifiers[0]['value']}"
    return made
