"""What a plan's bundle says in R5: HL7's own elements for it, and nothing left in R4's.

Elements and types are those of HL7's R5 5.0.0 definitions; what became of R4's is on each resource's page,
"R4 conversion" (https://hl7.org/fhir/R5/careplan.html and its like).
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from fhircare.bundle import dump, load, to_bundle
from fhircare.bundle.request import PARAMETER, PUBLISHED
from fhircare.check import check
from fhircare.releases import Note, convert, hear, heard, say
from fhircare.releases.rules.requests import ORDER_PARAMETER, PUBLISHED_PARAMETER
from tests.conftest import RECORDS
from tests.plans import whole_plan

BUNDLE = to_bundle(whole_plan())
R5 = say(BUNDLE, "R5")
KEPT = "http://hl7.org/fhir/4.0/StructureDefinition/extension-"


def of(bundle: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind]


def pairs(r4: str, r5: str) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Resources of both bundles, entry by entry."""
    mine, theirs = of(BUNDLE, r4), of(R5, r5)
    assert mine
    assert len(mine) == len(theirs)
    return list(zip(mine, theirs, strict=True))


def test_entries_keep_their_place_and_name() -> None:
    """The same fullUrl in the same place; what R5 adds comes after."""
    before = [entry["fullUrl"] for entry in BUNDLE["entry"]]

    assert [entry["fullUrl"] for entry in R5["entry"]][: len(before)] == before


def test_the_plan_says_who_answers_for_it_and_what_is_planned() -> None:
    """author → custodian; activity.reference → plannedActivityReference; addresses → CodeableReference."""
    for mine, theirs in pairs("CarePlan", "CarePlan"):
        assert theirs["custodian"] == mine["author"]
        assert [a["plannedActivityReference"] for a in theirs["activity"]] == [
            a["reference"] for a in mine["activity"]
        ]
        assert [one["reference"] for one in theirs["addresses"]] == mine["addresses"]


def test_who_wears_a_device_is_an_association() -> None:
    """R5's Device has no patient: one DeviceAssociation for each, about the same person and device."""
    urls = {entry["fullUrl"]: entry["resource"] for entry in BUNDLE["entry"]}
    wearers = {one["device"]["reference"]: one["subject"] for one in of(R5, "DeviceAssociation")}

    assert wearers == {url: one["patient"] for url, one in urls.items() if one["resourceType"] == "Device"}
    assert not any("patient" in device for device in of(R5, "Device"))
    codes = {one["status"]["coding"][0]["code"] for one in of(R5, "DeviceAssociation")}
    assert codes <= {"attached", "unknown"}


def test_devices_have_a_name_a_list_of_types_and_one_value_a_property() -> None:
    """deviceName → name; type 0..1 → 0..*; property.valueQuantity, valueCode → one value[x]."""
    for mine, theirs in pairs("Device", "Device"):
        assert [one["value"] for one in theirs.get("name", ())] == [
            one["name"] for one in mine.get("deviceName", ())
        ]
        assert theirs.get("type") == ([mine["type"]] if "type" in mine else None)
        for before, after in zip(mine.get("property", ()), theirs.get("property", ()), strict=True):
            values = before.get("valueQuantity", []) + before.get("valueCode", [])
            assert [after.get("valueQuantity") or after.get("valueCodeableConcept")] == values


def test_the_use_of_the_prosthesis_is_a_device_usage() -> None:
    """subject → patient, device → CodeableReference, recordedOn → dateAsserted."""
    for mine, theirs in pairs("DeviceUseStatement", "DeviceUsage"):
        assert theirs["patient"] == mine["subject"]
        assert theirs["device"] == {"reference": mine["device"]}
        assert theirs.get("dateAsserted") == mine.get("recordedOn")
        assert theirs.get("informationSource") == mine.get("source")
        assert theirs["bodySite"] == {"concept": mine["bodySite"]}


def test_details_of_requests_stand_in_r5s_own_parameters() -> None:
    """orderDetail.parameter instead of an extension; reasons together; the instruction is markdown."""
    parameters = 0
    for mine, theirs in pairs("ServiceRequest", "ServiceRequest"):
        assert theirs["code"] == {"concept": mine["code"]}
        assert [one["reference"] for one in theirs.get("reason", ()) if "reference" in one] == mine.get(
            "reasonReference", []
        )
        said = mine.get("patientInstruction")
        assert theirs.get("patientInstruction") == ([{"instructionMarkdown": said}] if said else None)
        for before, after in zip(mine.get("orderDetail", ()), theirs.get("orderDetail", ()), strict=True):
            values = [one["extension"][1] for one in before.get("extension", ())]
            told = [
                {"url": "value"} | {k: v for k, v in p.items() if k != "code"} for p in after["parameter"]
            ]
            assert told == values or not values
            parameters += len(values)
    assert parameters > 50
    assert ORDER_PARAMETER not in dump(R5)


def test_the_addresses_of_the_parameters_are_those_the_bundle_writes() -> None:
    """The rooms do not import one another; they must agree."""
    assert (ORDER_PARAMETER, PUBLISHED_PARAMETER) == (PARAMETER, PUBLISHED)


def test_a_visit_keeps_its_note_and_who_must_be_there() -> None:
    """comment → note; required → yes or no; reasonCode → reason."""
    for mine, theirs in pairs("Appointment", "Appointment"):
        assert theirs["note"] == [{"text": mine["comment"]}]
        assert [one["required"] for one in theirs["participant"]] == [
            one["required"] == "required" for one in mine["participant"]
        ]
        assert [one["concept"] for one in theirs["reason"]] == mine["reasonCode"]


def test_contacts_and_hours_have_types_of_their_own() -> None:
    """The clinic's phones are ExtendedContactDetail, its hours Availability, its time zone with them."""
    for mine, theirs in pairs("Organization", "Organization"):
        phones = [one["value"] for contact in theirs.get("contact", ()) for one in contact.get("telecom", ())]
        mine_phones = [*mine.get("telecom", ())]
        mine_phones += [one for contact in mine.get("contact", ()) for one in contact.get("telecom", ())]
        assert phones == [one["value"] for one in mine_phones]
    for mine, theirs in pairs("HealthcareService", "HealthcareService"):
        assert theirs["availability"][0]["availableTime"] == mine["availableTime"]


def test_a_goal_says_whose_it_is() -> None:
    """expressedBy → source."""
    for mine, theirs in pairs("Goal", "Goal"):
        assert theirs.get("source") == mine.get("expressedBy")


def test_no_profile_of_r4_is_claimed_in_r5_and_each_is_claimed_again_at_home() -> None:
    """US Core describes R4: its claim is kept beside, and that is all of a plan that has to be kept."""
    claims = [url for entry in R5["entry"] for url in entry["resource"].get("meta", {}).get("profile", ())]
    done = convert(BUNDLE, "R5", "R4")

    assert [url for url in claims if not url.startswith("http://hl7.org/fhir/StructureDefinition/")] == []
    assert {note.element for note in done.notes} == {"Meta.profile"}
    assert done.lost == ()
    assert hear(R5, "R5") == BUNDLE


@pytest.mark.parametrize("record", sorted(RECORDS.glob("*.yaml")), ids=lambda path: path.stem)
def test_r5s_definitions_find_nothing(record: Any) -> None:
    """Every example's bundle in R5 conforms: structure, codes and invariants of HL7's 5.0.0."""
    path = RECORDS.parent / "bundles" / f"{record.stem}.json"
    said = say(load(path.read_text(encoding="utf-8")), "R5")
    report = check(dump(said), release="R5")

    assert [(one.expression, one.message) for one in report.issues if one.source == "spec"] == []


# ------------------------------------------------------------------------------------------------ notes


def test_what_r5_lacks_is_kept_by_name_and_comes_back() -> None:
    """Device.statusReason and specialization of R4; the extension's address is FHIR's own pattern."""
    device = {
        "resourceType": "Device",
        "status": "unknown",
        "statusReason": [{"text": "worn out"}, {"text": "replaced"}],
        "distinctIdentifier": "x",
    }
    done = convert(device, "R5", "R4")
    urls = Counter(one["url"].removeprefix(KEPT) for one in done.resource["extension"])

    assert urls == {"Device.status": 1, "Device.statusReason": 2, "Device.distinctIdentifier": 1}
    assert "status" not in done.resource
    assert {note.outcome for note in done.notes} == {"kept"}
    assert hear(done.resource, "R5") == device


def test_an_activity_described_in_the_plan_is_kept_whole() -> None:
    """R5 has no CarePlan.activity.detail: it stands element by element in an extension."""
    detail = {
        "status": "in-progress",
        "description": "walk",
        "dailyAmount": {"value": 3},
        "doNotPerform": False,
    }
    plan = {"resourceType": "CarePlan", "intent": "plan", "activity": [{"detail": detail}]}
    said = say(plan, "R5")

    kept = said["activity"][0]["extension"][0]
    assert kept["url"] == KEPT + "CarePlan.activity.detail"
    assert {one["url"] for one in kept["extension"]} == set(detail)
    assert hear(said, "R5") == plan


def test_what_changes_the_meaning_is_a_modifier() -> None:
    """R5's Task.doNotPerform has no place in R4: kept where a reader who does not know it must stop."""
    task = {"resourceType": "Task", "status": "ready", "intent": "plan", "doNotPerform": True}
    told = hear(task, "R5")

    assert told["modifierExtension"] == [
        {
            "url": "http://hl7.org/fhir/5.0/StructureDefinition/extension-Task.doNotPerform",
            "valueBoolean": True,
        }
    ]
    assert "extension" not in told
    assert say(told, "R5") == task


def test_a_type_that_the_other_release_lacks_stands_in_a_basic() -> None:
    """R5's DeviceAssociation by itself, R4's Media: FHIR's place for a resource of no type."""
    association = {
        "resourceType": "DeviceAssociation",
        "id": "a",
        "device": {"reference": "Device/1"},
        "status": {"coding": [{"code": "attached"}]},
    }
    told = convert(association, "R4", "R5")

    assert told.resource["resourceType"] == "Basic"
    assert [(note.outcome, note.element) for note in told.notes] == [("kept", "DeviceAssociation")]
    assert say(told.resource, "R5") == association


def test_what_was_kept_and_no_longer_fits_is_left_out_and_named() -> None:
    """Somebody changed the value in R5: theirs stands, and what R4 had said is not brought back over it."""
    participant = {"actor": {"reference": "Patient/1"}, "required": "information-only", "status": "accepted"}
    said = say({"resourceType": "Appointment", "status": "booked", "participant": [participant]}, "R5")
    assert said["participant"][0]["required"] is False
    said["participant"][0]["required"] = True
    told = convert(said, "R4", "R5")

    assert told.resource["participant"][0]["required"] == "required"
    assert "extension" not in told.resource["participant"][0]
    assert [note.outcome for note in told.lost] == ["stale"]
    assert told.lost[0].path == "Appointment.participant[0].required"


def test_what_r5_requires_and_r4_does_not_say_is_said_to_be_unknown() -> None:
    """A condition without a status, an answered form without its form, a request without an intent."""
    condition = {"resourceType": "Condition", "subject": {"reference": "Patient/1"}}
    answers = {"resourceType": "QuestionnaireResponse", "status": "completed"}
    request = {"resourceType": "CommunicationRequest", "status": "active"}

    assert say(condition, "R5")["clinicalStatus"]["coding"][0]["code"] == "unknown"
    assert "data-absent-reason" in str(say(answers, "R5")["_questionnaire"])
    assert say(request, "R5")["intent"] == "plan"
    for resource in (condition, answers, request):
        assert hear(say(resource, "R5"), "R5") == resource


def test_what_is_no_element_stays_and_is_named() -> None:
    """An element that the release does not define: left as it was, with its place and without its value."""
    done = convert({"resourceType": "Patient", "colour": "secret"}, "R5", "R4")

    assert done.resource["colour"] == "secret"
    assert done.lost == (Note("Patient.colour", "left", "is no element of R4"),)


@pytest.mark.parametrize(
    ("r4", "r5"),
    [
        ({"type": "choice", "answerOption": [{"valueCoding": {"code": "a"}}]}, {"type": "coding"}),
        (
            {"type": "open-choice", "answerOption": [{"valueCoding": {"code": "a"}}]},
            {"type": "coding", "answerConstraint": "optionsOrString"},
        ),
        (
            {"type": "choice", "answerOption": [{"valueString": "a"}]},
            {"type": "string", "answerConstraint": "optionsOnly"},
        ),
        ({"type": "string"}, {"type": "string"}),
    ],
)
def test_a_choice_is_the_type_of_its_options(r4: dict[str, Any], r5: dict[str, Any]) -> None:
    """R5's item types have no choice; open-choice is an answerConstraint (R5, Questionnaire.item.type)."""
    form = {"resourceType": "Questionnaire", "status": "draft", "item": [{"linkId": "1", **r4}]}
    item = say(form, "R5")["item"][0]

    assert {name: item[name] for name in ("type", "answerConstraint") if name in item} == r5
    assert hear(say(form, "R5"), "R5") == form


def test_the_size_of_an_attachment_is_text_in_r5() -> None:
    """integer64 is a JSON string (https://hl7.org/fhir/R5/json.html#primitive)."""
    paper = {
        "resourceType": "DocumentReference",
        "status": "current",
        "content": [{"attachment": {"contentType": "application/pdf", "size": 12}}],
    }

    assert say(paper, "R5")["content"][0]["attachment"]["size"] == "12"
    assert hear(say(paper, "R5"), "R5") == paper


# ------------------------------------------------------------------------------------------------ places


@pytest.mark.parametrize(
    ("resource", "here", "there"),
    [
        (
            {"resourceType": "CarePlan", "custodian": {"reference": "a"}},
            "author.reference",
            "custodian.reference",
        ),
        ({"resourceType": "CarePlan", "custodian": {"reference": "a"}}, "author", "custodian"),
        ({"resourceType": "CarePlan", "custodian": {"display": "a"}, "title": "t"}, "title", "title"),
        (
            {"resourceType": "Organization", "contact": [{"telecom": [{"value": "1"}]}]},
            "telecom[0].value",
            "contact[0].telecom[0].value",
        ),
        (
            {
                "resourceType": "Organization",
                "contact": [
                    {"telecom": [{"value": "1"}]},
                    {"purpose": {"text": "p"}, "telecom": [{"value": "1"}]},
                ],
            },
            "contact[0].telecom[0].value",
            "contact[1].telecom[0].value",
        ),
    ],
)
def test_a_place_is_named_as_the_file_has_it(resource: dict[str, Any], here: str, there: str) -> None:
    """FHIRPath of the heard resource → of the resource as it came."""
    found = heard(resource, "R5")
    kind = resource["resourceType"]

    assert found.place(f"{kind}.{here}") == f"{kind}.{there}"
    assert found.returned(found.bundle) == resource


def test_in_r4_every_place_is_its_own() -> None:
    """Nothing is turned, nothing is moved, and the bundle is the very same."""
    found = heard(BUNDLE)

    assert found.bundle is BUNDLE
    assert found.place("Bundle.entry[0].resource.name") == "Bundle.entry[0].resource.name"
    assert found.place("") == ""
