"""A server that takes no plans: the plan arrives all the same, as one document."""

from __future__ import annotations

import base64
import hashlib
import json

import pytest
import responses

from fhircare.bundle import to_bundle
from fhircare.bundle.document import as_document
from fhircare.errors import ServerRefused
from fhircare.exchange import wire
from fhircare.exchange.sender import Options, dry_run, send
from tests.exchange_kit import CLINIC, RESET, Once, World, after, resource
from tests.plans import whole_plan

PDF = b"%PDF-1.7 not really"
OPTIONS = Options(document=as_document, pdf=PDF)


@pytest.fixture
def bundle():
    """A whole plan, as a bundle."""
    return wire.loads(wire.dumps(to_bundle(whole_plan())))


@pytest.fixture
def world(bundle):
    """A server as US Core asks for it at least: reads and searches, and creates documents only."""
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        made = World(mocked)
        made.stub.kinds = {kind: ["read", "search-type"] for kind in made.stub.kinds}
        made.stub.kinds["DocumentReference"].append("create")
        made.stub.system = []
        patient = resource(bundle, "Patient")
        made.stub.put({"resourceType": "Patient", "identifier": patient["identifier"]})
        yield made


def test_the_plan_arrives_as_a_document(world, bundle):
    """One DocumentReference: the document Bundle and the PDF inside it, sizes and hashes right; said in the
    report.
    """
    report = send(world.server(), bundle, options=OPTIONS)

    (stored,) = world.stub.of("DocumentReference")
    contents = {c["attachment"]["contentType"]: c["attachment"] for c in stored["content"]}
    assert base64.b64decode(contents["application/pdf"]["data"]) == PDF
    assert contents["application/pdf"]["size"] == len(PDF)
    assert base64.b64decode(contents["application/pdf"]["hash"]) == hashlib.sha1(PDF).digest()  # noqa: S324 - FHIR's
    inside = json.loads(base64.b64decode(contents["application/fhir+json"]["data"]))
    assert (inside["type"], inside["entry"][0]["resource"]["resourceType"]) == ("document", "Composition")
    assert stored["subject"]["reference"].startswith("Patient/")
    assert report.way == "document"
    assert report.verified
    assert "the server does not take" in report.notes[0]


def test_again_and_after_a_lost_answer_it_is_there_once(world, bundle):
    """Sent twice, and with an answer lost in between: one document."""
    world.faults.append(Once(after(RESET), when=lambda r: r.url.endswith("/DocumentReference")))

    first = send(world.server(), bundle, options=OPTIONS)
    again = send(world.server(), bundle, options=OPTIONS)

    assert len(world.stub.of("DocumentReference")) == 1
    assert first.counts == {"created": 1}
    assert again.counts == {"unchanged": 1}


def test_a_revised_document_replaces_the_one_before(world, bundle):
    """The later document names the earlier as replaced: the only way where nothing can be updated."""
    send(world.server(), bundle, options=OPTIONS)
    resource(bundle, "CarePlan")["title"] = "Plan, revised"

    send(world.server(), bundle, options=OPTIONS)

    first, second = world.stub.of("DocumentReference")
    assert second["relatesTo"] == [
        {"code": "replaces", "target": {"reference": f"DocumentReference/{first['id']}"}}
    ]
    assert send(world.server(), bundle, options=OPTIONS).counts == {"unchanged": 1}


def test_a_patient_nobody_knows_is_not_made_up(world, bundle):
    """Such a server must know the patient: otherwise nothing is filed under anybody."""
    for entry in bundle["entry"]:
        if entry["resource"]["resourceType"] == "Patient":
            entry["resource"]["identifier"] = [{"system": f"{CLINIC}/patients", "value": "unknown"}]

    with pytest.raises(ServerRefused, match="does not know this patient"):
        send(world.server(), bundle, options=OPTIONS)
    assert world.stub.of("DocumentReference") == []


def test_a_server_that_takes_nothing_is_refused(world, bundle):
    """Neither plans nor documents: said, with what is lacking."""
    world.stub.kinds["DocumentReference"].remove("create")

    with pytest.raises(ServerRefused, match=r"takes neither .*CarePlan.* nor documents"):
        send(world.server(), bundle, options=OPTIONS)


def test_a_document_as_asked_where_plans_would_go(world, bundle):
    """mode = document sends a document even to a server that takes plans; mode = single never falls back."""
    with pytest.raises(ServerRefused, match="mode = auto"):
        send(world.server(), bundle, options=Options(mode="single"))
    world.stub.kinds = {kind: ["read", "search-type", "create", "update"] for kind in world.stub.kinds}

    report = send(world.server(), bundle, options=Options(mode="document", document=as_document))
    assert (report.way, report.notes) == ("document", ("sent as one document: as asked",))


def test_a_dry_run_of_a_document(world, bundle):
    """One create, and nothing written."""
    shown = dry_run(world.server(), bundle, options=OPTIONS)

    assert [(r.method, r.url) for r in shown.requests] == [
        ("POST", "https://fhir.example/r4/DocumentReference")
    ]
    assert world.stub.of("DocumentReference") == []


def test_people_who_cannot_be_added_are_referred_to_by_number(world, bundle):
    """A server that takes plans but no practitioners: referred to by their number, and said so."""
    every = ["read", "search-type", "create", "update"]
    world.stub.kinds = dict.fromkeys(world.stub.kinds, every)
    world.stub.kinds |= {
        kind: ["read", "search-type"]
        for kind in ("Practitioner", "PractitionerRole", "Organization", "HealthcareService", "RelatedPerson")
    }

    report = send(world.server(), bundle)

    notes = {e.kind: e.note for e in report.entries if e.note}
    assert notes["PractitionerRole"] == "not known there, and cannot be added; referred to by its number"
    assert "identifier" in world.stub.of("CarePlan")[0]["author"]
    assert set(send(world.server(), bundle).counts) == {"kept", "unchanged"}


def _add_handout(bundle, data):
    """Put a document into a bundle whose content is a Binary entry beside it, as base64."""
    patient = next(e["fullUrl"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient")
    bundle["entry"] += [
        {
            "fullUrl": "urn:uuid:0f2c0f2c-0000-4000-8000-000000000001",
            "resource": {"resourceType": "Binary", "contentType": "application/pdf", "data": data},
        },
        {
            "fullUrl": "urn:uuid:0f2c0f2c-0000-4000-8000-000000000002",
            "resource": {
                "resourceType": "DocumentReference",
                "status": "current",
                "subject": {"reference": patient},
                "identifier": [{"system": f"{CLINIC}/fhircare/part", "value": "handout"}],
                "content": [{"attachment": {"url": "urn:uuid:0f2c0f2c-0000-4000-8000-000000000001"}}],
            },
        },
    ]


def test_a_large_binary_goes_first_and_once(world, bundle):
    """Content over a megabyte travels as a Binary; the document points to it; sent again, nothing new."""
    world.stub.kinds = {kind: ["read", "search-type", "create", "update"] for kind in world.stub.kinds}
    data = base64.b64encode(b"%PDF" + b"x" * 1_500_000).decode()
    _add_handout(bundle, data)

    send(world.server(), bundle)
    again = send(world.server(), bundle)

    (binary,) = world.stub.of("Binary")
    assert world.stub.of("DocumentReference")[0]["content"][0]["attachment"]["url"].endswith(
        f"/Binary/{binary['id']}"
    )
    assert set(again.counts) == {"kept", "unchanged"}


def test_a_small_binary_travels_inside(world, bundle):
    """Pitfall, attachment.url: content up to a megabyte is inlined, whatever the bundle says."""
    world.stub.kinds = {kind: ["read", "search-type", "create", "update"] for kind in world.stub.kinds}
    _add_handout(bundle, "JVBERi0=")

    send(world.server(), bundle)

    assert world.stub.of("Binary") == []
    assert world.stub.of("DocumentReference")[0]["content"][0]["attachment"]["data"] == "JVBERi0="
