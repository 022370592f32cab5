"""Sending: once or many times, the server has each resource once, as it was sent."""

from __future__ import annotations

import copy

import pytest

from fhircare.bundle import to_bundle
from fhircare.errors import BundleError, Conflict, ServerRefused
from fhircare.exchange import wire
from fhircare.exchange.memory import ShortMemory
from fhircare.exchange.sender import Options, dry_run, send
from fhircare.exchange.sending import Limits
from tests.exchange_kit import CLINIC, HTEST, resource, small_plan
from tests.plans import whole_plan


def test_a_plan_arrives_and_is_read_back(world):
    """Every entry is created once and reads back as it was sent."""
    report = send(world.server(), small_plan())

    assert report.counts == {"created": 12}
    assert report.verified
    assert max(world.stub.counts().values()) == 1


def test_sending_again_writes_nothing(world):
    """The same plan again: no request that could change anything, with a memory and without."""
    memory = ShortMemory()
    send(world.server(), small_plan(), memory=memory)
    world.stub.seen.clear()

    again = send(world.server(), small_plan(), memory=memory)
    without_memory = send(world.server(), small_plan())

    assert world.stub.writes() == []
    assert again.counts == without_memory.counts == {"kept": 5, "unchanged": 7}


def test_the_whole_plan_arrives(world):
    """A plan with every field set goes the same way, in transactions no larger than allowed."""
    bundle = wire.loads(wire.dumps(to_bundle(whole_plan())))

    assert send(world.server(), bundle).verified
    assert set(send(world.server(), bundle).counts) == {"kept", "unchanged"}


def test_smaller_limits_are_kept(world):
    """Limits come from the destination: three at a time is three at a time."""
    send(world.server(), small_plan(), options=Options(limits=Limits(3, 2)))

    assert max(len(body["entry"]) for _, _, body in world.stub.writes()) == 3
    assert len(world.stub.held) == 12


def test_what_the_server_alters_is_told_and_not_sent_for_ever(world):
    """A server that drops an element: reported by its path, once; the next sending writes nothing."""
    put = world.stub.put
    world.stub.put = lambda body, number="": put({k: v for k, v in body.items() if k != "title"}, number)
    memory = ShortMemory()

    report = send(world.server(), small_plan(), memory=memory)
    world.stub.seen.clear()
    send(world.server(), small_plan(), memory=memory)

    assert not report.verified
    assert [e.note for e in report.entries if e.note] == ["stored otherwise than sent: CarePlan.title"]
    assert world.stub.writes() == []


def test_a_revision_replaces_the_plan(world):
    """A revised plan: the new one is there, the old one revoked, past phases completed, future ones
    revoked.
    """
    memory = ShortMemory()
    send(world.server(), small_plan(), memory=memory)

    report = send(world.server(), small_plan(2, weeks="2026-12-20"), memory=memory)

    state = {r["identifier"][0]["value"]: r["status"] for r in world.stub.of("CarePlan")}
    assert state == {"P/r1": "revoked", "P/r2": "active"}
    phases = {r["identifier"][0]["value"]: r["status"] for r in world.stub.of("ServiceRequest")}
    assert phases["P/wear/1/r1"] == phases["P/wear/2/r1"] == "completed"
    assert phases["P/wear/1/r2"] == "active"
    assert report.counts == {"kept": 5, "unchanged": 2, "updated": 1, "created": 4, "withdrawn": 3}
    assert set(send(world.server(), small_plan(2, weeks="2026-12-20"), memory=memory).counts) == {
        "kept",
        "unchanged",
    }


def test_the_new_plan_and_the_end_of_the_old_are_one_transaction(world):
    """Nobody ever has two plans in force: both changes are in one transaction, tied to versions."""
    send(world.server(), small_plan())
    world.stub.seen.clear()
    send(world.server(), small_plan(2))

    last = world.stub.writes()[-1][2]["entry"]
    changes = [
        (e["request"]["method"], e["resource"]["resourceType"], e["resource"].get("status")) for e in last
    ]
    assert ("POST", "CarePlan", "active") in changes
    assert ("PUT", "CarePlan", "revoked") in changes
    assert all(e["request"].get("ifMatch") for e in last if e["request"]["method"] == "PUT")


def test_an_old_revision_does_not_come_after_a_new_one(world):
    """Sending revision 1 after revision 2 is refused, and changes nothing."""
    send(world.server(), small_plan(2))
    held = copy.deepcopy(world.stub.held)

    with pytest.raises(ServerRefused, match="later revision"):
        send(world.server(), small_plan(1))
    assert world.stub.held == held


def test_people_are_never_changed(world):
    """A patient the server knows stays as the server has them, however ours differs."""
    known = {"resourceType": "Patient", "identifier": [{"system": f"{CLINIC}/patients", "value": "70412"}]}
    world.stub.put(known | {"name": [{"family": "Lindquist-Holm"}]})

    report = send(world.server(), small_plan())

    assert world.stub.of("Patient")[0]["name"] == [{"family": "Lindquist-Holm"}]
    assert [e.outcome for e in report.entries if e.kind == "Patient"] == ["kept"]


def test_somebody_known_by_another_number_is_not_made_twice(world):
    """A clinic that is there under the second of its numbers is that clinic; the plan points to it."""
    bundle = small_plan()
    send(world.server(), bundle)
    number = {"system": "http://hl7.org/fhir/sid/us-npi", "value": "1234567893"}
    resource(bundle, "Organization")["identifier"].insert(0, number)

    assert send(world.server(), bundle).verified
    assert len(world.stub.of("Organization")) == 1


def test_what_others_changed_is_kept(world):
    """The clinic books a visit on the server; sending the same plan again leaves the booking alone, and
    says so.
    """
    memory = ShortMemory()
    send(world.server(), small_plan(), memory=memory)
    goal = world.stub.of("Goal")[0]
    world.stub.put(goal | {"achievementStatus": {"text": "achieved"}}, goal["id"])

    report = send(world.server(), small_plan(), memory=memory)

    assert world.stub.of("Goal")[0]["achievementStatus"] == {"text": "achieved"}
    assert [e.note for e in report.entries if e.kind == "Goal"] == [
        "changed there since it was last sent; left as it is there"
    ]


def test_both_changed_is_a_conflict(world):
    """Changed there and here: named by its place on the server, nothing overwritten; then settled on
    request.
    """
    memory = ShortMemory()
    send(world.server(), small_plan(), memory=memory)
    goal = world.stub.of("Goal")[0]
    world.stub.put(goal | {"achievementStatus": {"text": "achieved"}}, goal["id"])
    ours = small_plan(weeks="2026-12-24")

    with pytest.raises(Conflict, match=rf"Goal/{goal['id']}\. Nothing was overwritten"):
        send(world.server(), ours, memory=memory)
    assert world.stub.of("Goal")[0]["achievementStatus"] == {"text": "achieved"}

    send(world.server(), ours, memory=memory, options=Options(overwrite=True))
    assert world.stub.of("Goal")[0]["target"][0]["dueDate"] == "2026-12-24"


def test_a_foreign_goal_is_brought_and_kept_up_to_date(world):
    """A therapist's goal goes to the physician's server; a later version of it follows, because we brought
    it.
    """
    memory, bundle = ShortMemory(), small_plan()
    theirs = resource(bundle, "Goal")
    theirs["identifier"] = [{"system": "https://therapy.example/goals", "value": "7"}]
    send(world.server(), bundle, memory=memory)
    theirs["lifecycleStatus"] = "completed"

    send(world.server(), bundle, memory=memory)

    assert world.stub.of("Goal")[0]["lifecycleStatus"] == "completed"


def test_a_foreign_goal_that_was_there_is_never_changed(world):
    """On the therapist's own server their goal stays theirs."""
    number = [{"system": "https://therapy.example/goals", "value": "7"}]
    patient = world.stub.put(resource(small_plan(), "Patient"))
    there = world.stub.put(
        {
            "resourceType": "Goal",
            "identifier": number,
            "lifecycleStatus": "active",
            "subject": {"reference": f"Patient/{patient['id']}"},
        }
    )
    bundle = small_plan()
    resource(bundle, "Goal")["identifier"] = number

    send(world.server(), bundle)

    assert world.stub.held[f"Goal/{there['id']}"]["meta"]["versionId"] == "1"


def test_profile_claims_a_server_does_not_know_are_left_out(world):
    """A claim of a profile goes only to a server that lists it: others refuse what they cannot look up."""
    profile = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-goal"
    bundle = small_plan()
    resource(bundle, "Goal")["meta"] = HTEST | {"profile": [profile]}
    send(world.server(), bundle)
    assert "profile" not in world.stub.of("Goal")[0]["meta"]

    world.stub.profiles = {"Goal": [f"{profile}|9.0.0"]}
    send(world.server(), bundle)
    assert world.stub.of("Goal")[0]["meta"]["profile"] == [profile]


def test_another_patients_resource_with_our_number_stops(world):
    """A resource of ours that is filed under another patient is not overwritten: a person has to look."""
    send(world.server(), small_plan())
    other = world.stub.put(
        {"resourceType": "Patient", "identifier": [{"system": f"{CLINIC}/patients", "value": "1"}]}
    )
    goal = world.stub.of("Goal")[0]
    world.stub.put(goal | {"subject": {"reference": f"Patient/{other['id']}"}}, goal["id"])

    with pytest.raises(ServerRefused, match="of another patient"):
        send(world.server(), small_plan())


def test_a_dry_run_shows_what_would_go_out(world):
    """A dry run writes nothing; its first request is byte for byte the first that sending makes."""
    shown = dry_run(world.server(), small_plan())
    assert world.stub.writes() == []

    send(world.server(), small_plan())

    sent = [body for _, _, body in world.stub.writes()]
    assert wire.loads(shown.requests[0].body) == wire.loads(wire.dumps(sent[0]))
    assert [len(wire.loads(r.body)["entry"]) for r in shown.requests] == [len(body["entry"]) for body in sent]
    assert "POST https://fhir.example/r4" in shown.as_text()


def test_nothing_to_do_is_said(world):
    """A dry run of what is there already says that nothing would be sent."""
    send(world.server(), small_plan())

    assert dry_run(world.server(), small_plan()).as_text() == "nothing to send: the server has it all"


def test_the_report_says_what_was_done_and_of_the_rest_how_many(world):
    """As text: counts in words, a line for each resource that was touched, none for those left alone."""
    first = send(world.server(), small_plan(), destination="hospital").as_text().splitlines()
    again = send(world.server(), small_plan(), destination="hospital").as_text()

    assert first[0] == "hospital: 12 created; read back, as sent"
    assert first[1:4] == [
        "  created   Organization/r1",
        "  created   Patient/r2",
        "  created   Practitioner/r3",
    ]
    assert len(first) == 13
    assert again == "hospital: 7 unchanged, 5 kept as it is there; read back, as sent"


def test_a_patient_without_a_number_is_not_sent(world):
    """Nobody could find them again, and sent twice there would be two of them: refused, nothing sent."""
    for numbers in ([], [{"value": "70412"}], [{"_value": {"extension": []}}]):
        bundle = small_plan()
        resource(bundle, "Patient")["identifier"] = numbers

        with pytest.raises(BundleError, match=r"Bundle\.entry\[1\]\.resource\.identifier: is missing"):
            send(world.server(), bundle)
    assert world.stub.writes() == []


def test_somebody_without_a_number_is_made_once(world):
    """A practitioner without number is known again by what we remember, and not made twice."""
    bundle, memory = small_plan(), ShortMemory()
    del resource(bundle, "Practitioner")["identifier"]

    assert send(world.server(), bundle, memory=memory).verified
    assert set(send(world.server(), bundle, memory=memory).counts) == {"kept", "unchanged"}
    assert len(world.stub.of("Practitioner")) == 1
