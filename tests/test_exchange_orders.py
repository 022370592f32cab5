"""Orders in: found, begun as a delivery record, tracked through their Task to the plan."""

from __future__ import annotations

import copy

import pytest
import responses
from ruamel.yaml import YAML

from fhircare.delivery import read_delivery
from fhircare.errors import Conflict, DeliveryError, InputError, ServerRefused
from fhircare.exchange.intake import intake
from fhircare.exchange.orders import order_from_data, order_from_server
from fhircare.exchange.tasks import MOVES, WITH_REASON, advanced, move, open_tasks, way
from tests.conftest import RECORDS
from tests.exchange_kit import HOSPITAL, Once, World

AT = "2026-11-25T09:00:00-06:00"
ICD = "http://hl7.org/fhir/sid/icd-10-cm"

PATIENT = {
    "resourceType": "Patient",
    "id": "p1",
    "identifier": [{"system": f"{HOSPITAL}/mrn", "value": "M-7"}],
    "meta": {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]},
    "name": [{"use": "official", "family": "Lindqvist", "given": ["Anna", "Maria"]}],
    "gender": "female",
    "birthDate": "1968-03-09",
    "telecom": [{"system": "phone", "value": "+1-815-555-0181"}],
    "communication": [{"language": {"coding": [{"code": "es"}]}, "preferred": True}],
    "address": [{"line": ["1 Mill Road"], "city": "Harrow Creek", "state": "IL", "postalCode": "61099"}],
}
DOCTOR = {
    "resourceType": "Practitioner",
    "id": "d1",
    "name": [{"family": "Hartwell", "given": ["Miles"]}],
    "identifier": [{"system": f"{HOSPITAL}/staff", "value": "P-2207"}],
}
HOUSE = {"resourceType": "Organization", "id": "o1", "name": "Saint Brannoc Hospital, Rehabilitation"}
ROLE = {
    "resourceType": "PractitionerRole",
    "id": "pr1",
    "practitioner": {"reference": "Practitioner/d1"},
    "organization": {"reference": "Organization/o1"},
}
LIMB = {
    "resourceType": "Condition",
    "id": "c1",
    "subject": {"reference": "Patient/p1"},
    "code": {
        "coding": [{"system": ICD, "code": "Z89.611", "display": "Acquired absence of right leg above knee"}]
    },
}
DIABETES = {
    "resourceType": "Condition",
    "id": "c2",
    "subject": {"reference": "Patient/p1"},
    "code": {"coding": [{"system": ICD, "code": "E11.9", "display": "Type 2 diabetes"}]},
}
COVERAGE = {"resourceType": "Coverage", "id": "v1", "subscriberId": "INS-99"}
ORDER = {
    "resourceType": "ServiceRequest",
    "id": "s1",
    "status": "active",
    "intent": "order",
    "identifier": [
        {"type": {"coding": [{"code": "PLAC"}]}, "system": f"{HOSPITAL}/orders", "value": "ORD-88213"}
    ],
    "code": {"text": "Fit a first above-knee prosthesis, right"},
    "subject": {"reference": "Patient/p1"},
    "authoredOn": "2026-09-22T10:00:00-05:00",
    "requester": {"reference": "PractitionerRole/pr1"},
    "reasonReference": [{"reference": "Condition/c1"}],
    "insurance": [{"reference": "Coverage/v1"}],
    "note": [{"text": "Lives alone."}],
}
TASK = {
    "resourceType": "Task",
    "id": "t1",
    "status": "requested",
    "intent": "order",
    "focus": {"reference": "ServiceRequest/s1"},
    "for": {"reference": "Patient/p1"},
    "owner": {"reference": "Organization/o1"},
    "authoredOn": "2026-09-22T10:00:00-05:00",
}
EVERYTHING = [PATIENT, DOCTOR, HOUSE, ROLE, LIMB, DIABETES, COVERAGE, ORDER, TASK]


@pytest.fixture
def world():
    """A server that holds an order and what belongs to it."""
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        made = World(mocked)
        for resource in EVERYTHING:
            made.stub.put(resource, resource["id"])
        yield made


def begun(referral):
    """The record begun from an order."""
    return intake(referral, written_at=AT)


def test_an_order_from_a_server_by_its_id(world):
    """With its patient, physician, hospital, conditions and task; insurance is not asked for."""
    found = order_from_server(world.server(), order="s1")

    assert found.requester["id"] == "d1"
    assert found.organization["id"] == "o1"
    assert [c["id"] for c in found.conditions] == ["c1", "c2"]
    assert found.task["id"] == "t1"
    assert not any("Coverage" in path for _, path, _, _ in world.stub.seen)


def test_an_order_of_a_patient(world):
    """By reference or by number: the one open order; plans, closed orders and other people's do not count."""
    world.stub.put(ORDER | {"intent": "plan"}, "s2")
    world.stub.put(ORDER | {"status": "completed"}, "s3")
    world.stub.put(ORDER | {"subject": {"reference": "Patient/p2"}}, "s4")

    assert order_from_server(world.server(), patient="Patient/p1").reference == "ServiceRequest/s1"
    assert order_from_server(world.server(), patient=f"{HOSPITAL}/mrn|M-7").reference == "ServiceRequest/s1"


def test_which_order_is_asked_when_there_are_two(world):
    """The candidates are listed by id."""
    world.stub.put({**ORDER, "resourceType": "DeviceRequest"}, "x9")

    with pytest.raises(InputError, match=r"one of DeviceRequest/x9, ServiceRequest/s1"):
        order_from_server(world.server(), patient="Patient/p1")
    assert (
        order_from_server(world.server(), order="DeviceRequest/x9").order["resourceType"] == "DeviceRequest"
    )


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"order": "s99"}, "is not on the server"),
        ({"order": "Patient/p1"}, "is no id of an order"),
        ({"order": "ServiceRequest/../Patient/p1"}, "is no id of an order"),
        ({"patient": "Goal/1"}, "is no patient"),
        ({"patient": "urn:x|9"}, "is not known there"),
    ],
)
def test_what_leads_nowhere_is_said(world, asked, says):
    """A wrong id or patient is named by its option."""
    with pytest.raises(InputError, match=says):
        order_from_server(world.server(), **asked)


def test_an_order_without_a_patient_is_refused(world):
    """A reference that leads nowhere, or to another server, is not followed."""
    world.stub.put(ORDER | {"subject": {"reference": "https://evil.example/r4/Patient/p1"}}, "s1")

    with pytest.raises(ServerRefused, match="without a patient"):
        order_from_server(world.server(), order="s1")


@pytest.mark.parametrize(
    "resources",
    [
        EVERYTHING,
        [
            {
                "resourceType": "Bundle",
                "type": "collection",
                "entry": [
                    {"fullUrl": f"https://h.example/{r['resourceType']}/{r['id']}", "resource": r}
                    for r in EVERYTHING
                ],
            }
        ],
    ],
    ids=["NDJSON", "bundle"],
)
def test_an_order_from_a_file(resources):
    """The same from a file as from a server."""
    found = order_from_data(resources)

    assert (found.requester["id"], found.organization["id"], found.task["id"]) == ("d1", "o1", "t1")
    assert begun(found).record["order"]["identifier"]["value"] == "ORD-88213"


def test_what_is_known_is_filled_in(world):
    """Patient, physician, order, diagnosis and side, each from its place; the order's number unchanged."""
    record = begun(order_from_server(world.server(), order="s1")).record

    assert record["patient"]["name"] == {"given": ["Anna", "Maria"], "family": "Lindqvist"}
    assert record["patient"]["language"] == "es"
    assert record["patient"]["address"]["lines"] == ["1 Mill Road"]
    assert record["professionals"] == [
        {
            "role": "physician",
            "name": {"given": ["Miles"], "family": "Hartwell"},
            "identifiers": [{"system": f"{HOSPITAL}/staff", "value": "P-2207"}],
            "organization": "Saint Brannoc Hospital, Rehabilitation",
        }
    ]
    assert record["order"] == {
        "identifier": {"system": f"{HOSPITAL}/orders", "value": "ORD-88213"},
        "authored_on": "2026-09-22",
        "text": "Fit a first above-knee prosthesis, right",
        "diagnosis": {"code": "Z89.611", "display": "Acquired absence of right leg above knee"},
    }
    assert record["limb"] == {"side": "right"}
    assert record["synthetic"] is True


def test_what_is_missing_is_said_in_plain_words():
    """In the record's own words, at its place; risks on file are offered, never filled in."""
    start = begun(order_from_data(EVERYTHING))
    text = start.as_yaml()

    missing = dict(start.missing)
    assert missing["number"] == "The clinic's number for this plan; the same number, the same plan."
    assert {"clinic", "professionals", "prosthesis"} <= set(missing)
    assert "# missing: prosthesis - What was delivered." in text
    assert "think of `risks`: E11.9 Type 2 diabetes" in text
    assert "risks" not in start.record
    assert "# The order says: Lives alone." in text


def test_the_begun_record_is_yaml_the_reader_takes():
    """Filled up with what was missing it is a delivery record; as it is, only what was listed is complained
    of.
    """
    start = begun(order_from_data(EVERYTHING))
    with pytest.raises(DeliveryError) as caught:
        read_delivery(start.as_yaml())
    assert {f.problem for f in caught.value.faults} == {"is missing"}
    assert {f.field for f in caught.value.faults} == {field for field, _ in start.missing} - {"professionals"}

    yaml = YAML(typ="safe", pure=True)
    other = yaml.load((RECORDS / "anna-first-locking.yaml").read_text())
    own = yaml.load(start.as_yaml())
    whole = other | {k: own[k] for k in ("patient", "order", "limb")}
    whole["professionals"] = [other["professionals"][0], *own["professionals"]]
    whole["limb"] = other["limb"] | own["limb"]
    import io

    stream = io.StringIO()
    YAML().dump(whole, stream)
    assert read_delivery(stream.getvalue()).order.identifier.value == "ORD-88213"


def test_an_order_that_says_little(world):
    """No requester to read, no code, no number: what is not known stays open, nothing is made up."""
    bare = {k: ORDER[k] for k in ("resourceType", "id", "status", "intent", "subject")}
    bare["requester"] = {"display": "Miles Hartwell"}
    world.stub.put(bare, "s1")

    start = begun(order_from_server(world.server(), order="s1"))

    assert start.record["order"]["identifier"] == {
        "system": "https://fhir.example/r4/ServiceRequest",
        "value": "s1",
    }
    assert start.record["professionals"][0]["name"] == {"given": ["Miles"], "family": "Hartwell"}
    assert "authored_on" not in start.record["order"]
    assert "order.authored_on" in dict(start.missing)


# --- the task ----------------------------------------------------------------------------------------------


def test_the_ways_of_a_task():
    """From requested to completed by received or accepted and in-progress; ends lead nowhere."""
    assert way("requested", "completed") == ["accepted", "in-progress", "completed"]
    assert way("received", "rejected") == ["rejected"]
    assert way("accepted", "accepted") == []
    for end in ("rejected", "completed", "failed", "cancelled"):
        assert end not in MOVES
        with pytest.raises(InputError, match="cannot go"):
            way(end, "accepted")


@pytest.mark.parametrize("start", MOVES)
def test_a_reason_when_and_only_when(start):
    """Physical Activity 1.0.1, pa-taskrm-1: a statusReason if and only if rejected, on-hold, cancelled or
    failed.
    """
    for to in MOVES[start]:
        needs = to in WITH_REASON
        moved = advanced(
            TASK | {"status": start, "statusReason": {"text": "old"}},
            to,
            at=AT,
            reason="why" if needs else "",
        )
        assert ("statusReason" in moved) == needs
        with pytest.raises(InputError, match="reason"):
            advanced(TASK | {"status": start}, to, at=AT, reason="" if needs else "why")


def test_the_loop_is_closed_with_the_plan(world):
    """Accepted, in progress, completed; each step a version of its own; the plan is the output; again:
    nothing.
    """
    server = world.server()
    world.stub.put({"resourceType": "CarePlan"}, "9")
    assert move(server, "Task/t1", "accepted", at=AT) == ["accepted"]
    assert move(server, "Task/t1", "completed", at=AT, output="CarePlan/9") == ["in-progress", "completed"]
    assert move(server, "Task/t1", "completed", at=AT, output="CarePlan/9") == []

    task = world.stub.held["Task/t1"]
    assert task["output"] == [{"type": {"text": "Plan"}, "valueReference": {"reference": "CarePlan/9"}}]
    assert task["businessStatus"]["coding"][0]["code"] == "7.0"
    assert task["focus"] == TASK["focus"]
    assert task["meta"]["versionId"] == "4"
    assert task["lastModified"] == AT


def test_somebody_else_moves_it_meanwhile(world):
    """Read again, and taken on from where it then is; when it has ended, that is said."""

    def received(_request, _carry_out):
        world.stub.put(world.stub.held["Task/t1"] | {"status": "received"}, "t1")

    world.faults.append(Once(received, when=lambda r: r.method == "PUT"))
    assert move(world.server(), "Task/t1", "accepted", at=AT) == ["accepted"]

    def cancelled(_request, _carry_out):
        world.stub.put(world.stub.held["Task/t1"] | {"status": "cancelled"}, "t1")

    world.faults.append(Once(cancelled, when=lambda r: r.method == "PUT"))
    with pytest.raises(InputError, match="cannot go from cancelled"):
        move(world.server(), "Task/t1", "completed", at=AT)


def test_a_task_that_never_rests(world):
    """Changed under us every time: after three tries it is a conflict, not a loop."""
    world.faults.append(lambda r, _: (412, {}, "") if r.method == "PUT" else None)

    with pytest.raises(Conflict, match="keeps being changed"):
        move(world.server(), "Task/t1", "accepted", at=AT)


def test_open_tasks_of_an_owner(world):
    """Those that wait for us, and no others even where the server ignores what it is asked."""
    world.stub.put(copy.deepcopy(TASK) | {"owner": {"reference": "Organization/o2"}}, "t2")
    world.stub.ignores_parameters = True

    assert [t["id"] for t in open_tasks(world.server(), "Organization/o1", since="2026-11-25T00:00:00Z")] == [
        "t1"
    ]
