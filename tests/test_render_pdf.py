"""The PDF, opened and read back with pypdf: tagged, titled, in a language, whole, and closed to the
outside.
"""

from __future__ import annotations

import dataclasses
import functools
import io
import re
from typing import Any

import pypdf
import pytest

from fhircare.errors import TemplateError
from fhircare.render import render
from fhircare.render.pdf import lighten, pdf
from tests.conftest import reading_of
from tests.test_render_patient import changed

ANNA, DIEGO = "anna-first-locking", "diego-spanish-large-print"


@functools.cache
def made(record: str) -> bytes:
    return bytes(render(reading_of(record), "pdf"))  # type: ignore[arg-type]


def opened(record: str) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(made(record)), strict=True)


def tags(node: Any) -> list[str]:
    """The structure types of a tagged PDF, in reading order."""
    if isinstance(node, pypdf.generic.IndirectObject):
        node = node.get_object()
    if isinstance(node, list):
        return [tag for child in node for tag in tags(child)]
    if not isinstance(node, dict):
        return []
    own = [str(node["/S"])] if "/S" in node else []
    return own + tags(node.get("/K", []))


def figures(node: Any) -> list[Any]:
    if isinstance(node, pypdf.generic.IndirectObject):
        node = node.get_object()
    if isinstance(node, list):
        return [found for child in node for found in figures(child)]
    if not isinstance(node, dict):
        return []
    return ([node] if node.get("/S") == "/Figure" else []) + figures(node.get("/K", []))


def test_it_says_that_it_is_pdf_ua_1() -> None:
    """ISO 14289-1: pdfuaid:part 1, tagged, a title that is shown, a language."""
    reader = opened(ANNA)
    root = reader.trailer["/Root"]

    assert re.search(rb"pdfuaid:part\W+1\W", root["/Metadata"].get_data())
    assert root["/MarkInfo"]["/Marked"].value is True
    assert root["/ViewerPreferences"]["/DisplayDocTitle"].value is True
    assert root["/Lang"] == "en-US"
    assert opened(DIEGO).trailer["/Root"]["/Lang"] == "es-US"
    assert reader.metadata is not None
    assert reader.metadata.title == "Wearing your new leg \N{EN DASH} Harrow Creek Limb Clinic"


def test_headings_lists_tables_and_pictures_are_tagged() -> None:
    """One first heading; list items, table headers and pictures as what they are; every picture with its
    text.
    """
    root = opened(ANNA).trailer["/Root"]["/StructTreeRoot"]
    found = tags(root)

    assert found.count("/H1") == 1
    assert found.index("/H1") < found.index("/H2") < found.index("/H3")
    assert {"/L", "/LI", "/Table", "/TR", "/TH", "/TD", "/Figure", "/Link"} <= set(found)
    pictures = [figure.get("/Alt", "") for figure in figures(root)]
    assert len(pictures) >= 5
    assert all(pictures)


def test_no_date_and_no_name_hides_in_the_file() -> None:
    """The file's own facts hold no person's name and no clock."""
    reader = opened(ANNA)

    assert not {"/CreationDate", "/ModDate"} & set(reader.metadata or {})
    assert b"Lindqvist" not in bytes(reader.trailer["/Root"]["/Metadata"].get_data())


def test_the_same_bundle_gives_the_same_bytes() -> None:
    """Two runs, one file."""
    assert bytes(render(reading_of(ANNA), "pdf")) == made(ANNA)  # type: ignore[arg-type]


def test_every_page_carries_the_caution_and_its_number() -> None:
    """At the foot of each sheet: draft, when to stop, the clinic's number, the emergency number, who
    comes first.
    """
    reader = opened(ANNA)

    for number, page in enumerate(reader.pages, start=1):
        text = " ".join(page.extract_text().split())
        assert "DRAFT until a clinician approves. Stop if it hurts or the skin is not whole." in text
        assert "+1-815-555-0140. Emergency: 911." in text
        assert f"{number} / {len(reader.pages)}" in text


@pytest.mark.parametrize(
    ("record", "heading"), [(ANNA, "Keep this on the fridge"), (DIEGO, "Póngalo en el refrigerador")]
)
def test_the_fridge_sheet_is_one_page(record: str, heading: str) -> None:
    """All days, the stop rules, the numbers and the next visit on one sheet, in large print too."""
    pages = [" ".join(page.extract_text().split()) for page in opened(record).pages]
    start = next(number for number, text in enumerate(pages) if heading in text)
    plan = reading_of(record).plan
    assert plan.wear is not None
    assert plan.clinic is not None

    assert plan.clinic.after_hours_phone in pages[start]
    assert ("Next visit" if record == ANNA else "Próxima visita") in pages[start]
    assert ("Daily log" if record == ANNA else "Registro diario") in pages[start + 1]


@pytest.mark.parametrize("country", ["US", "IE"])
def test_no_row_of_the_day_table_is_cut(country: str) -> None:
    """On Letter and on A4 each day's row, from its number to its last word, stands on one page."""
    clinic = reading_of(ANNA).plan.clinic
    assert clinic is not None
    assert clinic.address is not None
    there = dataclasses.replace(clinic, address=dataclasses.replace(clinic.address, country=country))
    data = made(ANNA) if country == "US" else bytes(render(changed(ANNA, clinic=there), "pdf"))  # type: ignore[arg-type]
    reader = pypdf.PdfReader(io.BytesIO(data))
    width = float(reader.pages[0].mediabox.width)

    assert width == pytest.approx(
        612 if country == "US" else 595.3, abs=0.5
    )  # ANSI A 8.5 in; ISO 216 A4 210 mm
    rows = 0
    for page in reader.pages:
        text = " ".join(page.extract_text().replace("\u00a0", " ").split())
        heads = re.findall(r"Day (?:\d+) (?:Mon|Tue|Wed|Thu|Fri|Sat|Sun), ", text)
        splits = re.findall(r"sit .{3,14}?, stand .{3,14}?, walk ", text)
        sessions = [len(day.sessions) for day in reading_of(ANNA).plan.wear.days]  # type: ignore[union-attr]
        assert len(splits) == sum(sessions[rows : rows + len(heads)])
        rows += len(heads)
    assert rows == 21


def test_large_print_is_18_points_or_more() -> None:
    """No letter of a large-print page is smaller; the words inside drawings are measured with the
    drawings.
    """
    sizes: dict[float, str] = {}

    def note(text: str, _cm: Any, matrix: Any, _font: Any, size: float) -> None:
        if text.strip():
            sizes[round(abs(size * matrix[3]), 1)] = text

    for page in opened(DIEGO).pages[4:8]:
        page.extract_text(visitor_text=note)

    assert min(sizes) >= 18  # points: WeasyPrint scales its CSS pixels of 0.75 pt in the page's own matrix


@pytest.mark.parametrize(
    "inside",
    [
        '<img src="file:///etc/hostname" alt="x">',
        '<img src="https://attacker.example/x.png" alt="x">',
        '<link rel="stylesheet" href="file:///etc/hostname">',
        '<style>p { background: url("file:///etc/hostname") }</style><p>x</p>',
        '<img src="data:image/png;base64,AAAA" alt="x">',
    ],
)
def test_a_page_that_asks_for_something_outside_is_refused(inside: str) -> None:
    """No file, no address, no other kind of data is ever fetched for a PDF."""
    with pytest.raises(TemplateError, match="outside"):
        pdf(f'<!DOCTYPE html><html lang="en"><head><title>t</title></head><body>{inside}</body></html>')


def test_ten_thousand_letters_break_no_page() -> None:
    """A name of 10,000 letters is wrapped; the foot of the page shortens it."""
    plan = reading_of(ANNA).plan
    assert plan.patient is not None
    assert plan.clinic is not None
    long = changed(
        ANNA,
        patient=dataclasses.replace(
            plan.patient, name=dataclasses.replace(plan.patient.name, family="W" * 10_000)
        ),
        clinic=dataclasses.replace(plan.clinic, name="M" * 10_000),
    )
    reader = pypdf.PdfReader(io.BytesIO(bytes(render(long, "pdf"))))  # type: ignore[arg-type]

    text = "".join(page.extract_text() for page in reader.pages)
    assert text.count("W") >= 10_000


def test_drawings_become_pictures_with_their_text() -> None:
    """What stands for a drawing in the PDF is its title; elements for machines are gone, words stay."""
    light = lighten(
        '<p><time datetime="PT30M" data-source="Bundle.x">30 minutes</time></p>'
        '<svg class="drawing" role="img"><title>A &amp; B</title><path d="M0 0"/></svg>'
    )

    assert light.startswith("<p>30 minutes</p>")
    assert 'alt="A &amp; B"' in light
    assert "<svg" not in light


def test_marks_of_direction_stay_where_they_matter() -> None:
    """UAX #9: isolating ASCII letters changes nothing where all runs from left to right; elsewhere it may."""
    name, phone, hebrew = "<bdi>A. Miller (2)</bdi>", '<bdi dir="ltr">+1-815</bdi>', "<bdi>\u05d0 (2)</bdi>"

    assert lighten(f'<html dir="ltr"><p>{name}{phone}{hebrew}') == (
        f'<html dir="ltr"><p>A. Miller (2){phone}{hebrew}'
    )
    assert lighten(f'<html dir="rtl"><p>{name}') == f'<html dir="rtl"><p>{name}'
