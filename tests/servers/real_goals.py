"""Against real servers: a physical therapist's goals are taken into the plan and given back as they were."""

from __future__ import annotations

import uuid

from fhircare.bundle import read
from fhircare.exchange import give_goals, goals_at, send, take_goals
from fhircare.releases import hear
from tests.courses import course
from tests.servers.asked import number_of, plan_of

STEPS = {"value": 12, "unit": "{steps}", "code": "{steps}", "system": "http://unitsofmeasure.org"}
ONLY_R5 = ("continuous", "outcome")
"""Elements of R5's Goal that R4's has not, or has otherwise (HL7, FHIR R5, Goal, "R4 Diff")."""


def goal_of(release, patient, therapist):
    """A goal as a therapist's system of that release writes it, with what only that release can say."""
    goal = {
        "resourceType": "Goal",
        "lifecycleStatus": "active",
        "description": {"text": "Climb a flight of stairs"},
        "identifier": [{"system": "https://riverbank-therapy.example/goals", "value": uuid.uuid4().hex}],
        "subject": {"reference": patient},
        "startDate": "2026-11-20",
        "statusDate": "2026-11-24",
        "achievementStatus": {
            "coding": [
                {"system": "http://terminology.hl7.org/CodeSystem/goal-achievement", "code": "improving"}
            ]
        },
        "statusReason": "Agreed with the patient",
        "note": [{"text": "Handrail on the left"}],
        "extension": [{"url": "https://riverbank-therapy.example/ext", "valueString": "kept"}],
        "target": [
            {"measure": {"text": "Stairs"}, "detailQuantity": STEPS, "dueDate": "2027-02-01"},
            {"measure": {"text": "Handrail needed"}, "detailBoolean": False, "dueDate": "2027-02-01"},
        ],
    }
    if release == "R4":
        return goal | {"expressedBy": {"reference": therapist}}
    return goal | {
        "source": {"reference": therapist},
        "continuous": False,
        "outcome": [{"concept": {"text": "Six steps on 2026-11-24"}}],
    }


def test_goals_taken_and_given(there, server):
    """A therapist's goal on the server joins the revised plan, read as it was written; given back, theirs is
    untouched and ours stands beside it; sent with the plan it is still theirs.
    """
    bundle = course(plan_of("anna-first-locking"))["revised"]
    send(server, bundle)
    patient = server.find("Patient", *number_of(bundle))
    who = there.create({"resourceType": "Practitioner", "name": [{"family": "Moreau", "given": ["Inès"]}]})
    theirs = there.create(goal_of(there.release, f"Patient/{patient['id']}", f"Practitioner/{who['id']}"))

    taken = take_goals(bundle, goals_at(server, bundle), source=there.base)
    report = send(server, give_goals(taken.bundle))

    assert "new" in [change.outcome for change in taken.changes]
    assert taken.settled
    came = next(
        e["resource"]
        for e in taken.bundle["entry"]
        if e["resource"].get("identifier", [{}])[0].get("value") == theirs["identifier"][0]["value"]
    )
    assert came["target"] == hear(theirs, there.release)["target"]
    assert came["achievementStatus"] == theirs["achievementStatus"]
    assert "Climb a flight of stairs" in [goal.text for goal in read(taken.bundle).plan.goals]
    row = next(e for e in report.entries if e.reference == f"Goal/{theirs['id']}")
    assert row.outcome == "kept"
    assert send(server, taken.bundle).verified
    assert there.get(f"Goal/{theirs['id']}") == theirs
    if there.release == "R5":
        said = there.said(came)
        assert [said[name] for name in ONLY_R5] == [theirs[name] for name in ONLY_R5]
