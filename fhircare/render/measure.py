"""How hard a page is to read, by the published formulas: plain language measured, not claimed.

Formulas, and where they come from (w words, s sentences, y syllables, p words of three syllables or more):

* Flesch-Kincaid grade: 0.39 w/s + 11.8 y/w - 15.59 (Kincaid and others 1975).
* SMOG grade: 1.043 sqrt(30 p/s) + 3.1291 (McLaughlin 1969), made for 30 sentences or more; else not given.
* Fernández-Huerta: 206.84 - 60 y/w - 1.02 w/s (1959).
* Szigriszt-Pazos perspicuity: 206.835 - 62.3 y/w - w/s (1993), read on the INFLESZ scale
  (Barrio-Cantalejo and others 2008, An Sist Sanit Navar 31(2):135, bands from memory): from 55 normal,
  from 65 fairly easy, from 80 very easy.

What counts as body text: every sentence a reader is given, wherever it stands (paragraph, list, table
cell, note). A piece that ends in no full stop, question or exclamation mark counts as one sentence when
it has five words or more and at least half of them are plain words in small letters, one that ends in
such a mark when a third of them are; all others (headings, labels, names, dates, times in a table,
numbers alone) are no sentences and would only make a page look easier or harder than it is. Headings,
navigation, drawings and their texts, captions and form labels never count. A phone number is no word. A
colon or semicolon does not end a sentence here, though the formulas' authors let it: the grade comes out
higher. Text marked as another language than the page's, and names and notes that people typed (``bdi``),
do not count.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from html.parser import HTMLParser
from typing import TYPE_CHECKING

from fhircare.render.syllables import COUNTERS, count

if TYPE_CHECKING:
    from collections.abc import Iterator

GRADE_LIMIT = 6.0
"""Highest Flesch-Kincaid grade of a patient's page: sixth grade (AMA and NIH advice, as reviews quote it)."""
INFLESZ_LIMIT = 65.0
"""Lowest Szigriszt-Pazos value of a Spanish page: where INFLESZ starts to say fairly easy."""
LEAST_WORDS = 5
"""Words from which a piece without a closing mark counts as a sentence, and one is ranked as hard."""
PHONE_DIGITS = 7
"""Digits from which a token is a phone number."""
SMOG_SENTENCES = 30

_SKIPPED = frozenset({
    "head", "script", "style", "svg", "nav", "form", "button", "label", "legend", "caption", "figcaption",
    "h1", "h2", "h3", "h4", "h5", "h6", "th", "bdi",
})  # fmt: skip
_INLINE = frozenset({
    "a", "abbr", "b", "bdi", "bdo", "cite", "code", "data", "dfn", "em", "i", "mark", "q", "s", "small",
    "span", "strong", "sub", "sup", "time", "u", "wbr",
})  # fmt: skip
_VOID = frozenset({
    "area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "wbr",
})  # fmt: skip
_ABBREVIATIONS = frozenset({
    "dr", "mr", "mrs", "ms", "st", "no", "vs", "e.g", "i.e", "a.m", "p.m", "etc",
    "sr", "sra", "dra", "ud", "uds", "p.ej",
})  # fmt: skip
_WORD = re.compile(r"[^\W_]+(?:['\u2019:.,/-][^\W_]+)*")
_END = re.compile(r"([.!?\u2026]+[\"')\u201d\u00bb]*)(?=\s|$)")


@dataclass(frozen=True, slots=True)
class HardSentence:
    """One sentence and how hard it is.

    Attributes:
        text: The sentence.
        words: How many words.
        score: Flesch-Kincaid grade in English (more is harder), Szigriszt-Pazos in Spanish (less is harder).
    """

    text: str
    words: int
    score: float


@dataclass(frozen=True, slots=True)
class Measure:
    """How hard a page is. A value is None where no formula holds for the language or the text is too short.

    Attributes:
        language: First subtag of the language it was read in.
        sentences: Sentences of body text.
        words: Words in them.
        mean_sentence_length: Words in a sentence.
        grade: Flesch-Kincaid grade (English).
        smog: SMOG grade (English, 30 sentences or more).
        fernandez_huerta: Fernández-Huerta value (Spanish).
        inflesz: Szigriszt-Pazos value (Spanish).
        hardest: The ten hardest sentences, the hardest first; those of fewer than five words last.
    """

    language: str
    sentences: int
    words: int
    mean_sentence_length: float
    grade: float | None
    smog: float | None
    fernandez_huerta: float | None
    inflesz: float | None
    hardest: tuple[HardSentence, ...]

    @property
    def plain(self) -> bool | None:
        """Whether the page keeps the limit of its language; None when it has no formula here."""
        if self.grade is not None:
            return round(self.grade, 1) <= GRADE_LIMIT
        return None if self.inflesz is None else round(self.inflesz, 1) >= INFLESZ_LIMIT

    def lines(self) -> tuple[str, ...]:
        """The measure for people, a line each."""
        said = [
            f"{self.words} words in {self.sentences} sentences, {self.mean_sentence_length:.1f} words each"
        ]
        if self.grade is not None:
            said.append(f"Flesch-Kincaid grade {self.grade:.1f} (limit {GRADE_LIMIT:.0f})")
            said.append(
                f"SMOG grade {self.smog:.1f}"
                if self.smog is not None
                else f"SMOG grade not given: fewer than {SMOG_SENTENCES} sentences"
            )
        if self.inflesz is not None:
            said.append(
                f"Szigriszt-Pazos {self.inflesz:.1f}: {inflesz_band(self.inflesz)} on the INFLESZ scale"
            )
            said.append(f"Fernández-Huerta {self.fernandez_huerta:.1f}")
        if self.grade is None and self.inflesz is None:
            said.append(f"no readability formula here for the language {self.language}")
        said += [f"{number}. [{hard.score:.1f}] {hard.text}" for number, hard in enumerate(self.hardest, 1)]
        return tuple(said)


def flesch_kincaid(words: int, sentences: int, syllables: int) -> float:
    """Flesch-Kincaid grade."""
    return 0.39 * words / sentences + 11.8 * syllables / words - 15.59


def smog(sentences: int, polysyllables: int) -> float:
    """SMOG grade."""
    return 1.043 * math.sqrt(30 * polysyllables / sentences) + 3.1291


def fernandez_huerta(words: int, sentences: int, syllables: int) -> float:
    """Fernández-Huerta reading ease of Spanish text; more is easier."""
    return 206.84 - 60 * syllables / words - 1.02 * words / sentences


def szigriszt_pazos(words: int, sentences: int, syllables: int) -> float:
    """Szigriszt-Pazos perspicuity of Spanish text; more is easier."""
    return 206.835 - 62.3 * syllables / words - words / sentences


def inflesz_band(value: float) -> str:
    """What the INFLESZ scale calls a Szigriszt-Pazos value."""
    bands = ((40, "very hard"), (55, "somewhat hard"), (65, "normal"), (80, "fairly easy"))
    return next((name for below, name in bands if value < below), "very easy")


def measure(page: str, language: str) -> Measure:
    """Measure a page.

    Args:
        page: HTML, or plain text with one piece a paragraph (a blank line between) or list line.
        language: BCP 47 tag of the page, such as en or es-US.

    Returns:
        The measure; formulas hold for English and Spanish, other languages get counts only.
    """
    spoken = language.replace("_", "-").split("-")[0].lower()
    found = list(sentences(page, spoken))
    words = [_words(sentence) for sentence in found]
    total = sum(map(len, words))
    if spoken not in COUNTERS or not total:
        return Measure(spoken, len(found), total, total / max(len(found), 1), None, None, None, None, ())
    syllables = [[count(word, spoken) for word in sentence] for sentence in words]
    flat = [number for sentence in syllables for number in sentence]
    english = spoken == "en"
    score = flesch_kincaid if english else szigriszt_pazos
    scored = [
        HardSentence(text, len(counts), score(len(counts), 1, sum(counts)))
        for text, counts in dict(zip(found, syllables, strict=True)).items()
    ]
    scored.sort(
        key=lambda hard: (hard.words < LEAST_WORDS, -hard.score if english else hard.score, hard.text)
    )
    numbers = (total, len(found), sum(flat))
    enough = english and len(found) >= SMOG_SENTENCES
    return Measure(
        language=spoken,
        sentences=len(found),
        words=total,
        mean_sentence_length=total / len(found),
        grade=flesch_kincaid(*numbers) if english else None,
        smog=smog(len(found), sum(number >= 3 for number in flat)) if enough else None,
        fernandez_huerta=None if english else fernandez_huerta(*numbers),
        inflesz=None if english else szigriszt_pazos(*numbers),
        hardest=tuple(scored[:10]),
    )


def sentences(page: str, language: str) -> Iterator[str]:
    """The sentences of a page's body text, as the head of this module says what they are.

    Args:
        page: HTML or plain text.
        language: First subtag of the page's language.
    """
    for piece in _pieces(page, language):
        text = " ".join(piece.split())
        start = 0
        for mark in _END.finditer(text):
            if _ends_here(text, mark):
                yield from _counted(text[start : mark.end()], closed=True)
                start = mark.end()
        yield from _counted(text[start:], closed=False)


def _ends_here(text: str, mark: re.Match[str]) -> bool:
    before = text[: mark.start()].rsplit(" ", 1)[-1].lstrip("(\"'\u00a1\u00bf").lower()
    after = text[mark.end() :].lstrip()
    if not after:
        return True
    if mark[1].startswith(".") and (before in _ABBREVIATIONS or (len(before) == 1 and before.isalpha())):
        return False
    return not after[0].islower()


def _words(sentence: str) -> list[str]:
    found = _WORD.findall(sentence)
    return [word for word in found if sum(letter.isdigit() for letter in word) < PHONE_DIGITS]


def _counted(text: str, *, closed: bool) -> Iterator[str]:
    text = text.strip()
    words = _words(text)
    plain = sum(word.isalpha() and (word.islower() or not place) for place, word in enumerate(words))
    if closed:
        counts = len(words) > 1 and 3 * plain >= len(words)
    else:
        counts = len(words) >= LEAST_WORDS and 2 * plain >= len(words)
    if counts:
        yield text


def _pieces(page: str, language: str) -> list[str]:
    if re.search(r"<(?:!doctype|html|body|main|p|div|ul|ol|table)\b", page, re.IGNORECASE):
        reader = _BodyText(language)
        reader.feed(page)
        reader.close()
        return reader.pieces
    return re.split(r"\n\s*\n|\n(?=\s*(?:[-*\u2022]|\[[ x]?\]|\d+[.)])\s)", page)


class _BodyText(HTMLParser):
    """Gathers the pieces of body text of an HTML page, one for each block."""

    def __init__(self, language: str) -> None:
        super().__init__(convert_charrefs=True)
        self.language = language
        self.pieces: list[str] = [""]
        self._open: list[tuple[str, bool]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in _INLINE:
            self.pieces.append("")
        if tag in _VOID:
            return
        given = dict(attrs)
        other = (given.get("lang") or self.language).split("-")[0].lower() != self.language
        hidden = "hidden" in given or given.get("aria-hidden") == "true"
        self._open.append((tag, tag in _SKIPPED or other or hidden))

    def handle_endtag(self, tag: str) -> None:
        if tag not in _INLINE:
            self.pieces.append("")
        names = [name for name, _ in self._open]
        if tag in names:
            del self._open[len(names) - 1 - names[::-1].index(tag) :]

    def handle_data(self, data: str) -> None:
        if not any(skipped for _, skipped in self._open):
            self.pieces[-1] += data
