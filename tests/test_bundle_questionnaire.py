"""The log sheet as a Questionnaire, and answers from any form filler."""

from __future__ import annotations

import datetime as dt
import json
from decimal import Decimal

import pytest

from fhircare.bundle import to_bundle
from fhircare.bundle.logbook import log_of
from fhircare.bundle.questionnaire import read_response
from fhircare.check import check
from fhircare.cli import main
from fhircare.errors import LogError
from fhircare.log import LogEntry, LogSession
from tests.test_cli_follow import bundle  # noqa: F401 - a fixture
from tests.test_follow_decide import PLAN

LOG = "https://fhircare.github.io/fhir/CodeSystem/log"
SKIN = "https://fhircare.github.io/fhir/CodeSystem/skin-finding"
SIGN = "https://fhircare.github.io/fhir/CodeSystem/warning-sign"


def form():
    (found,) = (
        entry["resource"]
        for entry in to_bundle(PLAN, validate=False)["entry"]
        if entry["resource"]["resourceType"] == "Questionnaire"
    )
    return found


def links(items):
    for item in items:
        yield item["linkId"]
        yield from links(item.get("item", []))


def answered(link, **answer):
    return {"linkId": link, "answer": [answer]}


def response(*items, **more):
    """Return a response as R4's example of a QuestionnaireResponse is shaped: nested items with answers."""
    return {
        "resourceType": "QuestionnaireResponse",
        "questionnaire": "https://fhircare.github.io/fhir/Questionnaire/day-log",
        "status": "completed",
        "authored": "2026-11-17T20:00:00-06:00",
        "source": {"reference": "Patient/1"},
        "item": list(items),
        **more,
    }


WHOLE = response(
    answered("on", valueDate="2026-11-17"),
    {
        "linkId": "sessions",
        "item": [
            answered("sessions.minutes", valueInteger=30),
            answered("sessions.skin", valueCoding={"system": SKIN, "code": "redness"}),
            answered("sessions.faded_after", valueInteger=10),
        ],
    },
    {
        "linkId": "sessions",
        "item": [
            answered("sessions.minutes", valueInteger=20),
            answered("sessions.skin", valueCoding={"system": SKIN, "code": "clear"}),
        ],
    },
    answered("pain", valueInteger=2),
    answered("sweating", valueString="some"),
    answered("damage", valueBoolean=False),
    {
        "linkId": "signs",
        "answer": [
            {"valueCoding": {"system": SIGN, "code": "sweat"}},
            {"valueCoding": {"system": SIGN, "code": "mood-low"}},
        ],
    },
    answered("comment", valueString="warm day"),
)
ENTRY = LogEntry(
    on=dt.date(2026, 11, 17),
    written_at=dt.datetime(2026, 11, 17, 20, tzinfo=dt.timezone(dt.timedelta(hours=-6))),
    sessions=(
        LogSession(minutes=30, skin="redness", faded_after=10),
        LogSession(minutes=20, skin="clear"),
    ),
    pain=2,
    sweating="some",
    damage=False,
    signs=("sweat", "mood-low"),
    comment="warm day",
)


def test_the_form_asks_for_every_field_of_the_log():
    """Each field of a log entry and of its sessions is a linkId, once; the time and author come with it."""
    from dataclasses import fields

    wanted = {f.name for f in fields(LogEntry)} - {"written_at", "author"}
    wanted |= {f"sessions.{f.name}" for f in fields(LogSession)}
    found = list(links(form()["item"]))

    assert sorted(found) == sorted(wanted)


def test_the_form_passes_the_check():
    """The Questionnaire is valid R4 by itself."""
    assert [issue for issue in check(form()).issues if issue.severity == "error"] == []


def test_a_response_to_it_is_an_entry():
    """Answers by linkId become the entry that was meant, and the response itself is valid R4."""
    assert read_response(WHOLE) == ENTRY
    assert [issue for issue in check(WHOLE).issues if issue.severity == "error"] == []


def test_another_form_is_read_by_the_codes_of_its_items():
    """A form with linkIds of its own is read by the codes of its items, when it comes along (contained)."""
    other = {
        "resourceType": "Questionnaire",
        "id": "form",
        "status": "active",
        "item": [
            {"linkId": "1", "type": "date", "text": "Day", "code": [{"system": LOG, "code": "day-log"}]},
            {
                "linkId": "2",
                "type": "group",
                "text": "Wear",
                "code": [{"system": LOG, "code": "wear-session"}],
                "item": [
                    {"linkId": "2.1", "type": "quantity", "code": [{"system": LOG, "code": "wear-session"}]},
                    {"linkId": "2.2", "type": "choice", "code": [{"system": LOG, "code": "skin"}]},
                ],
            },
            {"linkId": "3", "type": "decimal", "code": [{"system": "http://loinc.org", "code": "72514-3"}]},
        ],
    }
    told = response(
        answered("1", valueDate="2026-11-17"),
        {
            "linkId": "2",
            "item": [
                answered("2.1", valueQuantity={"value": Decimal("0.5"), "code": "h"}),
                answered("2.2", valueCoding={"system": SKIN, "code": "clear"}),
            ],
        },
        answered("3", valueDecimal=Decimal("2.0")),
        answered("9", valueString="an item that nobody asked for"),
        contained=[other],
        questionnaire="#form",
    )

    entry = read_response(told)

    assert (entry.minutes, entry.sessions[0].skin, entry.pain) == (30, "clear", 2)


@pytest.mark.parametrize(
    ("source", "author"),
    [
        ({"reference": "Patient/1"}, "patient"),
        ({"reference": "https://x.example/fhir/RelatedPerson/7"}, "caregiver"),
        ({"type": "Practitioner", "display": "R. Okafor"}, "clinic"),
    ],
)
def test_the_source_is_the_author(source, author):
    """Who answered is told by the type of the source."""
    assert read_response({**WHOLE, "source": source}).author == author


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"status": "in-progress"}, "not completed"),
        ({"authored": None}, "written_at"),
        ({"item": []}, "on"),
        ({"item": [answered("on", valueDate="2026-11-17"), answered("pain", valueInteger=12)]}, "pain"),
        ({"item": "x"}, "on"),
    ],
)
def test_a_response_that_cannot_be_used_is_refused(change, says):
    """A form that is not finished, has no time or no day, or an impossible answer, is refused by name."""
    with pytest.raises(LogError, match=says):
        read_response({**WHOLE, **change})


def test_the_command_takes_a_response(bundle, tmp_path):  # noqa: F811
    """`fhircare log --from` reads a QuestionnaireResponse like any other log."""
    from fhircare.bundle import load

    path = tmp_path / "response.json"
    path.write_text(json.dumps(WHOLE), encoding="utf-8")

    assert main(["log", str(bundle), "--from", str(path)]) == 0
    assert log_of(load(bundle.read_text(encoding="utf-8"))) == (ENTRY,)
