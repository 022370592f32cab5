"""Against two real R4 servers of other makes, on loopback: what is sent is there, once, as it was sent.

Run by ``make test-servers`` (this file is named by hand there: starting the servers takes a minute). One
server is built from npm packages (Medplum's router and validator), one is HAPI FHIR with a database, with
validation of every request and referential integrity on. A server that cannot be fetched is skipped with the
reason, but in CI, or when FHIRCARE_SERVERS names it, it must be there.
"""

from __future__ import annotations

import base64
import copy
import dataclasses
import uuid

import pytest
import requests

from fhircare.bundle import read, to_bundle
from fhircare.bundle.document import as_document
from fhircare.delivery import read_delivery
from fhircare.errors import Conflict
from fhircare.exchange import (
    FhirServer,
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
    wire,
)
from fhircare.exchange import same as sameness
from fhircare.exchange.auth import NoAuth
from fhircare.exchange.http import Bounds, Transport
from fhircare.planner import make_plan
from tests.conftest import EXAMPLES, RECORDS
from tests.courses import course, standing
from tests.plans import whole_plan
from tests.servers.launch import SERVERS, NotToBeHadError, needed, say

SHARED = ("Organization", "Practitioner", "PractitionerRole", "HealthcareService")
"""Kinds that the examples share: whoever sent them first has written them."""
AT = "2026-11-25T09:00:00-06:00"


@pytest.fixture(scope="module", params=sorted(SERVERS))
def base(request):
    """The base address of a running server."""
    capture = request.config.pluginmanager.getplugin("capturemanager")

    def aloud(text):
        with capture.global_and_fixture_disabled():
            say(text)

    try:
        with SERVERS[request.param](aloud) as address:
            yield address
    except NotToBeHadError as error:
        if needed(request.param):
            raise
        pytest.skip(str(error))


@pytest.fixture
def server(base):
    """The server, through the client."""
    transport = Transport(base, NoAuth(), bounds=Bounds(silence=120, whole=300))
    yield FhirServer(transport)
    transport.close()


def plan_of(example):
    """The plan of an example record, its number and patient its own, so that runs do not meet."""
    plan = (
        whole_plan()
        if example == "whole"
        else make_plan(read_delivery((RECORDS / f"{example}.yaml").read_text()))
    )
    mark = uuid.uuid4().hex[:8]
    patient = plan.patient
    numbers = tuple(dataclasses.replace(n, value=f"{n.value}-{mark}") for n in patient.identifiers)
    goals = tuple(
        dataclasses.replace(
            g,
            identifier=g.identifier
            and dataclasses.replace(g.identifier, value=f"{g.identifier.value}-{mark}"),
        )
        for g in plan.goals
    )
    order = plan.order and dataclasses.replace(
        plan.order,
        identifier=dataclasses.replace(plan.order.identifier, value=f"{plan.order.identifier.value}-{mark}"),
    )
    return dataclasses.replace(
        plan,
        number=f"{plan.number}-{mark}",
        order=order,
        goals=goals,
        patient=dataclasses.replace(patient, identifiers=numbers),
        prosthesis=dataclasses.replace(plan.prosthesis, identifier=None),
    )


def held(base, report):
    """What the server has of each entry, asked by another library's plain GET."""
    with requests.Session() as session:
        session.headers["Accept"] = "application/fhir+json"
        names = [entry.reference for entry in report.entries]
        return {name: session.get(f"{base}/{name}", timeout=60).json() for name in names}


def totals(base, bundle):
    """How many resources of each type of the bundle the server holds, by its own count."""
    counted = {}
    for kind in sorted({entry["resource"]["resourceType"] for entry in bundle["entry"]}):
        found = requests.get(
            f"{base}/{kind}",
            params={"_summary": "count"},
            timeout=30,
            headers={"Cache-Control": "no-cache", "Accept": "application/fhir+json"},
        ).json()
        counted[kind] = found["total"]
    return counted


def stored_as_sent(base, bundle, report):
    """Assert that a plain GET of each entry gives what was sent; return what was got, by reference."""
    stored = held(base, report)
    assert report.verified
    assert "urn:uuid:" not in str(list(stored.values()))
    rows = _in_order(bundle, report)
    names = {e["fullUrl"]: row.reference for e, row in zip(bundle["entry"], rows, strict=True)}
    for entry in bundle["entry"]:
        if entry["resource"]["resourceType"] in SHARED:
            continue
        ours = _literal(entry["resource"], names)
        ours.get("meta", {}).pop("profile", None)
        assert sameness.differences(ours, stored[names[entry["fullUrl"]]], base) == []
    return stored


@pytest.mark.parametrize("example", [*EXAMPLES, "whole"])
def test_sent_read_back_and_sent_again(base, server, example):
    """Each example: all created, read back equal by a plain GET; again: no version moves, nothing is
    doubled.
    """
    bundle, memory = to_bundle(plan_of(example)), ShortMemory()
    before = totals(base, bundle)

    report = send(server, bundle, memory=memory)
    stored = stored_as_sent(base, bundle, report)

    now = totals(base, bundle)
    assert sum(now.values()) - sum(before.values()) == report.counts["created"]
    for again in (send(server, bundle, memory=memory), send(server, bundle)):
        assert set(again.counts) == {"kept", "unchanged"}
    assert held(base, again) == stored
    assert totals(base, bundle) == now
    assert dry_run(server, bundle).requests == ()


@pytest.mark.parametrize("example", EXAMPLES)
def test_followed_and_sent_again(base, server, example):
    """Each example followed: logged and revised, stopped, approved again; the history goes along, one plan
    is in force, what did not change keeps its version, nothing is doubled; again: nothing is written.
    """
    steps, memory, stored = course(plan_of(example)), ShortMemory(), {}
    several = ("approved", "revised", "stopped", "proposed", "released")
    for step in several if example == EXAMPLES[0] else ("approved", "released"):
        bundle = steps[step]
        before = totals(base, bundle)
        report = send(server, bundle, memory=memory)
        now, earlier = totals(base, bundle), stored
        stored = stored_as_sent(base, bundle, report)

        assert sum(now.values()) - sum(before.values()) == report.counts["created"]
        there = [r for r in stored.values() if r["resourceType"] == "CarePlan"]
        assert standing({"entry": [{"resource": plan} for plan in there]}) == standing(bundle)
        same = [e.reference for e in report.entries if e.outcome in ("kept", "unchanged")]
        known = [name for name in same if name in earlier]
        assert [stored[name] for name in known] == [earlier[name] for name in known]
    assert set(send(server, bundle, memory=memory).counts) == {"kept", "unchanged"}
    assert held(base, report) == stored
    assert totals(base, bundle) == now


def test_a_followed_plan_as_documents(base, server):
    """As documents: each revision replaces the one before, and reads back whole."""
    steps, options = course(plan_of("anna-first-locking")), Options(mode="document", document=as_document)
    send(server, steps["made"])
    filed = []
    for step in ("approved", "revised", "stopped"):
        report = send(server, steps[step], options=options)
        assert report.counts == {"created": 1}
        assert send(server, steps[step], options=options).counts == {"unchanged": 1}
        filed.append(requests.get(f"{base}/{report.entries[0].reference}", timeout=60).json())
        inside = wire.loads(base64.b64decode(filed[-1]["content"][0]["attachment"]["data"]))
        assert read(inside).plan == read(steps[step]).plan
    ids = [f"DocumentReference/{row['id']}" for row in filed]
    assert [[r["target"]["reference"] for r in row.get("relatesTo", [])] for row in filed] == [
        [], [ids[0]], [ids[1]],
    ]  # fmt: skip


def test_a_revision(base, server):
    """Revised: what lives on is updated in place, the old plan and its phases are withdrawn, nothing
    doubled.
    """
    plan, memory = plan_of("anna-first-locking"), ShortMemory()
    send(server, to_bundle(plan), memory=memory)
    goals = tuple(dataclasses.replace(goal, achievement="improving") for goal in plan.goals)
    revised = to_bundle(dataclasses.replace(plan, revision=2, goals=goals))

    report = send(server, revised, memory=memory)

    stored = held(base, report)
    state = {
        r["identifier"][0]["value"].rpartition("/")[2]: r["status"]
        for r in stored.values()
        if r["resourceType"] == "CarePlan"
    }
    assert report.verified
    assert state["r1"] == "revoked"
    assert report.counts["withdrawn"] > 1
    assert {e.kind for e in report.entries if e.outcome == "updated"} >= {"Goal"}
    now = totals(base, revised)
    assert set(send(server, revised, memory=memory).counts) == {"kept", "unchanged"}
    assert totals(base, revised) == now


def test_interrupted_and_begun_again(base, server):
    """Stopped after the first transaction of the plan, then sent again: each resource once."""
    bundle, calls = to_bundle(plan_of("ben-replacement-socket")), [0]
    before = totals(base, bundle)

    def stop():
        calls[0] += 1
        if calls[0] == 6:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        send(server, bundle, alive=stop)
    report = send(server, bundle)
    assert report.verified
    kept = [e for e in report.entries if e.outcome == "kept"]
    assert sum(totals(base, bundle).values()) - sum(before.values()) <= len(bundle["entry"])
    assert len({e.reference for e in report.entries}) == len(bundle["entry"])
    assert kept
    assert set(send(server, bundle).counts) == {"kept", "unchanged"}


def test_one_by_one(server):
    """Without transactions: single requests in the order of references, with the same end."""
    bundle = to_bundle(plan_of("whole"))

    assert send(server, bundle, options=Options(mode="single")).verified
    assert set(send(server, bundle).counts) == {"kept", "unchanged"}


def test_a_patient_is_found(base, server):
    """By number, among others; with pages; and nobody by a number nobody has."""
    bundle = to_bundle(plan_of("carla-diabetes-slow"))
    send(server, bundle)
    number = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient")[
        "identifier"
    ][0]

    found = server.find("Patient", number["system"], number["value"])
    assert found["identifier"][0]["value"] == number["value"]
    assert server.find("Patient", number["system"], "no such number, at | all") is None
    requests_of = server.search("ServiceRequest", {"subject": f"Patient/{found['id']}"}).matches
    assert len({r["id"] for r in requests_of}) == len(requests_of) > 10


def _create(base, resource):
    """Write a resource as another system would, not through our client."""
    return requests.post(
        f"{base}/{resource['resourceType']}",
        json=resource,
        headers={"Content-Type": "application/fhir+json", "Prefer": "return=representation"},
        timeout=30,
    )


def test_goals_taken_and_given(base, server):
    """A therapist's goal on the server joins the revised plan; given back, theirs is untouched and ours
    stands beside it.
    """
    bundle = course(plan_of("anna-first-locking"))["revised"]
    send(server, bundle)
    number = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient")[
        "identifier"
    ][0]
    patient = server.find("Patient", number["system"], number["value"])
    goal = {
        "resourceType": "Goal",
        "lifecycleStatus": "active",
        "description": {"text": "Climb a flight of stairs"},
        "identifier": [{"system": "https://riverbank-therapy.example/goals", "value": uuid.uuid4().hex}],
        "subject": {"reference": f"Patient/{patient['id']}"},
        "expressedBy": {"reference": f"Patient/{patient['id']}"},
        "extension": [{"url": "https://riverbank-therapy.example/ext", "valueString": "kept"}],
        "target": [
            {
                "measure": {"text": "Stairs"},
                "detailQuantity": {
                    "value": 12,
                    "unit": "{steps}",
                    "code": "{steps}",
                    "system": "http://unitsofmeasure.org",
                },
                "dueDate": "2027-02-01",
            }
        ],
    }
    made = _create(base, goal)
    assert made.status_code == 201, made.text
    theirs = made.json()

    taken = take_goals(bundle, goals_at(server, bundle), source=base)
    report = send(server, give_goals(taken.bundle))

    assert "new" in [change.outcome for change in taken.changes]
    assert taken.settled
    row = next(e for e in report.entries if e.reference == f"Goal/{theirs['id']}")
    assert row.outcome == "kept"
    now = requests.get(f"{base}/Goal/{theirs['id']}", timeout=30).json()
    assert now["meta"]["versionId"] == theirs["meta"]["versionId"]
    assert send(server, taken.bundle).verified


def test_an_order_and_its_task(base, server):
    """An order is taken from the server as the start of a record; its task goes through to completed."""
    bundle = to_bundle(plan_of("anna-first-locking"))
    report = send(server, bundle)
    order = next(
        e.reference
        for e in report.entries
        if e.kind == "ServiceRequest" and e.place == _place_of_order(bundle)
    )
    plan = next(e.reference for e in report.entries if e.kind == "CarePlan")
    patient = next(e.reference for e in report.entries if e.kind == "Patient")
    task = {
        "resourceType": "Task",
        "status": "requested",
        "intent": "order",
        "focus": {"reference": order},
        "for": {"reference": patient},
        "authoredOn": "2026-09-22T10:00:00-05:00",
        "lastModified": "2026-09-22T10:00:00-05:00",
    }
    made = _create(base, task)
    name = f"Task/{made.json()['id']}"

    found = order_from_server(server, order=order)
    start = intake(found, written_at=AT)

    assert found.task["id"] == made.json()["id"]
    assert start.record["order"]["diagnosis"]["code"] == "Z89.611"
    assert move(server, name, "completed", at=AT, output=plan) == ["accepted", "in-progress", "completed"]
    assert (
        requests.get(f"{base}/{name}", timeout=30)
        .json()["output"][0]["valueReference"]["reference"]
        .endswith(plan)
    )
    assert move(server, name, "completed", at=AT, output=plan) == []


def test_a_version_that_has_moved(base, server):
    """If-Match of a version that is no more: the real server's refusal is a conflict, and nothing is
    overwritten.
    """
    made = requests.post(
        f"{base}/Organization",
        json={"resourceType": "Organization", "name": "One"},
        headers={"Content-Type": "application/fhir+json", "Prefer": "return=representation"},
        timeout=30,
    ).json()
    stored = server.read(f"Organization/{made['id']}")
    server.write(server.update_request(stored.resource | {"name": "Two"}, stored.match), 1)

    with pytest.raises(Conflict):
        server.write(server.update_request(stored.resource | {"name": "Three"}, stored.match), 1)
    assert server.read(f"Organization/{made['id']}").resource["name"] == "Two"


def test_the_servers_own_validation(server):
    """Each resource passes the server's $validate before it is sent."""
    report = send(server, to_bundle(plan_of("whole")), options=Options(validate=True))

    assert report.verified
    assert "passed the server's $validate" in report.notes[0]


def _in_order(bundle, report):
    rows = {row.place: row for row in report.entries}
    return [rows[f"Bundle.entry[{index}]"] for index in range(len(bundle["entry"]))]


def _literal(resource, names):
    resource = copy.deepcopy(resource)

    def walk(value):
        if isinstance(value, dict):
            if isinstance(value.get("reference"), str):
                value["reference"] = names.get(value["reference"], value["reference"])
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)

    walk(resource)
    return resource


def _place_of_order(bundle):
    return next(
        f"Bundle.entry[{i}]" for i, e in enumerate(bundle["entry"]) if e["resource"].get("intent") == "order"
    )
