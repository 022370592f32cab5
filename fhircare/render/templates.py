"""The one Jinja2 environment: where templates are looked for, and the rules they are read by.

Templates are looked for in three places, in order: the clinic's own folder, the package, the checkout. HTML
is escaped by itself; a name that a template uses and nobody gave is an error, not an empty place.
"""

from __future__ import annotations

import functools
import html
import importlib.resources
import re
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import jinja2
from markupsafe import Markup

import fhircare
from fhircare.errors import TemplateError

if TYPE_CHECKING:
    from collections.abc import Mapping

TEXT_WIDTH = 60
"""Letters in a line of the plain-text form: it fits a telephone held upright and any e-mail."""


def folders(clinic: Path | None = None) -> tuple[Path, ...]:
    """The template folders that exist, the clinic's own first.

    Raises:
        TemplateError: When the clinic's folder is not there, or no templates came with the package.
    """
    if clinic is not None and not clinic.is_dir():
        raise TemplateError("the clinic's template folder is not there — check its name")
    packaged = Path(str(importlib.resources.files("fhircare"))) / "templates"
    checkout = Path(fhircare.__file__).parent.parent / "templates"
    ours = [place for place in (packaged, checkout) if (place / "words").is_dir()][:1]
    if not ours:
        raise TemplateError("no templates came with the package — install it again")
    return tuple([clinic, *ours] if clinic is not None else ours)


@functools.lru_cache(maxsize=8)
def environment(places: tuple[Path, ...]) -> jinja2.Environment:
    """The environment for a search path, built once."""
    built = jinja2.Environment(
        loader=jinja2.FileSystemLoader([str(place) for place in places]),
        autoescape=lambda name: name is None or not name.endswith(".txt.jinja"),  # noqa: S701 - text is no HTML
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=len(places) > 1,  # a clinic works on its own templates; ours do not change
        cache_size=200,
    )
    built.filters["css_string"] = css_string
    return built


def fill(places: tuple[Path, ...], name: str, values: Mapping[str, object]) -> str:
    """Fill one template.

    Raises:
        TemplateError: When it is missing, is not written right, or uses what it was not given.
    """
    try:
        return environment(places).get_template(name).render(values)
    except jinja2.TemplateNotFound as error:
        raise TemplateError(f"{error.name}: the template is missing — restore it") from error
    except jinja2.TemplateSyntaxError as error:
        raise TemplateError(
            f"{error.name} (line {error.lineno}): not a template — {error.message}"
        ) from error
    except jinja2.UndefinedError as error:
        raise TemplateError(
            f"{name}: {error.message} — the template's first lines list its variables"
        ) from error


def css_string(text: object) -> Markup:
    """Text as a CSS string that cannot leave its quotes: all but letters and digits is written as codes."""
    safe = "".join(
        letter if letter.isascii() and letter.isalnum() else f"\\{ord(letter):06x}" for letter in str(text)
    )
    return Markup('"{}"').format(safe)


def wrap(text: str) -> str:
    """Break the lines of a plain-text page to ``TEXT_WIDTH``, keeping each line's indent and list mark."""
    lines = []
    for line in text.splitlines():
        hang = re.match(r"\s*(?:(?:[-*]|\d+\.|\[ \])\s+)?", line)
        indent = " " * (hang.end() if hang else 0)
        lines += textwrap.wrap(
            line, TEXT_WIDTH, subsequent_indent=indent, break_on_hyphens=False, drop_whitespace=True
        ) or [""]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).strip("\n") + "\n"


def text_of(page: str) -> str:
    """What a person reads of an HTML page: no tags, no styles, one space between words."""
    page = re.sub(r"(?s)<(style|script)\b.*?</\1>", " ", page)
    return " ".join(html.unescape(re.sub(r"(?s)<[^>]*>", "", page)).split())
