"""HTML to PDF/UA-1 through WeasyPrint, with every door to files and network shut."""

from __future__ import annotations

import base64
import contextlib
import gc
import html
import logging
import re
from typing import TYPE_CHECKING, Any

from fhircare.errors import TemplateError

if TYPE_CHECKING:
    from collections.abc import Iterator

_DRAWING = "data:image/svg+xml;base64,"


def pdf(page: str) -> bytes:
    """Turn one of our HTML pages into PDF/UA-1 (ISO 14289-1): tagged, titled, in a language.

    The same page gives the same bytes: no date is written, and the file's identifier is made from its
    content.

    Args:
        page: A whole HTML page that needs nothing from outside.

    Raises:
        TemplateError: When WeasyPrint cannot be loaded, or the page asks for something from outside.
    """
    try:
        import weasyprint
        from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse
    except (ImportError, OSError) as error:
        raise TemplateError(
            "WeasyPrint cannot be loaded — install Pango (packages libpango-1.0-0 and libpangoft2-1.0-0), "
            "or write html"
        ) from error
    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)

    class OnlyDrawings(URLFetcher):  # type: ignore[misc]  # WeasyPrint has no types
        """Hands out the drawings that stand in the page itself, and nothing else."""

        def fetch(self, url: str, headers: Any = None) -> URLFetcherResponse:  # noqa: ARG002 - their name
            """Decode a drawing; refuse all else."""
            if not url.startswith(_DRAWING):
                raise ValueError("outside")
            drawing = base64.b64decode(url.removeprefix(_DRAWING), validate=True)
            return URLFetcherResponse(url, drawing, {"Content-Type": "image/svg+xml"})

    try:
        with _no_collections():
            document = weasyprint.HTML(string=lighten(page), url_fetcher=OnlyDrawings(fail_on_errors=True))
            made: Any = document.write_pdf(pdf_variant="pdf/ua-1")
    except FatalURLFetchingError as error:
        raise TemplateError(
            "the page asks for something from outside, or a drawing in it is broken — keep pictures and "
            "styles inside"
        ) from error
    return bytes(made)


@contextlib.contextmanager
def _no_collections() -> Iterator[None]:
    """Hold Python's garbage collector back for a while.

    The boxes of a page live to its end: each collection walks through all of them and frees next to nothing.
    It is a matter of time alone, so another thread that starts the collector again meanwhile does no harm.
    """
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


def lighten(page: str) -> str:
    """Take out what a PDF has no use for: WeasyPrint weighs every element against every style.

    Elements that only machines read go, and marks that keep two directions of writing apart where all of it
    is ASCII on a page from left to right. A drawing becomes a picture of itself, its title and description
    the text that stands for it.
    """
    page = re.sub(r"</?(?:time|data)\b[^>]*>| data-source=\"[^\"]*\"", "", page)
    if 'dir="rtl"' not in page:
        page = re.sub(r"<bdi>([\x20-%'-;=-\x7e]*)</bdi>", r"\1", page)
    return re.sub(r"(?s)<svg\b.*?</svg>", lambda found: _as_picture(found[0]), page)


def _as_picture(drawing: str) -> str:
    title = re.search(r"(?s)<title\b[^>]*>(.*?)</title>", drawing)
    kind = re.search(r'<svg\b[^>]*?\bclass="([^"]*)"', drawing)
    if title is None or kind is None:
        return drawing
    text = html.escape(html.unescape(title[1]))
    if "xmlns=" not in drawing:
        drawing = drawing.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    coded = base64.b64encode(drawing.encode()).decode()
    return f'<img class="{kind[1]}" alt="{text}" src="{_DRAWING}{coded}">'
