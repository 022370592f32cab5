"""Text nobody vouched for, in every string of a plan and on every page: nothing runs, nothing breaks."""

from __future__ import annotations

import dataclasses
import io
from typing import Any

import pypdfium2
import pytest
from pypdf import PdfReader

from fhircare.render import READERS, render
from tests.accessibility.pages import PAGES
from tests.accessibility.test_pages import NARROW, OVERFLOWING
from tests.accessibility.untrusted import HOSTILE, hostile
from tests.conftest import EXAMPLES, reading_of


@dataclasses.dataclass(frozen=True)
class Claimed:
    """A reading that another system could have sent: hostile words, and hostile paths too."""

    plan: Any
    word: str
    bundle: Any

    def source(self, place: str) -> str:
        return f"Bundle.{place}{self.word[:200]}"


def claimed(kind: str, *, everywhere: bool = True) -> Claimed:
    once = None if everywhere and "long" not in kind else set()
    plan = hostile(reading_of(EXAMPLES[0]).plan, HOSTILE[kind], once=once)
    digits = dataclasses.replace(plan.clinic, phone=f"555-0142 {HOSTILE[kind]}")
    return Claimed(dataclasses.replace(plan, clinic=digits), HOSTILE[kind], {"resourceType": "Bundle"})


@pytest.mark.browser
@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", ["all", "long"])
def test_nothing_runs_and_nothing_breaks_the_page(show, reader, kind):
    """No script, handler or link of theirs is in the page; it has no more elements of any kind but text, the
    browser mends nothing, and nothing is wider than a narrow screen.
    """
    driver = show(render(claimed(kind), "html", reader, language="en"), NARROW)
    assert driver.execute_script("return [window.fired, document.scripts.length]") == [None, 0]
    assert driver.execute_script(
        "return [...document.querySelectorAll('*')].filter(e => [...e.attributes].some("
        "a => a.name.startsWith('on') || /^\\s*javascript:/i.test(a.value) && a.name === 'href')).length"
    ) == 0  # fmt: skip
    assert driver.execute_script("return document.querySelectorAll('img, iframe, object, embed').length") == 0
    assert driver.execute_script("return document.querySelectorAll('style').length") == 1
    assert driver.execute_script("return document.documentElement.scrollWidth") <= NARROW
    assert driver.execute_script(OVERFLOWING) == []
    shown = driver.execute_script("return document.body.innerText")
    assert not any(mark in shown for mark in "\u202e\u202d\u2066\u0007\u001b")


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", ["all", "long", "long-words"])
def test_the_pdf_is_made_all_the_same(reader, kind):
    """In every free text at once: a tagged PDF comes out, no letter lies outside a sheet, no mark of
    direction or control is in it, and the letters of a long name are all there.
    """
    hurt = claimed(kind, everywhere=False)
    made = render(hurt, "pdf", reader, language="en")
    pdf = PdfReader(io.BytesIO(made))
    assert pdf.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert len({tuple(sorted(map(float, sheet.mediabox[2:]))) for sheet in pdf.pages}) == 1
    assert not pdf.trailer["/Root"].get("/OpenAction")
    assert outside(made) == []
    document = pypdfium2.PdfDocument(made)
    text = "".join(sheet.get_textpage().get_text_range() for sheet in document)
    assert not any(mark in text for mark in "\u202e\u202d\u0007\u001b")
    if kind == "long":
        assert text.count("W") >= 10_000


def outside(made: bytes, margin: float = 14.0) -> list[tuple[int, str]]:
    """Letters nearer to the edge of their sheet than ``margin`` points, with the sheet's number.

    Printers reach to about 5 mm of the edge (common practice, no source).
    """
    found = []
    for number, sheet in enumerate(pypdfium2.PdfDocument(made), start=1):
        width, height = sheet.get_size()
        letters = sheet.get_textpage()
        for index in range(letters.count_chars()):
            left, low, right, high = letters.get_charbox(index)
            if right > left and (
                left < margin or low < margin or right > width - margin or high > height - margin
            ):
                found.append((number, letters.get_text_range(index, 1)))
    return found


@pytest.mark.parametrize(("example", "reader"), PAGES)
@pytest.mark.parametrize("large", [False, True])
def test_nothing_is_near_the_edge_of_a_sheet(example, reader, large):
    """Every letter of every example, in both sizes of print."""
    assert outside(render(reading_of(example), "pdf", reader, large_print=large)) == []


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", HOSTILE)
def test_the_plain_text_holds_no_control_character(reader, kind):
    """A terminal or a telephone shows text and nothing else."""
    text = render(claimed(kind), "txt", reader, language="en")
    assert not any(ord(letter) < 32 and letter != "\n" for letter in text)
    assert max(map(len, text.splitlines())) <= 60
