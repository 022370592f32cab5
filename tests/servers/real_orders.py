"""Against real servers: a physician's order begins a record, its task is moved on, the plan is read."""

from __future__ import annotations

import uuid

import pytest

from fhircare.bundle import read, to_bundle
from fhircare.errors import InputError
from fhircare.exchange import intake, move, order_from_server, send
from fhircare.releases import hear
from tests.courses import course
from tests.servers.asked import number_of, place_of_order, plan_of, r5_models_take

AT = "2026-11-25T09:00:00-06:00"
# ICD-10-CM: acquired absence of left leg above knee; type 2 diabetes (NCHS tabular list, April 2026).
ABSENCE = {
    "coding": [{"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": "Z89.612"}],
    "text": "Left leg above knee",
}
DIABETES = {"coding": [{"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": "E11.9"}], "text": "Diabetes"}
THING = {"text": "Above-knee prosthesis, first fitting"}


def order_of(kind, release, patient, requester, condition):
    """An order as a physician's system of that release writes it."""
    order = {
        "resourceType": kind,
        "identifier": [{"system": "https://stbrannoc.example/orders", "value": uuid.uuid4().hex}],
        "status": "active",
        "intent": "order",
        "subject": {"reference": patient},
        "authoredOn": "2026-10-02",
        "requester": {"reference": requester},
        "note": [{"text": "Please see before December"}],
    }
    if release == "R5":
        order["reason"] = [{"reference": {"reference": condition}}, {"concept": DIABETES}]
        return order | {"code": {"concept": THING}}
    order |= {"reasonReference": [{"reference": condition}], "reasonCode": [DIABETES]}
    return order | {("code" if kind == "ServiceRequest" else "codeCodeableConcept"): THING}


@pytest.mark.parametrize("kind", ["ServiceRequest", "DeviceRequest"])
def test_an_order_in_its_own_release(there, server, kind):
    """What a physician's system wrote, found by the patient's number or by id: what, why, who, which side; a
    plan's own requests, appointments and closed orders are not taken for orders.
    """
    number = {"system": "https://stbrannoc.example/mrn", "value": uuid.uuid4().hex}
    patient = there.create(
        {
            "resourceType": "Patient",
            "identifier": [number],
            "name": [{"family": "Lindqvist", "given": ["Anna"]}],
            "birthDate": "1968-03-09",
        }
    )
    who = there.create({"resourceType": "Practitioner", "name": [{"family": "Okoro", "given": ["Ada"]}]})
    person, requester = f"Patient/{patient['id']}", f"Practitioner/{who['id']}"
    condition = there.create(
        {"resourceType": "Condition", "subject": {"reference": person}, "code": ABSENCE}
        | {
            "clinicalStatus": {
                "coding": [
                    {"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "active"}
                ]
            }
        }
    )
    told = order_of(kind, there.release, person, requester, f"Condition/{condition['id']}")
    there.create(told | {"status": "completed", "identifier": [{"value": uuid.uuid4().hex}]})
    order = there.create(told)
    there.create(_visit(there.release, person, f"{kind}/{order['id']}"))

    begun = intake(order_from_server(server, patient=f"{number['system']}|{number['value']}"), written_at=AT)
    by_id = intake(order_from_server(server, order=f"{kind}/{order['id']}"), written_at=AT)

    assert begun == by_id
    assert begun.record["order"] == {
        "identifier": told["identifier"][0],
        "authored_on": "2026-10-02",
        "text": THING["text"],
        "diagnosis": {"code": "Z89.612", "display": "Left leg above knee"},
    }
    assert begun.record["limb"] == {"side": "left"}
    assert begun.record["professionals"][0]["name"] == {"given": ["Ada"], "family": "Okoro"}
    assert any("E11.9" in remark for remark in begun.remarks)
    assert any("Please see before December" in remark for remark in begun.remarks)
    there.create(told | {"identifier": [{"value": uuid.uuid4().hex}]})
    with pytest.raises(InputError, match="2 open orders"):
        order_from_server(server, patient=person)


def _visit(release, patient, order):
    """An appointment that somebody booked on the order."""
    visit = {
        "resourceType": "Appointment",
        "status": "booked",
        "start": "2026-12-01T09:00:00-06:00",
        "end": "2026-12-01T09:30:00-06:00",
        "participant": [{"actor": {"reference": patient}, "status": "accepted"}],
    }
    if not order.startswith("ServiceRequest/"):
        return visit
    if release == "R5":
        return visit | {
            "basedOn": [{"reference": order}],
            "subject": {"reference": patient},
            "serviceType": [{"concept": {"text": "Fitting"}}],
        }
    return visit | {"basedOn": [{"reference": order}], "serviceType": [{"text": "Fitting"}]}


def test_an_order_and_its_task(there, server):
    """The plan's order begins a record; its task goes through to completed."""
    bundle = to_bundle(plan_of("anna-first-locking"))
    report = send(server, bundle)
    order = next(
        e.reference
        for e in report.entries
        if e.kind == "ServiceRequest" and e.place == place_of_order(bundle)
    )
    plan = next(e.reference for e in report.entries if e.kind == "CarePlan")
    patient = next(e.reference for e in report.entries if e.kind == "Patient")
    task = there.create(
        {
            "resourceType": "Task",
            "status": "requested",
            "intent": "order",
            "focus": {"reference": order},
            "for": {"reference": patient},
            "authoredOn": "2026-09-22T10:00:00-05:00",
            "lastModified": "2026-09-22T10:00:00-05:00",
        }
    )
    name = f"Task/{task['id']}"

    found = order_from_server(server, order=order)
    start = intake(found, written_at=AT)

    assert found.task["id"] == task["id"]
    assert start.record["order"]["diagnosis"]["code"] == "Z89.611"
    assert move(server, name, "completed", at=AT, output=plan) == ["accepted", "in-progress", "completed"]
    assert there.get(name)["output"][0]["valueReference"]["reference"].endswith(plan)
    assert move(server, name, "completed", at=AT, output=plan) == []


def test_a_task_turned_down(there, server):
    """The reason stands there as the server's release has it, and passes its validation."""
    task = there.create({"resourceType": "Task", "status": "requested", "intent": "order", "authoredOn": AT})

    move(server, f"Task/{task['id']}", "rejected", at=AT, reason="No socket can be made here")

    reason = {"text": "No socket can be made here"}
    stored = there.get(f"Task/{task['id']}")
    assert stored["statusReason"] == ({"concept": reason} if there.release == "R5" else reason)


_BY_PATIENT = (
    "Appointment", "CarePlan", "CareTeam", "CommunicationRequest", "Condition", "DetectedIssue", "Flag",
    "Goal", "Observation", "QuestionnaireResponse", "RelatedPerson", "ServiceRequest",
)  # fmt: skip
"""What a plan is made of, as far as it is searched by ``patient``."""
_THEIR_DEVICES = {
    "R4": ("Device?patient", "DeviceUseStatement?patient"),
    "R5": ("DeviceAssociation?subject", "DeviceUsage?patient"),
}
"""Who wears a device: R5 says it in DeviceAssociation (HL7, FHIR R5, Device, "R4 to R5 changes")."""


@pytest.mark.parametrize("step", ["stopped", "released"])
def test_a_physicians_system_reads_the_plan(there, server, step):
    """Another system starts at the patient's number and gathers what searches and references lead to: from
    it alone, the plan reads as it was sent; nothing is lost, nothing is there twice.
    """
    bundle = course(plan_of("anna-first-locking"))[step]
    send(server, bundle)
    system, value = number_of(bundle)
    (patient,) = there.search("Patient", identifier=f"{system}|{value}")

    found = gathered(there, patient)
    for one in _without_a_way_to_them(bundle):
        (named,) = there.search(
            one["resourceType"], identifier="{system}|{value}".format(**one["identifier"][0])
        )
        found[f"{named['resourceType']}/{named['id']}"] = named

    if there.release == "R5":
        r5_models_take(found.values())
    entries = [{"fullUrl": f"{there.base}/{name}", "resource": one} for name, one in found.items()]
    told = hear({"resourceType": "Bundle", "type": "collection", "entry": entries}, there.release)
    apart = _counts(told)
    assert apart.pop("Basic", 0) == _counts(there.said(bundle)).get("DeviceAssociation", 0)
    assert apart == _counts(bundle)
    worn = [e["resource"] for e in told["entry"] if e["resource"]["resourceType"] == "Device"]
    assert {device["patient"]["reference"] for device in worn} == {f"Patient/{patient['id']}"}
    assert read(told).plan == read(bundle).plan


def gathered(there, patient):
    """All that is about a patient, and all it refers to, by reference."""
    found = {f"Patient/{patient['id']}": patient}
    for asked in (*(f"{kind}?patient" for kind in _BY_PATIENT), *_THEIR_DEVICES[there.release]):
        kind, _, parameter = asked.partition("?")
        for one in there.search(kind, **{parameter: f"Patient/{patient['id']}"}):
            found[f"{kind}/{one['id']}"] = one
    due = list(found.values())
    while due:
        for name in _named(due.pop(), there.base):
            if name not in found:
                found[name] = there.get(name)
                due.append(found[name])
    for name in [name for name in found if name.startswith(("CarePlan/", "DetectedIssue/"))]:
        for one in there.search("Provenance", target=name):
            found[f"Provenance/{one['id']}"] = one
    return found


def _without_a_way_to_them(bundle):
    """What nothing about the patient refers to: the clinic's opening hours, the daily log's questions."""
    wanted = ("HealthcareService", "Questionnaire")
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] in wanted]


def _named(value, base):
    if isinstance(value, dict):
        name = value.get("reference")
        if isinstance(name, str):
            plain = name.removeprefix(f"{base}/").partition("/_history/")[0]
            if "://" not in plain and not plain.startswith(("#", "urn:")):
                yield plain
        for inner in value.values():
            yield from _named(inner, base)
    elif isinstance(value, list):
        for inner in value:
            yield from _named(inner, base)


def _counts(bundle):
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    return {kind: kinds.count(kind) for kind in sorted(set(kinds))}
