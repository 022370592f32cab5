"""Plans that other systems wrote: what the reader sees of them, and what the page names as unread."""

from __future__ import annotations

import json
from decimal import Decimal
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from fhircare.bundle import Reading, read
from fhircare.check import check
from fhircare.errors import TemplateError
from fhircare.render import READERS, calendar, render
from fhircare.render.templates import text_of

FOLDER = Path(__file__).parent / "data" / "foreign"
OURS = sorted(path.stem for path in FOLDER.glob("*.json"))
HL7 = sorted(path.stem for path in (FOLDER / "hl7").glob("*.json"))


def _document(name: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text("utf-8"), parse_float=Decimal)
    if document["resourceType"] in {"Bundle", "CarePlan"}:
        return document
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": document}]}


def _reading(name: str) -> Reading:
    return read(_document(name))


def _text(name: str, reader: str = "patient", **more: Any) -> str:
    """The plain-text page, its lines joined: what a person reads."""
    page = render(_reading(name), "txt", reader, **more)  # type: ignore[arg-type]
    assert isinstance(page, str)
    return " ".join(page.split())


def _part(name: str, heading: str, reader: str = "patient") -> str:
    """One part of the plain-text page."""
    _, _, rest = _text(name, reader).partition(f"== {heading} ==")
    return rest.partition("==")[0].strip()


# ------------------------------------------------------------------ what every page has

STOP = "You wear an artificial leg and see a blister, open skin, a dark spot, pus, or redness that stays."


@pytest.mark.parametrize("name", [*OURS, *(f"hl7/{name}" for name in HL7)])
def test_every_reader_gets_a_page_with_cautions_stop_rules_and_whom_to_call(name: str) -> None:
    """Whatever the bundle: four readers, both forms, the duties of every page, and no crash."""
    reading = _reading(name)
    assert reading.guest is not None
    about = reading.guest.about
    planned = reading.guest.unusable or (about is not None and about.kind == "CarePlan")
    for reader in READERS:
        pages = render(reading, "html", reader), render(reading, "txt", reader)  # type: ignore[arg-type]
        for page in (text_of(str(pages[0])), " ".join(str(pages[1]).split())):
            for said in (
                f"Another system wrote this {'plan' if planned else 'file'}.",
                f"This {'plan' if planned else 'page'} is not a prescription.",
                "Stop if something hurts or you feel worse. Then call your clinic.",
                STOP,
                "Call the emergency number (911 in the United States)",
                "You cough up blood, or you faint.",
                "What this page could not read",
            ):
                assert said in page
            assert "The file gives no phone number. Ask your clinic for it" in page or "+1 555" in page


@pytest.mark.parametrize("name", ["inline-details", "summary-document"])
def test_the_pdf_is_made_of_the_same_page(name: str) -> None:
    """A plan and a document as PDF: the text read back holds the duties of every page."""
    made = render(_reading(name), "pdf")
    assert isinstance(made, bytes)
    text = " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(made)).pages).split())

    for said in ("Another system wrote this", "You cough up blood, or you faint.", "+1 555 555 01"):
        assert said in text


@pytest.mark.parametrize("name", [*OURS, *(f"hl7/{name}" for name in HL7)])
def test_a_calendar_is_made_or_refused_in_words(name: str) -> None:
    """Visits with a start and a length are placed; where there is none, the error says what is missing."""
    reading = _reading(name)
    if name in {"several-plans", "hl7/Appointment-2docs", "hl7/Appointment-example"}:
        assert calendar(reading).count(b"BEGIN:VEVENT") == 1
    else:
        with pytest.raises(TemplateError, match="no visit with a start and a length"):
            calendar(reading)


def test_a_visit_stands_in_the_calendar_at_its_own_moment() -> None:
    """15:00 at UTC-06:00 is 21:00 UTC; the event says whom to ask, and never invites."""
    made = calendar(_reading("several-plans")).decode().replace("\r\n ", "")

    assert "DTSTART:20261202T210000Z" in made
    assert "DTEND:20261202T214500Z" in made
    assert "STATUS:CONFIRMED" in made
    assert "Ask your clinic for it" in made
    assert "METHOD" not in made
    assert "20261203" not in made, "another person's visit"
    assert calendar(_reading("several-plans")).decode().replace("\r\n ", "") == made


@pytest.mark.parametrize("name", OURS)
def test_the_check_judges_a_foreign_bundle_by_the_standard(name: str) -> None:
    """Our hand-written bundles are valid R4, but for two faults that are meant: tim-9, and a language tag."""
    faults = {"inline-details": ["tim-9"], "unknown-languages": ["binding.max"]}
    issues = check((FOLDER / f"{name}.json").read_bytes()).issues

    assert [one.rule for one in issues if one.severity in {"error", "fatal"}] == faults.get(name, [])


# ------------------------------------------------------------------ what is known is told


def test_a_plan_that_is_its_narrative_is_told_in_the_senders_words() -> None:
    """US Core's least: the narrative's headings, list and table come through as lines."""
    told = _part("narrative-only", "What the other system wrote")

    for line in ("Wear the leg two hours on the first day.", "Fit check; December 3, 2026", "Assessment"):
        assert line in told
    assert "What to do" not in _text("narrative-only"), "nothing was made a task that is only prose"


@pytest.mark.parametrize(
    "said",
    [
        "Bridge on the back; State: planned; When: 2 times a day, in the morning and in the evening, for 15",
        "Monday, November 30, 2026 to Sunday, December 6, 2026; Where: At home; Who: Tom J. Brook",
        "Walk in the hall; State: planned; When: on Monday, Wednesday, and Friday, at 10:00 AM, for 30",
        "Stretch the hip; State: planned; When: 3 times a week",
        "Ice pack; State: planned; When: as your clinic told you (this page cannot show it)",
        "Weigh yourself; State: planned; When: on the first of each month",
        "How much a day: 400 mL",
    ],
)
def test_activities_told_in_place_keep_their_own_schedule(said: str) -> None:
    """activity.detail with the timings of R4: days, moments and clock times as told; none is made up."""
    assert said in _part("inline-details", "What to do").replace("\xa0", " ")


def test_do_not_stands_apart_and_what_is_over_or_wrong_is_no_task() -> None:
    """doNotPerform has a part of its own; completed and entered-in-error activities are only named."""
    told = _part("inline-details", "What not to do")
    assert told.startswith("The plan says not to do this: - Kneel on the socket")
    assert "Kneel" not in _part("inline-details", "What to do")
    for gone in ("First session", "Climb the tower"):
        assert gone not in _text("inline-details", "clinic")


def test_a_safety_flag_stands_among_the_reasons_to_stop() -> None:
    """A Flag of category safety comes before the rules that hold for everybody."""
    rules = _part("inline-details", "When to stop and whom to call")

    assert rules.index("Open wound on the shin: no weight on that leg") < rules.index(
        "Something you do for this"
    )


def test_whom_to_call_is_who_the_plan_points_to() -> None:
    """Author and clinic with a phone of today; a fax and an old number are no numbers to call."""
    told = _part("inline-details", "Whom to call")

    assert "Dr. Ines Falk: +1 555 555 0163" in told
    assert "Birch Road Rehabilitation: +1 555 555 0161" in told
    assert "0162" not in told
    assert "0199" not in told


def test_goals_keep_comparator_and_range_and_a_target_in_an_unknown_form_is_named() -> None:
    """At least 8 h, 68 to 71 kg, in pounds too where no country is named; the ratio is named, not shown.

    A goal turned down is none.
    """
    told = _part("contained-goals", "Goals").replace("\xa0", " ")

    assert "Hours of wear in a day; Value: at least 8 hours; By: Thursday, December 31, 2026" in told
    assert "Body weight; Value: 68 kg (150 pounds) to 71 kg (157 pounds)" in told
    assert "Dance at the wedding" in told
    assert "Waist" not in told
    assert "Run a race" not in _text("contained-goals")
    assert "Goal, in part. Not shown: target" in _text("contained-goals")


def test_of_several_plans_one_is_told_and_no_other_persons_matter() -> None:
    """The current plan of its person: the others, and what is another's, are named by their kind alone."""
    page = _text("several-plans", "clinic")

    assert "Walk with two sticks" in page
    assert "Gait training; State: booked" in page
    for foreign in ("Hop on one leg", "Swim a mile", "His own visit", "Quist", "Last year", "Another's plan"):
        assert foreign not in page
    assert "Care plan, 2 of them: nothing of them is shown" in page


@pytest.mark.parametrize(
    ("task", "when"),
    [
        (
            "Wear the prosthesis",
            "every day, in the morning, for 1 hour 30 minutes, Monday, November 30, 2026 to",
        ),
        ("Wash the liner", "When: every day"),
        ("Step on the scale", "once a week, on Sunday, 4 times in all"),
        ("Call in", "Tuesday, December 1, 2026 and Tuesday, December 8, 2026"),
        ("X-ray of the knee", "Friday, December 4, 2026, 9:30 AM (UTC-06:00)"),
        ("Change the sock", "Only if needed: the socket feels loose"),
        ("Check the skin", "as your clinic told you"),
        ("Eat something first", "as your clinic told you"),
        ("Long walk", "as your clinic told you"),
    ],
)
def test_a_schedule_is_told_whole_or_not_at_all(task: str, when: str) -> None:
    """A timing with a bound, offset or range that no words say whole is left to the clinic, and named."""
    line = next(line for line in _part("timings", "What to do").split(" - ") if task in line)

    assert when in line.replace("\xa0", " ")


def test_medicines_are_named_not_told() -> None:
    """A dosage told in part would be wrong: the prescription is named as not shown."""
    page = _text("timings", "clinic")

    assert "Ibuprofen" not in page
    assert "Prescription: nothing of it is shown" in page


def test_what_carries_an_unknown_modifier_is_never_told() -> None:
    """modifierExtension and implicitRules may turn a meaning round: named, not shown, on request and plan."""
    page = _text("modified", "clinic")
    for hidden in ("Lift weights", "Take the stairs", "Ride the bus", "Skate on the pond"):
        assert hidden not in page
    assert "What not to do == The plan says not to do this: - Drive the car" in page
    assert "Jump" not in _text("modified-plan", "clinic")
    assert "Care plan: nothing of it is shown" in _text("modified-plan", "clinic")
    assert "This program cannot read the care plan safely." in _text("modified-plan")
    assert "holds no care plan" not in _text("modified-plan")


def test_another_s_matter_is_not_told_even_where_nobody_is_in_the_bundle() -> None:
    """The bundle holds no Patient: what points to another than the plan does is named, not shown."""

    def goal(number: str, whose: str) -> dict[str, Any]:
        said = {"text": f"Goal of {whose}"}
        subject = {"reference": f"Patient/{whose}"}
        return {
            "resourceType": "Goal", "id": number, "lifecycleStatus": "active", "description": said,
            "subject": subject,
        }  # fmt: skip

    plan = {
        "resourceType": "CarePlan", "id": "c", "status": "active", "intent": "plan",
        "subject": {"reference": "Patient/mina"},
        "goal": [{"reference": "Goal/1"}, {"reference": "Goal/2"}],
    }  # fmt: skip
    entries = [{"resource": one} for one in (plan, goal("1", "mina"), goal("2", "oskar"))]
    reading = read({"resourceType": "Bundle", "type": "collection", "entry": entries})
    page = " ".join(str(render(reading, "txt")).split())

    assert "Goal of mina" in page
    assert "Goal of oskar" not in page
    assert [(one.path, one.reason) for one in reading.unread] == [
        ("Bundle.entry[2].resource", "is about somebody else")
    ]


def test_a_part_of_a_resource_is_not_told_as_the_whole() -> None:
    """A summary that a server cut short (SUBSETTED) may lack what turns it round: named, not shown."""
    document = _document("timings")
    request = next(e["resource"] for e in document["entry"] if e["resource"]["id"] == "r9")
    request["meta"] = {
        "tag": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", "code": "SUBSETTED"}]
    }
    page = " ".join(str(render(read(document), "txt", "clinic")).split())

    assert "X-ray of the knee" not in page
    assert "is only a part of a resource" in page


def test_a_plan_that_is_not_in_use_says_so() -> None:
    """Unknown status, draft and completed plans carry the notice that they are not to be followed."""
    assert "This plan is not in use now (not known)." in _text("no-patient")
    assert "DRAFT. A clinician has not approved this plan yet." in _text("transaction")
    assert "This plan is not in use now (finished)." in _text("hl7/CarePlan-f001")


def test_nobody_but_a_display_is_still_called_by_it() -> None:
    """No Patient: the display is the name; no language is known, so the page is in English."""
    assert "For Somebody on ward 3" in _text("no-patient")


def test_an_unknown_language_gets_english_and_the_advice_to_ask_for_an_interpreter() -> None:
    """Māori has no catalog: the page says so by the language's name; the narrative keeps its language."""
    page = str(render(_reading("unknown-languages"), "html"))

    assert "These pages are not written in" in text_of(page)
    assert 'lang="mi"' in page
    assert "Mahere tiaki" in page


def test_documents_alone_are_named_without_what_is_in_them() -> None:
    """A search result of papers: current ones by title, and that there is no plan."""
    page = _text("documents-only")

    assert "The file holds no care plan." in page
    assert "For Ida Thorn" in page
    assert "Discharge plan; State: current; Kind: Plan of care note" in page
    assert "Old plan" not in page
    assert "JVBERi" not in page


def test_a_summary_document_tells_problems_allergies_devices_and_its_own_sections() -> None:
    """A document without a plan: what is known of its one person, and the sections' narratives."""
    page = _text("summary-document").replace("\xa0", " ")

    assert "plan" not in page.replace("The file holds no care plan.", "").replace(
        "do for this plan hurts", ""
    )
    for said in (
        "For Vera Holt",
        "Otto Marsh: +1 555 555 0190",
        "Amputation above the right knee; State: present; Since: Wednesday, June 11, 2025",
        "Latex; State: present; How sure: sure; How severe: high",
        "Everyday leg; State: in use; Kind: Leg prosthesis; Serial number: S-0009",
        "Medicines: Metformin.",
        "Medicine taken: nothing of it is shown",
    ):
        assert said in page
    assert "Metformin 500 mg" not in page


def test_spanish_words_the_frame_and_keeps_the_senders_text() -> None:
    """A page in Spanish: duties and labels are translated, another's sentences are not."""
    page = _text("inline-details", language="es")

    assert "Deténgase y llame a su clínica el mismo día" in page
    assert "Lo que esta página no pudo leer" in page
    assert "Bridge on the back; Estado: previsto" in page
