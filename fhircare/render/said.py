"""What stands on a page: values from the bundle that name their source, and sentences that hold them.

Both print themselves twice. ``str()`` gives plain text, for the text form and for attributes. ``__html__``
gives escaped HTML, which Jinja2 calls by itself: a value stands in an element that names the FHIR path it
came from, text that a person typed is kept apart from the direction of the page (``bdi``), and a sentence in
another language than the page says so.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from markupsafe import Markup, escape

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

Kind = Literal["text", "time", "number", "phone"]
"""``text`` is typed by a person, ``time`` a date, clock time or length of time, ``number`` a count or
measure.
"""

_BREAKS = "\t\n\v\f\r\x85\u2028\u2029"
_HIDDEN = frozenset("\u200e\u200f\u061c\ufeff\ufff9\ufffa\ufffb")
"""Marks that turn or hide text and are no part of any name: direction marks, byte order mark, annotations."""


def clean(text: str) -> str:
    """Return text without what could turn, hide or break a page: control, direction and private characters.

    Line breaks and tabs become spaces. Joiners stay: some scripts cannot be written without them.
    """
    if text.isprintable():  # nothing of the categories below is printable
        return text.strip()
    kept = []
    for letter in text:
        if letter in _BREAKS:
            kept.append(" ")
        elif (
            letter in _HIDDEN
            or "\u202a" <= letter <= "\u202e"
            or "\u2066" <= letter <= "\u2069"
            or unicodedata.category(letter) in {"Cc", "Cs", "Co", "Cn"}
        ):
            continue
        else:
            kept.append(letter)
    return "".join(kept).strip()


def shorten(text: str, letters: int) -> str:
    """Cut text that has to fit a line of fixed length, and show that it was cut."""
    return text if len(text) <= letters else text[: letters - 1].rstrip() + "…"


@dataclass(frozen=True, slots=True)
class Value:
    """One value of the bundle, worded for the reader.

    Attributes:
        text: The words.
        source: FHIRPath of the element it came from, from the bundle's root; "" when unknown.
        kind: What it is; decides the HTML element.
        machine: The value as a machine reads it: ISO 8601 for a time, digits for a number or phone.
        lang: BCP 47 tag of typed text, when it is known to differ from the page's; "" otherwise.
    """

    text: str
    source: str = ""
    kind: Kind = "number"
    machine: str = ""
    lang: str = ""

    def __str__(self) -> str:
        return self.text

    def __bool__(self) -> bool:
        return bool(self.text)

    def __html__(self) -> Markup:
        """The value in an element of its kind, with ``data-source``; bare when it came from no element."""
        text = escape(self.text)
        if not self.source and self.kind in {"time", "number"}:
            return text
        attributes = _attribute("data-source", self.source) + _attribute("lang", self.lang)
        machine = escape(self.machine)
        if self.kind == "time":
            made = f'<time datetime="{machine}"{attributes}>{text}</time>'
        elif self.kind == "phone" and machine:
            made = f'<a href="tel:{machine}"{attributes}><bdi dir="ltr">{text}</bdi></a>'
        elif self.kind in {"text", "phone"}:
            made = f"<bdi{attributes}>{text}</bdi>"
        elif machine:
            made = f'<data value="{machine}"{attributes}>{text}</data>'
        else:
            made = f"<span{attributes}>{text}</span>"
        return Markup(made)  # noqa: S704 - every part of it was escaped above


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence of the catalog with its values in place.

    Attributes:
        key: Its key in the catalog.
        template: Its words, with ``{names}`` where values go.
        values: The values, by name.
        lang: Tag of its language when it is not the page's (it fell back to English); "" otherwise.
        source: FHIRPath of the code it words, if it words one; "" otherwise.
    """

    key: str
    template: str
    values: Mapping[str, object] = field(default_factory=dict)
    lang: str = ""
    source: str = ""

    def __str__(self) -> str:
        return "".join(map(str, self._placed()))

    def __bool__(self) -> bool:
        return bool(self.template)

    def _placed(self) -> Iterator[object]:
        """The words and values in order; a value with its own full stop, as p.m. has, gets no second."""
        stopped = False
        for place, piece in pieces(self.template):
            part = self.values[piece] if place else piece[stopped and piece.startswith(".") :]
            stopped = place and str(part).endswith(".")
            yield part

    def __html__(self) -> Markup:
        """The sentence escaped, its values in their elements."""
        made = "".join(map(escape, self._placed()))
        if self.source:
            attributes = _attribute("value", self.key) + _attribute("data-source", self.source)
            made = f"<data{attributes}>{made}</data>"
        if self.lang:
            made = f'<span lang="{escape(self.lang)}">{made}</span>'
        return Markup(made)  # noqa: S704 - every part of it was escaped above


@functools.lru_cache(maxsize=4096)
def pieces(template: str) -> tuple[tuple[bool, str], ...]:
    """Split a sentence into its text (False) and the names of its values (True)."""
    parts = re.split(r"\{(\w+)\}", template)
    return tuple((bool(index % 2), part) for index, part in enumerate(parts) if part)


def _attribute(name: str, value: str) -> str:
    return f' {name}="{escape(value)}"' if value else ""


Said = Value | Sentence
"""Anything a template may print."""
