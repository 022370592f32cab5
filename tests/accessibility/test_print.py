"""On paper: Letter and A4, from the browser's print dialog and as PDF/UA, without cutting a table row."""

from __future__ import annotations

import base64
import dataclasses
import html
import io
import re

import pytest
from pypdf import PdfReader

from fhircare.render import READERS, render
from tests.accessibility.pages import EXAMPLES, PAGES, page, reading

PAPERS = {"letter": (612, 792), "A4": (595.3, 841.9)}
"""Width and height in points (ISO 216 for A4; 8.5 by 11 inches)."""


def squeezed(text: str) -> str:
    """Without spaces, and without hyphens: one may stand at the end of a line."""
    return re.sub(r"[\s\u00a0\u200b\u00ad-]+", "", text)


def rows_of(page: str) -> list[str]:
    """The text of each table row of an HTML page, spaces left out."""
    body = re.sub(r"(?s)<(style|svg)\b.*?</\1>", "", page)
    rows = re.findall(r"(?s)<tr\b.*?</tr>", re.sub(r"(?s)<thead\b.*?</thead>", "", body))
    return [squeezed(html.unescape(re.sub(r"<[^>]*>", "", row))) for row in rows]


def cut_rows(page: str, pdf: bytes) -> list[str]:
    """Rows whose text no single sheet holds."""
    sheets = [squeezed(sheet.extract_text()) for sheet in PdfReader(io.BytesIO(pdf)).pages]
    return [row for row in rows_of(page) if row and not any(row in sheet for sheet in sheets)]


@dataclasses.dataclass(frozen=True)
class Moved:
    """A reading whose clinic stands in another country."""

    plan: object
    bundle: object
    source: object


def in_country(example: str, country: str) -> Moved:
    """The example's reading, its clinic moved: the country chooses the paper."""
    found = reading(example)
    address = dataclasses.replace(found.plan.clinic.address, country=country)
    clinic = dataclasses.replace(found.plan.clinic, address=address)
    return Moved(dataclasses.replace(found.plan, clinic=clinic), found.bundle, found.source)


@pytest.mark.browser
@pytest.mark.parametrize(
    ("example", "reader", "paper"),
    [(EXAMPLES[0], reader, paper) for reader in READERS for paper in PAPERS]
    + [(example, "patient", "letter") for example in EXAMPLES[1:]],
)
def test_the_browser_prints_without_cutting_a_row(show, example, reader, paper):
    """Chromium's own print, as a person would."""
    made = page(example, reader)
    width, height = PAPERS[paper]
    printed = show(made).execute_cdp_cmd(
        "Page.printToPDF", {"paperWidth": width / 72, "paperHeight": height / 72, "preferCSSPageSize": False}
    )
    assert cut_rows(made, base64.b64decode(printed["data"])) == []


@pytest.mark.parametrize(("paper", "country"), [("letter", "US"), ("A4", "GB")])
@pytest.mark.parametrize("reader", READERS)
def test_the_pdf_is_on_the_country_s_paper_without_cutting_a_row(reader, paper, country):
    """Letter in the United States, A4 in Great Britain; a sheet may lie on its side."""
    moved = in_country(EXAMPLES[0], country)
    pdf = render(moved, "pdf", reader, language="en")
    made = render(moved, "html", reader, language="en")
    for sheet in PdfReader(io.BytesIO(pdf)).pages:
        size = sorted((float(sheet.mediabox.width), float(sheet.mediabox.height)))
        assert size == pytest.approx(PAPERS[paper], abs=1)
    assert cut_rows(made, pdf) == []


@pytest.mark.parametrize(("example", "reader"), PAGES)
def test_the_pdf_is_pdf_ua(example, reader):
    """Read back with pypdf: PDF/UA-1 declared, tagged, titled, in its language, every figure with text."""
    pdf = PdfReader(io.BytesIO(page(example, reader, "pdf")))
    root = pdf.trailer["/Root"]
    metadata = root["/Metadata"].get_data().decode("utf-8")
    assert re.search(r"pdfuaid:part[>=\"' ]+1", metadata)
    assert root["/MarkInfo"]["/Marked"] is True or root["/MarkInfo"]["/Marked"].value is True
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    html_page = page(example, reader)
    assert str(root["/Lang"]) == re.search(r'<html lang="([^"]+)"', html_page)[1]
    title = html.unescape(re.search(r"<title>(.*?)</title>", html_page)[1])
    assert pdf.metadata.title == title
    kinds, unnamed = tags(root["/StructTreeRoot"])
    assert {"/H1", "/H2", "/P", "/Table", "/TR", "/TH", "/TD"} <= kinds
    assert unnamed == 0
    if reader == "patient":
        assert "/Figure" in kinds


def tags(tree) -> tuple[set[str], int]:
    """The kinds of tags below a node, and how many figures have no text."""
    kinds: set[str] = set()
    unnamed = 0
    waiting = [tree]
    while waiting:
        node = waiting.pop().get_object()
        if isinstance(node, list):
            waiting += node
        elif isinstance(node, dict):
            kind = str(node.get("/S", ""))
            kinds.add(kind)
            unnamed += kind == "/Figure" and not node.get("/Alt")
            if "/K" in node:
                waiting.append(node["/K"])
    return kinds, unnamed


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_letter_to_the_physician_is_one_page(example):
    """One page, in each language."""
    for language in ("en", "es"):
        pdf = render(reading(example), "pdf", "physician", language=language)
        assert len(PdfReader(io.BytesIO(pdf)).pages) == 1
