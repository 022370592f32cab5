"""What a person does with the paper: hang it up, tick it, write on it, throw the old one away."""

from __future__ import annotations

import dataclasses
import io
import re
from typing import Any

import pypdf
import pytest

from fhircare.bundle import read
from fhircare.render import render
from tests.conftest import EXAMPLES, reading_of
from tests.courses import example_course
from tests.test_render_patient import changed

ANNA, CARLA, DIEGO = "anna-first-locking", "carla-diabetes-slow", "diego-spanish-large-print"


def section(page: str, name: str) -> str:
    return page.split(f'id="{name}"')[1].split("</section>", maxsplit=1)[0]


def times(part: str) -> list[str]:
    return re.findall(r'<time datetime="(\d\d:\d\d)"', part)


def days(part: str) -> list[str]:
    return list(dict.fromkeys(re.findall(r'<time datetime="(\d{4}-\d\d-\d\d)"', part)))


@pytest.mark.parametrize("record", [name for name in EXAMPLES if name != DIEGO])
def test_the_fridge_sheet_has_each_session_with_its_time_and_a_box(record: str) -> None:
    """Nobody has to look up in the day table when to put the leg on: every start, one box each."""
    wear = reading_of(record).plan.wear
    assert wear is not None
    table = section(str(render(reading_of(record))), "fridge").split("</table>")[0]

    starts = [session.start.strftime("%H:%M") for day in wear.days for session in day.sessions]
    assert times(table) == starts
    assert table.count('class="box"') == len(starts)


@pytest.mark.parametrize("record", [ANNA, CARLA])
def test_the_log_has_a_sheet_a_week_with_every_day_on_it(record: str) -> None:
    """All days of the schedule, seven a sheet, and a row for each field of each session that is planned."""
    wear = reading_of(record).plan.wear
    assert wear is not None
    page = str(render(reading_of(record)))
    sheets = [
        section(page, "log"),
        *(section(page, f"log-{n}") for n in range(2, -(-len(wear.days) // 7) + 1)),
    ]

    assert [day for sheet in sheets for day in days(sheet)] == [day.on.isoformat() for day in wear.days]
    for sheet in sheets:
        assert sheet.count("Minutes worn") == max(len(day.sessions) for day in wear.days)
        assert "Ply, morning" in sheet


def test_a_log_asks_for_no_ply_where_there_are_no_socks() -> None:
    """What a person cannot have is not asked of them each evening."""
    assert "Ply, morning" not in str(render(changed(ANNA, socks=None)))


@pytest.mark.parametrize("form", ["txt", "html"])
def test_the_pages_of_a_revised_plan_make_older_ones_void(form: Any) -> None:
    """The number of the revision, and to throw the older pages away: on the first page and on the fridge."""
    course = example_course(ANNA)
    void = "Throw all older pages away."

    assert void not in str(render(read(course["approved"]), form))
    for state, times_said in (("revised", 2), ("stopped", 2), ("released", 2)):
        page = str(render(read(course[state]), form))
        assert page.count(void) == (times_said if form == "html" else 1)


def test_a_draft_beside_a_plan_in_force_makes_nothing_void() -> None:
    """What no clinician has approved does not take the place of what one has."""
    draft = changed(ANNA, revision=2, status="draft", intent="proposal", stopped_since=None)

    assert "older pages" not in str(render(draft, "txt"))


def test_the_tables_of_a_revised_plan_begin_with_its_day() -> None:
    """Days gone by are history: they are in the clinic's record, not on the fridge."""
    released = read(example_course(ANNA)["released"])
    written = released.plan.written_at
    assert written is not None
    page = str(render(released))

    for name in ("days", "fridge", "log"):
        assert min(days(section(page, name).split("</table>")[0])) >= written.date().isoformat()


@pytest.mark.parametrize("record", EXAMPLES)
def test_no_box_with_a_signal_word_is_cut(record: str) -> None:
    """On each sheet that holds a sign to stop for, its signal word stands above it (ANSI Z535.6 has the word
    with the message); in large print one box becomes several.
    """
    reading = reading_of(record)
    reader = pypdf.PdfReader(io.BytesIO(bytes(render(reading, "pdf"))))  # type: ignore[arg-type]
    sheets = [" ".join(page.extract_text().split()) for page in reader.pages]
    spanish = record == DIEGO
    word = "ADVERTENCIA" if spanish else "WARNING"
    signs = (
        ("Una mancha de piel morada", "Una ampolla. No la reviente", "Un ruido nuevo, una pieza floja")
        if spanish
        else ("A purple, dark red or black patch", "A blister. Do not open it", "A new noise, a loose part")
    )
    for sign in signs:
        sheet = next(text for text in sheets if sign in text)
        assert -1 < sheet.find(word) < sheet.index(sign)


def test_a_fever_is_told_in_both_units_where_no_country_is_named() -> None:
    """38 degrees Celsius are 100.4 degrees Fahrenheit (9/5 and 32, exactly)."""
    clinic = reading_of(ANNA).plan.clinic
    assert clinic is not None
    nowhere = changed(ANNA, clinic=dataclasses.replace(clinic, address=None))

    assert "100.4 °F (38 °C)" in " ".join(str(render(nowhere, "txt")).split())
