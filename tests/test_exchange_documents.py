"""Followed plans as documents: each replaces the one before it, and leads with the plan in force."""

from __future__ import annotations

import base64
import copy
import json

import pytest

from fhircare.bundle.document import as_document
from fhircare.errors import ServerRefused
from fhircare.exchange import Options, send
from tests.courses import STEPS, standing
from tests.exchange_kit import resource


@pytest.fixture
def reader(world, course):
    """A server that takes documents only, and knows the patient."""
    world.stub.kinds = {kind: ["read", "search-type"] for kind in world.stub.kinds}
    world.stub.kinds["DocumentReference"].append("create")
    world.stub.system = []
    patient = resource(course["made"], "Patient")
    world.stub.put({"resourceType": "Patient", "identifier": patient["identifier"]})
    return world


def test_a_course_as_documents(reader, course):
    """Each step is a document that replaces the one before it; drafts are preliminary; again: nothing."""
    for bundle in course.values():
        assert send(reader.server(), bundle, options=Options(document=as_document)).counts == {"created": 1}
        again = send(reader.server(), bundle, options=Options(document=as_document))
        assert again.counts == {"unchanged": 1}

    filed = reader.stub.of("DocumentReference")
    numbers = [row["identifier"][0]["value"].split("/")[1] for row in filed]
    replaced = [[r["target"]["reference"] for r in row.get("relatesTo", [])] for row in filed]
    assert numbers == ["r1", "r1", "r1", "r2", "r3", "r4", "r4"]
    assert replaced == [[], *([f"DocumentReference/{row['id']}"] for row in filed[:-1])]
    assert [row["docStatus"] for row in filed] == [
        "preliminary" if step in ("made", "proposed") else "final" for step in STEPS
    ]
    assert {row["description"] for row in filed} == {"HC-2026-0311"}


@pytest.mark.parametrize("step", STEPS)
def test_a_document_leads_with_the_plan_in_force(reader, course, step):
    """Composition and DocumentReference are of the revision in force; the older ones are in it as history."""
    send(reader.server(), course[step], options=Options(document=as_document))

    (row,) = reader.stub.of("DocumentReference")
    inside = json.loads(base64.b64decode(row["content"][0]["attachment"]["data"]))
    named = {e["fullUrl"]: e["resource"] for e in inside["entry"]}
    first = named[inside["entry"][0]["resource"]["section"][0]["entry"][0]["reference"]]
    revision, status = standing(course[step])[-1]
    assert (first["resourceType"], first["status"]) == ("CarePlan", status)
    assert first["identifier"][0]["value"].endswith(f"/{revision}")
    assert f"/{revision}/document/" in row["identifier"][0]["value"]
    assert standing(inside) == standing(course[step])


def test_an_earlier_document_does_not_come_after_a_later_one(reader, course):
    """A document of an earlier revision is refused once a later one is filed."""
    send(reader.server(), course["stopped"], options=Options(document=as_document))

    with pytest.raises(ServerRefused, match="later revision"):
        send(reader.server(), course["revised"], options=Options(document=as_document))
    assert len(reader.stub.of("DocumentReference")) == 1


def test_back_to_what_it_was(reader, course):
    """The same content once more, after other content: filed again, because the last one filed counts."""
    options = Options(document=as_document)
    other = copy.deepcopy(course["approved"])
    resource(other, "CarePlan")["title"] = "Another title"
    for bundle in (course["approved"], other, course["approved"]):
        send(reader.server(), bundle, options=options)

    filed = reader.stub.of("DocumentReference")
    assert len(filed) == 3
    assert len({row["identifier"][0]["value"] for row in filed}) == 3
    assert send(reader.server(), course["approved"], options=options).counts == {"unchanged": 1}
