"""The PDF, opened and read back with pypdf: tagged, titled, in a language, whole, and closed to the
outside.
"""

from __future__ import annotations

import ctypes
import dataclasses
import functools
import io
import re
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pypdf
import pypdfium2
import pytest

from fhircare.errors import TemplateError
from fhircare.render import render
from fhircare.render.markup import sheet_of
from fhircare.render.pdf import pdf
from fhircare.render.templates import folders
from tests.conftest import reading_of
from tests.test_render_patient import changed, splits_of

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


def headers(node: Any, scope: str) -> int:
    """How many header cells have a scope (ISO 32000-1, table 349)."""
    if isinstance(node, pypdf.generic.IndirectObject):
        node = node.get_object()
    if isinstance(node, list):
        return sum(headers(child, scope) for child in node)
    if not isinstance(node, dict):
        return 0
    facts = node.get("/A", [])
    own = node.get("/S") == "/TH" and any(fact.get("/Scope") == scope for fact in facts)
    return own + headers(node.get("/K", []), scope)


@pytest.mark.parametrize("record", [ANNA, DIEGO])
def test_header_cells_say_what_they_head(record: str) -> None:
    """Every header cell of the page has its scope: those of columns, and those that name a row."""
    root = opened(record).trailer["/Root"]["/StructTreeRoot"]
    page = str(render(reading_of(record)))

    assert headers(root, "/Row") == page.count('scope="row"') > 30
    assert headers(root, "/Column") == page.count('scope="col"') > 20
    assert tags(root).count("/TH") == headers(root, "/Row") + headers(root, "/Column")


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
    start = max(number for number, text in enumerate(pages) if heading in text)
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
    days = reading_of(ANNA).plan.wear.days  # type: ignore[union-attr]
    told = [
        0 if index and splits_of(day) == splits_of(days[index - 1]) else len(day.sessions)
        for index, day in enumerate(days)
    ]
    rows = 0
    for page in reader.pages:
        text = " ".join(page.extract_text().replace("\u00a0", " ").split())
        heads = re.findall(r"Day (?:\d+) (?:Mon|Tue|Wed|Thu|Fri|Sat|Sun), ", text)
        splits = re.findall(r"sit .{3,14}?, stand .{3,14}?, walk ", text)
        assert len(splits) == sum(told[rows : rows + len(heads)])
        rows += len(heads)
    assert rows == 21


def test_large_print_is_18_points_or_more() -> None:
    """No word of the large-print file is smaller, those in drawings and at the foot of sheets included; only
    the numbers of a drawing's panels may be.
    """
    small = []
    for number, sheet in enumerate(pypdfium2.PdfDocument(made(DIEGO)), start=1):
        letters = sheet.get_textpage()
        for index in range(letters.count_chars()):
            matrix = pypdfium2.raw.FS_MATRIX()
            pypdfium2.raw.FPDFText_GetMatrix(letters.raw, index, ctypes.byref(matrix))
            size = pypdfium2.raw.FPDFText_GetFontSize(letters.raw, index) * matrix.d
            letter = letters.get_text_range(index, 1)
            if letter.strip() and not letter.isdigit() and size < 17.95:
                small.append((number, letter, size))

    assert small == []


@pytest.mark.parametrize(
    "inside",
    [
        '<img src="file:///etc/hostname" alt="x">',
        '<img src="https://attacker.example/x.png" alt="x">',
        '<link rel="stylesheet" href="file:///etc/hostname">',
        '<svg><title>x</title><image href="file:///etc/hostname"/></svg>',
        '<svg><title>x</title><rect fill="url(https://attacker.example/x.svg#a)"/></svg>',
        '<svg><title>x</title><use href="other.svg#a"/></svg>',
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


def tree(inside: str) -> list[Any]:
    return sheet_of(
        f'<html lang="en" dir="ltr"><head><title>t</title></head><body>{inside}</body></html>'
    ).body


def test_drawings_become_pictures_with_their_text() -> None:
    """What stands for a drawing in the PDF is its title."""
    (drawing,) = tree('<svg class="drawing" role="img"><title>A &amp; B</title><path d="M0 0"/></svg>')

    assert drawing["alt"] == "A & B"
    assert "title" not in drawing["svg"]
    assert 'xmlns="http://www.w3.org/2000/svg"' in drawing["svg"]


def test_white_space_is_that_of_css() -> None:
    """CSS Text Level 3, section 4.1.1: runs collapse across elements; none stays at a line's start or end."""
    (paragraph,) = tree("<p>\n  one <strong> two</strong>\n <br> three  </p>")

    assert paragraph["k"] == ["one ", {"t": "strong", "c": [], "k": ["two"]}, paragraph["k"][2], "three"]


def test_what_is_for_the_screen_is_not_printed() -> None:
    """Links to parts of the page, the skip link, styles and the screen's foot stay on the screen."""
    assert tree(
        '<a class="skip" href="#m">s</a><nav><p>n</p></nav><style>p{}</style><p>k</p><footer>f</footer>'
    ) == [{"t": "p", "c": [], "k": ["k"], "flow": True}]


def test_typed_text_keeps_its_direction_to_itself() -> None:
    """UAX #9: text that is not plainly from left to right stands between an isolate and its end."""
    (paragraph,) = tree('<p><bdi>\u05d0 (2)</bdi><bdi dir="ltr">+1-815</bdi><bdi>Miller</bdi></p>')

    assert paragraph["k"] == ["\u2068\u05d0 (2)\u2069\u2066+1-815\u2069Miller"]


def test_a_letter_without_a_shape_becomes_a_question_mark() -> None:
    """PDF/UA-1 (ISO 14289-1, 7.21.8) forbids a letter that the font cannot show."""
    made = pdf(
        '<html lang="en"><head><title>t</title></head><body>'
        "<p>Ann \U0001317f\U000e0100\ufdd0 Lee</p></body></html>"
    )

    text = pypdf.PdfReader(io.BytesIO(made)).pages[0].extract_text()
    assert "Ann" in text
    assert "Lee" in text


HEBREW = "\u05de\u05d9\u05dc\u05d4"  # a word whose letters stand from right to left


@functools.cache
def from_right_to_left() -> pypdfium2.PdfDocument:
    """Anna's page in a language made up for this test: Hebrew words in drawings, ramp and a heading."""
    with tempfile.TemporaryDirectory() as folder:
        words = Path(folder) / "words" / "he"
        shutil.copytree(folders()[0] / "words" / "en", words)
        for catalog in words.rglob("*.po"):
            text = catalog.read_text(encoding="utf-8")
            text = re.sub(
                r'(msgid "(?:drawing\.word|ramp\.axis)\.[^"]*"\nmsgstr ")[^"]*"', rf'\1{HEBREW}"', text
            )
            text = text.replace('msgstr "Today and', f'msgstr "{HEBREW} Today and')
            catalog.write_text(text, encoding="utf-8")
        made = render(reading_of(ANNA), "pdf", language="he", clinic_templates=folder)
    return pypdfium2.PdfDocument(bytes(made))  # type: ignore[arg-type]


def test_letters_stand_from_right_to_left_also_in_drawings() -> None:
    """UAX #9: in headings, drawings and the ramp each letter of a Hebrew word is left of the one before."""
    seen = 0
    for sheet in from_right_to_left():
        letters = sheet.get_textpage()
        text = letters.get_text_range()
        assert HEBREW[::-1] not in text
        boxes = [letters.get_charbox(index) for index in range(letters.count_chars())]
        signs = [letters.get_text_range(index, 1) for index in range(letters.count_chars())]
        for at in range(len(signs) - 3):
            if "".join(signs[at : at + 4]) == HEBREW:
                seen += 1
                lefts = [box[0] for box in boxes[at : at + 4]]
                assert lefts == sorted(lefts, reverse=True)
    assert seen >= 5


@pytest.mark.parametrize("large", [False, True])
def test_the_words_of_drawings_are_in_the_page_s_letters(large: Any) -> None:
    """One family of fonts in the whole file, drawings and ramp included."""
    data = bytes(render(reading_of(ANNA), "pdf", large_print=large))  # type: ignore[arg-type]
    names = set()
    for page in pypdf.PdfReader(io.BytesIO(data)).pages:
        for font in page["/Resources"].get("/Font", {}).values():  # type: ignore[union-attr]
            names.add(str(font.get_object()["/BaseFont"]).split("+")[-1].split("-")[0])

    assert len(names) == 1


@pytest.mark.parametrize(
    "inside",
    [
        *(
            f'<div class="{name}">words</div>'
            for name in ("card", "pair", "signal", "top", "cautions", "wide")
        ),
        *(
            f'<div class="{name}"><p>words</p></div>'
            for name in ("topic", "drawings", "card", "pair", "fridge")
        ),
        "<dl><dt>a</dt></dl>words",
        "<table></table>words",
        "<table><tr><td>words</td></tr></table>",
        "<ul></ul>words",
        '<ol class="steps"></ol>words',
        "<p></p>words",
        "<blockquote>words</blockquote>",
        "<pre>words</pre>",
        '<div class="beside"></div><ul><li>words</li></ul>',
    ],
)
def test_a_clinic_s_own_markup_is_printed(inside: str) -> None:
    """Our classes on other elements, elements that our pages do not use, and empty ones."""
    made = pdf(f'<html lang="en"><head><title>t</title></head><body><h1>H</h1>{inside}</body></html>')

    assert "words" in pypdf.PdfReader(io.BytesIO(made)).pages[0].extract_text()


def test_a_skipped_level_of_headings_is_an_error() -> None:
    """PDF/UA-1 (ISO 14289-1, 7.4.2) wants each level; the message names the fault, no words of the page."""
    with pytest.raises(TemplateError, match="heading") as error:
        pdf('<html lang="en"><head><title>t</title></head><body><h1>H</h1><h4>Secret</h4></body></html>')

    assert "Secret" not in str(error.value)
