"""What a plan's state says on the first page: stopped, waiting for approval, in force."""

from __future__ import annotations

import re
from typing import Any

import pytest

from fhircare.bundle import read
from fhircare.render import READERS, calendar, render
from tests.courses import example_course

ANNA, DIEGO = "anna-first-locking", "diego-spanish-large-print"
STOPPED = {"en": "Do not wear the leg", "es": "o use la prótesis"}


def pages(state: str, record: str = ANNA, form: Any = "txt", reader: Any = "patient") -> str:
    made = str(render(read(example_course(record)[state]), form, reader))
    made = re.sub(r"</?(?:time|bdi|data|a|span)\b[^>]*>", "", made)
    return " ".join(re.sub(r"(?s)<style.*?</style>|<[^>]*>", " ", made).split())


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("form", ["txt", "html"])
@pytest.mark.parametrize("state", ["stopped", "proposed"])
def test_a_stop_stands_before_all_else(state: str, form: str, reader: str) -> None:
    """The day it began and the clinic's number, ahead of every other notice; nobody reads on without it."""
    page = pages(state, form=form, reader=reader)
    stop = page.index("Wear is stopped since Friday, November 20.")

    assert stop < page.index("Made-up example")
    assert "+1-815-555-0140" in page[stop : stop + 160]
    assert stop < 700  # letters: well within the first page


@pytest.mark.parametrize(("record", "language"), [(ANNA, "en"), (DIEGO, "es")])
@pytest.mark.parametrize("state", ["stopped", "proposed"])
def test_today_holds_no_wear_while_it_is_stopped(state: str, record: str, language: str) -> None:
    """Today and this week name no clock time to wear the leg; both languages say not to."""
    page = pages(state, record)
    heading = {"en": "== Today and this week ==", "es": "== Hoy y esta semana =="}[language]
    today = page.split(heading)[1].split("==")[0]
    before_visit = re.split("Next visit|Próxima visita", today)[0]

    assert STOPPED[language] in before_visit
    assert not re.search(r"\d", before_visit)


@pytest.mark.parametrize("form", ["txt", "html"])
@pytest.mark.parametrize("state", ["stopped", "proposed"])
def test_no_page_of_the_patient_calls_to_wear_what_is_stopped(state: str, form: str) -> None:
    """No table of days, no calendar of the fridge, no task that needs wear, no event to wear the leg."""
    page = pages(state, form=form)

    assert not re.search(r"Day 1 |9:00 AM to 9:30 AM|all day", page)
    assert "each time the leg comes off" not in page
    assert "each time the leg comes off" in pages("approved", form=form)
    events = calendar(read(example_course(ANNA)[state])).decode()
    assert "SUMMARY:Leg wear" not in events
    assert "SUMMARY:Leg wear" in calendar(read(example_course(ANNA)["approved"])).decode()


def test_a_plan_that_waits_says_both() -> None:
    """A draft after a stop: the stop stands, and the draft is a draft."""
    page = pages("proposed")

    assert "This new plan waits until a clinician says yes to it." in page
    assert "DRAFT. A clinician has not approved this plan yet." in page
    assert "waits until" not in pages("stopped")


@pytest.mark.parametrize("state", ["approved", "revised", "released"])
def test_a_plan_in_force_holds_no_such_notice(state: str) -> None:
    """Neither stop nor draft once a clinician has said yes."""
    page = pages(state)

    assert "Wear is stopped" not in page
    assert "DRAFT" not in page


def test_a_revised_plan_starts_at_the_day_it_was_revised_for() -> None:
    """Today is the day of the revision, not the first day of the schedule; a day asked for goes first."""
    assert "Sunday, November 22 (Day 5 of 26)" in pages("released")


def test_the_foot_of_every_sheet_says_that_wear_is_stopped() -> None:
    """On paper the stop stands on each page, in place of the word for a draft."""
    foot = re.search(r'<meta name="foot" content="([^"]*)"', _for_paper("proposed"))

    assert foot is not None
    assert foot[1].startswith("Wear is STOPPED. Do not wear the leg.")


def _for_paper(state: str) -> str:
    import fhircare.render.pdf as printer

    seen: list[str] = []
    made, printer.pdf = printer.pdf, lambda page, *_: seen.append(page) or b""  # type: ignore[func-returns-value]
    try:
        render(read(example_course(ANNA)[state]), "pdf")
    finally:
        printer.pdf = made
    return seen[0]
