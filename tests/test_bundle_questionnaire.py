"""The log sheet as a Questionnaire, and answers from any form filler."""

from __future__ import annotations

import datetime as dt
import json
from decimal import Decimal
from pathlib import Path

import pytest

from fhircare.bundle import to_bundle
from fhircare.bundle.logbook import log_of
from fhircare.bundle.questionnaire import read_response
from fhircare.bundle.responses import read_responses
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

    wanted = {f.name for f in fields(LogEntry)} - {"written_at", "author", "by"}
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


def other_form():
    """A form of somebody else's: its linkIds are its own, its codes ours."""
    items = [
        {"linkId": "q1", "type": "date", "code": [{"system": LOG, "code": "day-log"}]},
        {"linkId": "q2", "type": "quantity", "code": [{"system": LOG, "code": "wear-session"}]},
        {"linkId": "q3", "type": "integer", "code": [{"system": "http://loinc.org", "code": "72514-3"}]},
    ]
    return {
        "resourceType": "Questionnaire",
        "url": "https://forms.example/day",
        "status": "active",
        "item": items,
    }


def other_answer(day, pain, **more):
    items = [
        {
            "linkId": "group",
            "item": [
                answered("q1", valueDate=f"2026-11-{day}"),
                answered("q2", valueQuantity={"value": Decimal("0.5"), "unit": "h", "code": "h"}),
                answered("q3", valueInteger=pain),
            ],
        }
    ]
    return {
        "resourceType": "QuestionnaireResponse", "status": "completed", "item": items,
        "questionnaire": "https://forms.example/day|3", "authored": f"2026-11-{day}T20:00:00-06:00", **more,
    }  # fmt: skip


def test_several_responses_with_their_form_come_in_one_bundle():
    """A searchset of responses and the form they answer, in any order, gives an entry each, oldest first."""
    resources = [other_answer(19, 2), other_form(), {"resourceType": "Patient"}, other_answer(18, 1), WHOLE]
    whole = {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": one} for one in resources]}

    entries = read_responses([whole])

    assert [(one.on.day, one.pain, one.minutes) for one in entries if one != ENTRY] == [
        (18, 1, 30),
        (19, 2, 30),
    ]
    assert ENTRY in entries


def test_one_bad_response_among_good_ones_stores_none():
    """The place of the response is named, and nothing is taken."""
    broken = other_answer(18, 11)
    whole = {
        "resourceType": "Bundle",
        "entry": [{"resource": one} for one in (other_form(), other_answer(19, 2), broken)],
    }

    with pytest.raises(LogError, match=r"Bundle\.entry\[2\]\.resource\.pain"):
        read_responses([whole])
    with pytest.raises(LogError, match="resource 2: status"):
        read_responses([WHOLE, {**WHOLE, "status": "in-progress"}])
    with pytest.raises(LogError, match="holds no QuestionnaireResponse"):
        read_responses([other_form()])


def example():
    """HL7's own R4 example of a QuestionnaireResponse ("bluebook"): nested groups, items below answers."""
    path = Path(__file__).parent / "data/hl7/examples/r4/questionnaireresponse-example-bluebook.json"
    return json.loads(path.read_text(encoding="utf-8"))


def test_the_standards_own_example_is_no_log_and_is_refused():
    """Answers about something else are not taken for a day of a log."""
    with pytest.raises(LogError, match="on"):
        read_responses([example()])


def test_a_log_shaped_as_the_standards_example_is_read():
    """The example's tree with the log's questions in it: groups in groups, items below an answer."""
    shaped = example()
    birth = shaped["item"][0]
    links = iter(["on", "pain", "falls", "ply_morning", "sweating"])
    values = iter(
        [{"valueDate": "2026-11-18"}, {"valueDecimal": Decimal(2)}, {"valueInteger": 1}, {"valueInteger": 3},
         {"valueCoding": {"code": "some"}}]
    )  # fmt: skip

    def refill(items):
        for item in items:
            for answer in item.get("answer", []):
                link = next(links, None)
                if link:
                    item["linkId"] = link
                    below = answer.get("item")
                    answer.clear()
                    answer.update(next(values), **({"item": below} if below else {}))
                refill(answer.get("item", []))
            refill(item.get("item", []))

    refill([birth])
    shaped["authored"] = "2026-11-18T20:00:00+10:00"

    (entry,) = read_responses([shaped])

    assert (entry.on.isoformat(), entry.pain, entry.falls, entry.ply_morning, entry.sweating) == (
        "2026-11-18", 2, 1, 3, "some",
    )  # fmt: skip


def test_the_command_takes_one_response_a_line(bundle, tmp_path):  # noqa: F811
    """NDJSON, as a bulk export writes it."""
    from fhircare.bundle import load

    second = {
        **WHOLE,
        "authored": "2026-11-19T20:00:00-06:00",
        "item": [answered("on", valueDate="2026-11-19")],
    }
    path = tmp_path / "responses.ndjson"
    path.write_text("".join(json.dumps(one) + "\n" for one in (WHOLE, second)), encoding="utf-8")

    assert main(["log", str(bundle), "--from", str(path)]) == 0
    assert [one.on.day for one in log_of(load(bundle.read_text(encoding="utf-8")))] == [ENTRY.on.day, 19]


def test_the_command_takes_a_response(bundle, tmp_path):  # noqa: F811
    """`fhircare log --from` reads a QuestionnaireResponse like any other log."""
    from fhircare.bundle import load

    path = tmp_path / "response.json"
    path.write_text(json.dumps(WHOLE), encoding="utf-8")

    assert main(["log", str(bundle), "--from", str(path)]) == 0
    assert log_of(load(bundle.read_text(encoding="utf-8"))) == (ENTRY,)
