"""HTML to PDF/UA-1 through WeasyPrint, with every door to files and network shut."""

from __future__ import annotations

import logging
import re
from typing import Any, NoReturn

from fhircare.errors import TemplateError


def pdf(page: str) -> bytes:
    """Turn one of our HTML pages into a PDF that conforms to PDF/UA-1 (ISO 14289-1): tagged, titled, in a language.

    The same page gives the same bytes: no date is written, and the file's identifier is made from its content.

    Args:
        page: A whole HTML page that needs nothing from outside.

    Raises:
        TemplateError: When WeasyPrint cannot be loaded, or the page asks for something from outside.
    """
    try:
        import weasyprint  # noqa: PLC0415 - slow to import, and its system libraries may be missing
    except (ImportError, OSError) as error:
        raise TemplateError(
            "WeasyPrint cannot be loaded — install Pango (package libpango-1.0-0, libpangoft2-1.0-0), or write html"
        ) from error
    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)
    # What machines read in a page has no place in a PDF, and WeasyPrint lays out every element it is given.
    page = re.sub(r"</?(?:time|data)\b[^>]*>", "", page)
    document = weasyprint.HTML(string=page, url_fetcher=_refuse)
    made: Any = document.write_pdf(pdf_variant="pdf/ua-1")
    return bytes(made)


def _refuse(url: str, *_: Any, **__: Any) -> NoReturn:
    raise TemplateError("the page asks for something from outside — keep pictures and styles inside the template")
