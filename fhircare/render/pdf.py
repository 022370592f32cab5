"""HTML to PDF/UA-1 through Typst: the page's elements are data for one style, ``templates/base/print.typ``.

Nothing of a page is ever read as code, and the style opens no file and no address.
"""

from __future__ import annotations

import functools
import json
import re
from typing import TYPE_CHECKING, Any

from fhircare.errors import TemplateError
from fhircare.render.markup import Sheet, sheet_of
from fhircare.render.said import shorten
from fhircare.render.templates import folders

if TYPE_CHECKING:
    from pathlib import Path

    import typst

STYLE = "base/print.typ"
FONTS = (
    "Atkinson Hyperlegible", "Source Sans 3", "Segoe UI", "Helvetica Neue", "Arial", "Liberation Sans",
    "Noto Sans", "Noto Sans Arabic", "Noto Sans Hebrew", "DejaVu Sans",
)  # fmt: skip
"""The fonts of the screen (``templates/base/fonts.css.jinja``), by name: whichever the machine has."""

_TRIES = 3
_UNSHOWN = re.compile(r'the text `"((?:[^`\\]|\\.)*)"` could not be displayed')


def pdf(page: str, style: Path | None = None) -> bytes:
    """Turn one of our HTML pages into PDF/UA-1 (ISO 14289-1): tagged, titled, in a language.

    The page says in ``<meta name=…>`` what paper has to know beside it: ``paper`` (letter or A4), ``kind``
    (whose page it is; chooses the size of its letters) and ``foot`` (what stands at the foot of every
    sheet). A letter that no font of the machine can show becomes a question mark: PDF/UA-1 forbids a letter
    without a shape. The same page gives the same bytes on machines with the same fonts: no date is written.

    Args:
        page: A whole HTML page that needs nothing from outside.
        style: The print style; None for ours.

    Raises:
        TemplateError: When the page asks for something from outside, or cannot be made accessible: a skipped
            level of headings, a drawing without a title.
    """
    import typst

    sheet = sheet_of(page)
    for node in _drawings(sheet.body):
        if re.search(r"""<image\b|href\s*=\s*["'](?!#)|url\((?!#)""", node["svg"]):
            raise TemplateError("a drawing asks for something from outside — keep pictures inside")
    style = style or folders()[-1] / STYLE
    fonts = _fonts()
    families = [family for family in FONTS if family in set(fonts.families())]
    data = _data(sheet, families)
    for _ in range(_TRIES):
        try:
            compiler = typst.Compiler(root=style.parent, font_paths=fonts, ignore_system_fonts=True)
            made: Any = compiler.compile(
                style.read_bytes(),
                format="pdf",
                pdf_standards=["ua-1"],
                sys_inputs={"page": data, "fonts": json.dumps(families)},
            )
            return _with_row_headers(bytes(made), _rows(sheet.body))
        except typst.TypstError as error:
            unshown = _unshown(error.diagnostic)
            if not unshown:
                raise TemplateError(f"{STYLE}: no accessible PDF comes of it — {_why(error)}") from None
            data = data.translate(dict.fromkeys(map(ord, unshown), "?"))
    raise TemplateError("no font of this machine can show the page — install one, or write html")


_ROW = re.compile(rb"<</Type/StructElem/S/TR/P \d+ 0 R/K\[((?:\d+ 0 R ?)+)\]>>")


def _with_row_headers(made: bytes, rows: list[tuple[int, bool]]) -> bytes:
    """Mark the cell that names its row as a header with that scope, which Typst knows of columns only.

    Each mark takes as many bytes as what it replaces, so that every offset in the file holds. Rows are tagged
    in the order of the page; when they are not those of the page, the file stays as it is.

    Args:
        made: The PDF.
        rows: For each row of the page: how many cells, and whether the first names the row.
    """
    tagged = [row[1].split(b" 0 R")[:-1] for row in _ROW.finditer(made)]
    if [len(cells) for cells in tagged] != [cells for cells, _ in rows]:
        return made
    names = b"|".join(
        cells[0].strip() for cells, (_, named) in zip(tagged, rows, strict=True) if named and cells
    )
    start = rb"(\n(?:%s) 0 obj\n<</Type/StructElem/S)" % names
    table = rb"(/P \d+ 0 R/A\[<</O/Table)"
    cell = re.compile(start + rb"/TD" + table + rb"(/Headers\[[^\]]*\])")

    def mark(found: re.Match[bytes]) -> bytes:
        return found[1] + b"/TH" + found[2] + b"/Scope/Row".ljust(len(found[3]))

    return cell.sub(mark, made) if names else made


def _rows(nodes: list[Any]) -> list[tuple[int, bool]]:
    """The rows of all tables, in order: how many cells, and whether the first names the row."""
    found: list[tuple[int, bool]] = []
    for node in nodes:
        if isinstance(node, dict):
            cells = [kid for kid in node["k"] if isinstance(kid, dict)]
            if node["t"] == "tr":
                found.append((len(cells), bool(cells) and "row" in cells[0]))
            found += _rows(node["k"])
    return found


@functools.cache
def _fonts() -> typst.Fonts:
    """The machine's fonts, looked for once."""
    import typst

    return typst.Fonts()


def _drawings(nodes: list[Any]) -> list[dict[str, Any]]:
    kids = [node for node in nodes if isinstance(node, dict)]
    return [kid for kid in kids if "svg" in kid] + [found for kid in kids for found in _drawings(kid["k"])]


def _data(sheet: Sheet, families: list[str]) -> str:
    """The sheet as JSON, its drawings set in the page's letters."""
    names = ", ".join(families) or "sans-serif"
    for node in _drawings(sheet.body):
        node["svg"] = re.sub(r'font-family="[^"]*"', "", node["svg"]).replace(
            "<svg ", f'<svg font-family="{names}" ', 1
        )
    subtags = sheet.lang.split("-")
    region = next((tag.upper() for tag in subtags[1:] if len(tag) == 2), None)
    paper = "us-letter" if sheet.meta.get("paper") == "letter" else "a4"
    told = {
        "lang": sheet.lang, "language": subtags[0].lower(), "region": region, "dir": sheet.direction,
        "title": sheet.title, "classes": sheet.classes, "kind": sheet.meta.get("kind", ""), "paper": paper,
        "foot": shorten(sheet.meta.get("foot", ""), 170 if "large" in sheet.classes else 220),
        "body": sheet.body,
    }  # fmt: skip
    return json.dumps(told, ensure_ascii=False)


def _unshown(diagnostic: str) -> set[str]:
    """The letters that no font can show, out of what Typst says."""
    found: set[str] = set()
    for text in _UNSHOWN.findall(diagnostic):
        found |= set(re.sub(r"\\u\{([0-9a-fA-F]+)\}", lambda code: chr(int(code[1], 16)), text))
    return {letter for letter in found if ord(letter) > 126}


def _why(error: typst.TypstError) -> str:
    """Typst's message, unless it quotes the page."""
    return "a part of the page" if "`" in error.message else error.message
