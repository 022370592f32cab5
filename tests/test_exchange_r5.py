"""An R5 server gets the plan in R5; orders, goals and tasks it holds are heard as from an R4 server."""

from __future__ import annotations

import base64
import dataclasses
import json

import pytest
import responses
from fhir.resources import get_fhir_model_class

from fhircare.bundle import load, read, to_bundle
from fhircare.bundle.document import as_document
from fhircare.cli import main
from fhircare.exchange import (
    Options,
    ShortMemory,
    dry_run,
    give_goals,
    goals_at,
    intake,
    move,
    order_from_server,
    send,
    take_goals,
)
from fhircare.exchange.tasks import open_tasks
from fhircare.releases import hear, say
from tests.courses import example_course, standing
from tests.exchange_kit import World, resource
from tests.plans import whole_plan

EXAMPLE = "anna-first-locking"
AT = "2026-11-25T09:00:00-06:00"
ASSOCIATION_STATUS = "http://hl7.org/fhir/deviceassociation-status"


@pytest.fixture
def world():
    """An R5 server in this process: it knows R5's types, and none that R5 has not."""
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        made = World(mocked)
        made.stub.version = "5.0.0"
        del made.stub.kinds["DeviceUseStatement"]
        yield made


@pytest.fixture(scope="module")
def course():
    """A plan's bundle after each step of its course, in R4's spelling."""
    return example_course(EXAMPLE)


def r5_models_take(resources):
    """Assert that fhir.resources, whose models are R5's, takes each resource."""
    for one in resources:
        get_fhir_model_class(one["resourceType"]).model_validate(json.loads(json.dumps(one, default=float)))


@pytest.mark.parametrize("memory", [True, False])
def test_a_course_on_an_r5_server(world, course, memory):
    """Made, revised, stopped, approved again: R5 resources there, read back as sent, one plan in force, again
    nothing written; what is there, heard, is the plan.
    """
    kept = ShortMemory() if memory else None
    for step in ("approved", "revised", "stopped", "released"):
        report = send(world.server(), course[step], memory=kept)

        assert report.verified, [e for e in report.entries if e.note]
        there = list(world.stub.held.values())
        assert standing({"entry": [{"resource": r} for r in world.stub.of("CarePlan")]}) == standing(
            course[step]
        )
        world.stub.seen.clear()
        assert set(send(world.server(), course[step], memory=kept).counts) == {"kept", "unchanged"}
        assert world.stub.writes() == []
    r5_models_take(there)
    assert len(world.stub.of("DeviceUsage")) == 1
    assert all("plannedActivityReference" in a for p in world.stub.of("CarePlan") for a in p["activity"])
    assert read(hear(as_given_back(world), "R5")).plan == read(course["released"]).plan


def test_the_whole_plan_on_an_r5_server(world):
    """A plan with every field set."""
    bundle = load(json.dumps(to_bundle(whole_plan()), default=str))

    assert send(world.server(), bundle).verified
    r5_models_take(world.stub.held.values())


def test_a_revision_without_its_history(world):
    """The new revision alone: what of the old one is still in force there is withdrawn, though R5 names the
    activities otherwise.
    """
    plan = whole_plan()
    send(world.server(), to_bundle(plan))

    report = send(world.server(), to_bundle(dataclasses.replace(plan, revision=plan.revision + 1)))

    assert report.counts["withdrawn"] > 1
    assert sorted(p["status"] for p in world.stub.of("CarePlan")) == sorted([plan.status, "revoked"])


def test_a_dry_run_shows_r5(world, course):
    """The exact requests are in R5; nothing is written."""
    shown = dry_run(world.server(), course["approved"]).as_text()

    assert '"DeviceUsage"' in shown
    assert '"DeviceUseStatement"' not in shown
    assert world.stub.writes() == []


def test_a_document_in_r5(world, course):
    """A server that takes documents only: DocumentReference and the document in it are R5; each replaces the
    one before; again: nothing.
    """
    world.stub.kinds = {kind: ["read", "search-type"] for kind in world.stub.kinds}
    world.stub.kinds["DocumentReference"].append("create")
    world.stub.put(
        {"resourceType": "Patient", "identifier": resource(course["made"], "Patient")["identifier"]}
    )
    for step in ("approved", "stopped"):
        options = Options(document=as_document)
        assert send(world.server(), course[step], options=options).counts == {"created": 1}
        assert send(world.server(), course[step], options=options).counts == {"unchanged": 1}

    first, second = world.stub.of("DocumentReference")
    r5_models_take([first, second])
    assert second["relatesTo"][0]["target"] == {"reference": f"DocumentReference/{first['id']}"}
    inside = json.loads(base64.b64decode(second["content"][0]["attachment"]["data"]))
    assert read(hear(inside, "R5")).plan == read(course["stopped"]).plan


def test_goals_from_an_r5_server(world, course):
    """A therapist's R5 goal joins the plan with who set it; given back it is theirs as it was."""
    send(world.server(), give_goals(course["approved"]))
    (patient,) = world.stub.of("Patient")
    number = {"system": "https://therapy.example/goals", "value": "7"}
    theirs = world.stub.put(
        {
            "resourceType": "Goal",
            "identifier": [number],
            "lifecycleStatus": "active",
            "description": {"text": "Climb a flight of stairs"},
            "subject": {"reference": f"Patient/{patient['id']}"},
            "source": {"reference": f"Patient/{patient['id']}"},
            "target": [{"measure": {"text": "Stairs"}, "detailInteger": 12, "dueDate": "2027-02-01"}],
        }
    )

    held = goals_at(world.server(), course["approved"])
    taken = take_goals(course["approved"], held, source=world.stub.base)
    came = next(e["resource"] for e in taken.bundle["entry"] if e["resource"].get("identifier") == [number])
    send(world.server(), give_goals(taken.bundle))

    assert [change.outcome for change in taken.changes if change.outcome != "unchanged"] == ["new"]
    assert came["expressedBy"]["reference"] == came["subject"]["reference"]
    assert world.stub.held[f"Goal/{theirs['id']}"] == theirs


def test_an_order_from_an_r5_server(world, course):
    """An R5 order, its reasons and its task are understood; the loop closes in R5."""
    report = send(world.server(), course["approved"])
    order = next(
        row.reference
        for row in report.entries
        if row.kind == "ServiceRequest" and world.stub.held[row.reference]["intent"] == "order"
    )
    plan = next(row.reference for row in report.entries if row.kind == "CarePlan")
    task = world.stub.put(
        {
            "resourceType": "Task",
            "status": "requested",
            "intent": "order",
            "focus": {"reference": order},
            "authoredOn": "2026-09-22T10:00:00-05:00",
        }
    )

    found = order_from_server(world.server(), order=order)
    begun = intake(found, written_at=AT)
    gone = move(world.server(), f"Task/{task['id']}", "completed", at=AT, output=plan)

    assert found.task is not None
    assert begun.record["order"]["diagnosis"]["code"] == "Z89.611"
    assert gone == ["accepted", "in-progress", "completed"]
    stored = world.stub.held[f"Task/{task['id']}"]
    assert stored["output"][0]["valueReference"]["reference"] == plan
    r5_models_take([stored])


def orders_in(kind, order):
    """An order as a physician's system writes it, with its patient and what it is for."""
    absence = {"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": "Z89.612", "display": "Left leg"}
    told = {
        "resourceType": kind,
        "id": "o1",
        "identifier": [{"system": "https://hospital.example/orders", "value": "O-7"}],
        "status": "active",
        "intent": "order",
        "subject": {"reference": "Patient/p1"},
        "authoredOn": "2026-10-02",
        "note": [{"text": "Before December"}],
        **order,
    }
    patient = {"resourceType": "Patient", "id": "p1", "birthDate": "1968-03-09", "name": [{"family": "Lind"}]}
    condition = {
        "resourceType": "Condition",
        "id": "c1",
        "subject": {"reference": "Patient/p1"},
        "clinicalStatus": {"coding": [{"code": "active"}]},
        "code": {"coding": [absence]},
    }
    return [patient, condition, told]


THING, REASON = {"text": "Above-knee prosthesis"}, {"reference": "Condition/c1"}


@pytest.mark.parametrize("lines", [True, False])
@pytest.mark.parametrize("kind", ["ServiceRequest", "DeviceRequest"])
def test_an_order_in_a_file_of_r5(tmp_path, kind, lines):
    """What, why, when and which side are the same whether the physician's system writes R4 or R5: in R5 code
    and reason are CodeableReferences.
    """
    code = "code" if kind == "ServiceRequest" else "codeCodeableConcept"
    written = {
        "R4": {code: THING, "reasonReference": [REASON]},
        "R5": {"code": {"concept": THING}, "reason": [{"reference": REASON}]},
    }
    begun = {}
    for release, order in written.items():
        found = orders_in(kind, order)
        entries = [
            {"fullUrl": f"https://hospital.example/{one['resourceType']}/{one['id']}", "resource": one}
            for one in found
        ]
        bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
        text = "\n".join(map(json.dumps, found)) if lines else json.dumps(bundle)
        file, out = tmp_path / f"{release}.json", tmp_path / f"{release}.out"
        file.write_text(text, encoding="utf-8")
        assert main(["order", str(file), "--format", "json", "-o", str(out)]) == 0
        begun[release] = json.loads(out.read_text(encoding="utf-8"))
        begun[release]["record"].pop("written_at")

    assert begun["R5"] == begun["R4"]
    assert begun["R5"]["record"]["order"]["text"] == "Above-knee prosthesis"
    assert begun["R5"]["record"]["order"]["diagnosis"]["code"] == "Z89.612"
    assert begun["R5"]["record"]["limb"] == {"side": "left"}


def test_a_reason_in_r5(world):
    """A task turned down on an R5 server carries its reason as R5 has it: a CodeableReference."""
    us = f"Organization/{world.stub.put({'resourceType': 'Organization', 'name': 'Clinic'})['id']}"
    task = world.stub.put(
        {"resourceType": "Task", "status": "requested", "intent": "order", "owner": {"reference": us}}
    )
    assert [t["id"] for t in open_tasks(world.server(), us)] == [task["id"]]

    move(world.server(), f"Task/{task['id']}", "rejected", at=AT, reason="No socket can be made here")

    stored = world.stub.held[f"Task/{task['id']}"]
    assert stored["statusReason"] == {"concept": {"text": "No socket can be made here"}}
    r5_models_take([stored])


def test_an_r5_bundle_is_an_r4_bundle_to_us(world, course):
    """What was said in R5 and heard again is sent as if it had never been anything else."""
    bundle = course["released"]

    send(world.server(), bundle)
    again = send(world.server(), hear(say(bundle, "R5"), "R5"))

    assert set(again.counts) == {"kept", "unchanged"}


def as_given_back(world):
    """What the server holds, as a bundle of its export: its own addresses, ids and relative references."""
    base, held = world.stub.base, world.stub.held
    entries = [{"fullUrl": f"{base}/{name}", "resource": one} for name, one in held.items()]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def test_who_wears_a_device_as_a_server_gives_it_back(world, course):
    """Each device names its patient also where its association comes back under another name; back in R5 it
    is what the server gave: no second association, none lost.
    """
    send(world.server(), course["released"])
    (patient,) = world.stub.of("Patient")
    given = as_given_back(world)

    found = hear(given, "R5")

    worn = [e["resource"] for e in found["entry"] if e["resource"]["resourceType"] == "Device"]
    assert len(worn) == len(world.stub.of("DeviceAssociation")) > 1
    assert {device["patient"]["reference"] for device in worn} == {f"Patient/{patient['id']}"}
    assert say(found, "R5") == given
    assert read(found).plan == read(course["released"]).plan


@pytest.mark.parametrize(
    "said",
    [
        {
            "status": {
                "coding": [{"system": "http://hl7.org/fhir/deviceassociation-status", "code": "explanted"}]
            }
        },
        {"period": {"start": "2026-11-17", "end": "2026-11-20"}},
        {"subject": {"reference": "Practitioner/r2"}},
        {"device": {"reference": "Device/elsewhere"}},
        {"subject": {"display": "Anna"}},
    ],
)
def test_an_association_that_says_nothing_of_a_patient(world, course, said):
    """Over, of somebody who is no patient, or of another device: R4's device names nobody; it comes back."""
    send(world.server(), course["approved"])
    first, *_ = world.stub.of("DeviceAssociation")
    first |= said
    given = as_given_back(world)

    found = hear(given, "R5")

    worn = [e["resource"] for e in found["entry"] if e["resource"]["resourceType"] == "Device"]
    assert len([device for device in worn if "patient" not in device]) == 1
    assert say(found, "R5") == given


def test_two_patients_of_one_device(world, course):
    """A device that two patients are said to wear: R4 can name one, and names none; it comes back."""
    send(world.server(), course["approved"])
    first, *_ = world.stub.of("DeviceAssociation")
    world.stub.put({"resourceType": "Patient"}, "other")
    world.stub.put(first | {"subject": {"reference": "Patient/other"}}, "second")
    given = as_given_back(world)

    found = hear(given, "R5")

    worn = [e["resource"] for e in found["entry"] if e["resource"]["resourceType"] == "Device"]
    assert len([device for device in worn if "patient" not in device]) == 1
    assert say(found, "R5") == given


def test_a_device_handed_on(world, course):
    """Who names another patient in R4 is heard: R5 gets that association beside the one that was there."""
    send(world.server(), course["approved"])
    found = hear(as_given_back(world), "R5")
    device = next(e["resource"] for e in found["entry"] if e["resource"]["resourceType"] == "Device")
    device["patient"] = {"reference": "Patient/other"}

    told = [e["resource"] for e in say(found, "R5")["entry"]]

    named = [r["subject"]["reference"] for r in told if r["resourceType"] == "DeviceAssociation"]
    assert len(named) == len(world.stub.of("DeviceAssociation")) + 1
    assert named.count("Patient/other") == 1


def test_an_r4b_server_is_spoken_to_in_r4(world, course):
    """R4B has the same plan resources as R4."""
    world.stub.version = "4.3.0"
    world.stub.kinds["DeviceUseStatement"] = world.stub.kinds["DeviceUsage"]

    assert send(world.server(), course["approved"]).verified
    assert len(world.stub.of("DeviceUseStatement")) == 1
