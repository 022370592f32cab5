"""The words of one language: sentences from its catalog, dates, times and numbers in the reader's habit.

A language is a folder ``words/<tag>/`` with gettext catalogs by subject in ``LC_MESSAGES`` (``*.po``, keys as
``msgid``) and ``language.toml`` (who reviewed the translation, and when). English is the source. A sentence
that a language lacks, or that is marked fuzzy, is said in English and marked as English, except those a life
may hang on (``CRITICAL``): a language without them cannot be used.
"""

from __future__ import annotations

import functools
import re
import tomllib
from dataclasses import dataclass, field, replace
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal
from fractions import Fraction
from io import BytesIO
from typing import TYPE_CHECKING

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_skeleton, format_time
from babel.lists import format_list
from babel.messages.pofile import PoFileError, read_po
from babel.numbers import format_decimal
from babel.units import format_unit

from fhircare.errors import TemplateError
from fhircare.render.said import Said, Sentence, Value, clean, pieces

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Mapping
    from pathlib import Path

SOURCE = "en"
"""The language all sentences are written in first."""
CRITICAL = ("caution.", "sign.", "call.", "contact.", "advice.caution.", "advice.call.")
"""Keys that start so are cautions, stop rules and contacts: never said in a language the reader may not
read.
"""
_CUSTOMARY = frozenset({"US", "LR", "MM"})
"""Countries in which people count in pounds, inches and degrees Fahrenheit (common practice, no source).

Where the clinic names no country both are said: who reads 38 degrees as Fahrenheit misses a fever.
"""


@dataclass(frozen=True, slots=True)
class Language:
    """One language folder, read.

    Attributes:
        tag: BCP 47 tag, the name of the folder.
        sentences: Key to sentence; only what is translated and not fuzzy.
        reviewed_by: Who reviewed the translation, as the folder says; "" while nobody has.
        reviewed_on: When, as the folder says.
    """

    tag: str
    sentences: Mapping[str, str]
    reviewed_by: str = ""
    reviewed_on: str = ""


def read_language(folder: Path) -> Language:
    """Read one language folder.

    Raises:
        TemplateError: When a file is no gettext catalog, or a key stands in two places.
    """
    sentences: dict[str, str] = {}
    try:
        for catalog in sorted((folder / "LC_MESSAGES").glob("*.po")):
            messages = read_po(BytesIO(catalog.read_bytes()), ignore_obsolete=True, abort_invalid=True)
            for message in messages:
                key = str(message.id)
                if key in sentences:
                    raise TemplateError(
                        f"words/{folder.name}/{catalog.name}: {key} stands twice — remove one"
                    )
                if message.id and message.string and not message.fuzzy:
                    sentences[key] = str(message.string)
        facts = folder / "language.toml"
        about = tomllib.loads(facts.read_text("utf-8")) if facts.is_file() else {}
    except (OSError, ValueError, PoFileError) as error:
        raise TemplateError(
            f"words/{folder.name}: a catalog cannot be read — {type(error).__name__}"
        ) from error
    return Language(
        folder.name, sentences, str(about.get("reviewed_by", "")), str(about.get("reviewed_on", ""))
    )


@functools.lru_cache(maxsize=32)
def languages(roots: tuple[Path, ...]) -> Mapping[str, Language]:
    """Every language found under the template folders, a folder named earlier going before a later one.

    Args:
        roots: Template folders, each with a ``words`` folder or none.

    Raises:
        TemplateError: When English is missing or a catalog cannot be read.
    """
    found: dict[str, Language] = {}
    for root in reversed(roots):
        for folder in sorted((root / "words").glob("*/")):
            language = read_language(folder)
            below = found.get(language.tag)
            if below is not None:
                sentences = {**below.sentences, **language.sentences}
                language = Language(
                    language.tag, sentences, language.reviewed_by or below.reviewed_by,
                    language.reviewed_on or below.reviewed_on,
                )  # fmt: skip
            found[language.tag] = language
    if SOURCE not in found:
        raise TemplateError("words/en: the English sentences are missing — install the package again")
    return found


def choose(found: Mapping[str, Language], wanted: str) -> Language | None:
    """The language for a BCP 47 tag: the tag itself, else the same without its region; None if neither."""
    by_tag = {tag.replace("_", "-").lower(): language for tag, language in found.items()}
    subtags = wanted.replace("_", "-").lower().split("-")
    while subtags:
        if (language := by_tag.get("-".join(subtags))) is not None:
            return language
        subtags.pop()
    return None


def locale_for(tag: str, territory: str) -> Locale:
    """Babel's locale for a tag, in the clinic's country when the tag names none.

    English when Babel knows neither.
    """
    subtags = tag.replace("-", "_").split("_")
    attempts = ["_".join(subtags), subtags[0]]
    if len(subtags) == 1 and territory:
        attempts.insert(0, f"{subtags[0]}_{territory}")
    for attempt in attempts:
        try:
            return Locale.parse(attempt)
        except (UnknownLocaleError, ValueError):
            continue
    return Locale.parse(SOURCE)


@dataclass(frozen=True, slots=True)
class Words:
    """The words of one language for one page.

    Attributes:
        language: The language the page is in.
        english: The source, for what the language lacks.
        locale: How dates, times and numbers are written.
        used: The keys said so far; what a page must hold is checked against it.
    """

    language: Language
    english: Language
    locale: Locale
    used: set[str] = field(default_factory=set)

    @property
    def tag(self) -> str:
        """BCP 47 tag of the page."""
        tag = self.language.tag.replace("_", "-")
        return f"{tag}-{self.locale.territory}" if self.locale.territory and "-" not in tag else tag

    @property
    def direction(self) -> str:
        """``ltr`` or ``rtl``."""
        return "rtl" if self.locale.text_direction == "rtl" else "ltr"

    def has(self, key: str) -> bool:
        """True when the sentence exists, in this language or in English."""
        return key in self.language.sentences or key in self.english.sentences

    def say(self, key: str, **values: object) -> Sentence:
        """The sentence of a key, with its values.

        Raises:
            TemplateError: When no language has it, when it is one of the ``CRITICAL`` and this language
                lacks it, or when a value it names was not given.
        """
        text, lang = self.language.sentences.get(key), ""
        if text is None:
            if key.startswith(CRITICAL):
                raise TemplateError(
                    f"words/{self.language.tag}: the sentence {key} is missing — cautions, stop rules and "
                    "contacts must be written in every language that is offered"
                )
            text, lang = self.english.sentences.get(key), SOURCE
            if text is None:
                raise TemplateError(f"words/en: the sentence {key} is missing — add it to the catalog")
        self.used.add(key)
        if not named(text) <= values.keys():
            raise TemplateError(
                f"words/{self.language.tag}: the sentence {key} names a value that is not given — "
                "mend its braces"
            )
        return Sentence(key, text, values, lang if self.language.tag != SOURCE else "")

    def lines(self, stem: str, **values: object) -> tuple[Sentence, ...]:
        """The numbered sentences ``stem.1``, ``stem.2`` and on, as far as English counts them.

        A sentence that names a value the plan does not have is left out: what is absent is not printed.
        """
        found = []
        number = 1
        while (key := f"{stem}.{number}") in self.english.sentences:
            if self.names(key) <= values.keys():
                found.append(self.say(key, **values))
            number += 1
        return tuple(found)

    def coded(self, group: str, code: str, text: str, source: str = "", **values: object) -> Said:
        """The sentence of a code, with its source; for a code no catalog knows, the bundle's own text.

        A code of ours that this language lacks is a missing sentence, as anywhere.
        """
        key = f"{group}.{code}"
        if not self.has(key):
            return self.text(text, source, lang=SOURCE)
        return replace(self.say(key, **values), source=source)

    def names(self, key: str) -> frozenset[str]:
        """The names of the values that a sentence holds."""
        return named(self.language.sentences.get(key) or self.english.sentences.get(key, ""))

    def date(self, day: dt.date, source: str = "", *, style: str = "day") -> Value:
        """A date in words, by style.

        ``day`` (Thursday, November 26), ``short`` (Thu, Nov 26), ``full`` (with the year), ``medium``
        (Nov 26, 2026), ``month`` (Nov 26) or ``weekday`` (Thu).
        """
        if style in {"full", "medium"}:
            text = format_date(day, style, locale=self.locale)
        elif style == "day":
            text = format_date(day, _without_year(self.locale), locale=self.locale)
        elif style == "weekday":
            text = format_date(day, "ccc", locale=self.locale)
        else:
            skeleton = {"short": "MMMEd", "month": "MMMd"}[style]
            text = format_skeleton(skeleton, day, locale=self.locale)
        return Value(_spaces(text), source, "time", day.isoformat())

    def time(self, at: dt.time, source: str = "") -> Value:
        """A clock time, as the reader's country writes it."""
        text = _spaces(format_time(at, "short", locale=self.locale))
        return Value(text, source, "time", at.strftime("%H:%M"))

    def length(self, minutes: int, source: str = "", *, width: str = "long") -> Value:
        """A length of time: minutes under an hour, hours and minutes from there.

        Args:
            minutes: How many.
            source: FHIRPath of the value.
            width: ``long`` (30 minutes) or ``short`` (30 min).
        """
        hours, rest = divmod(minutes, 60)
        parts = []
        if hours:
            parts.append(self._unit(hours, "duration-hour", width))
        if rest or not hours:
            parts.append(self._unit(rest, "duration-minute", width))
        machine = "PT" + (f"{hours}H" if hours else "") + (f"{rest}M" if rest or not hours else "")
        return Value(_spaces(" ".join(parts)), source, "time", machine)

    def _unit(self, count: int, unit: str, width: str) -> str:
        key = f"unit.{unit}.{width}.{'one' if count == 1 else 'many'}"
        if key in self.language.sentences:
            return str(self.say(key, n=format_decimal(count, locale=self.locale)))
        return format_unit(count, unit, "long" if width == "long" else "short", locale=self.locale)

    def number(self, number: Decimal | int, source: str = "") -> Value:
        """A number, with the digits it was written with."""
        exponent = number.as_tuple().exponent if isinstance(number, Decimal) else 0
        places = -exponent if isinstance(exponent, int) and exponent < 0 else 0
        pattern = "#,##0" + ("." + "0" * places if places else "")
        return Value(format_decimal(number, pattern, locale=self.locale), source, "number", _digits(number))

    def quantity(self, number: Decimal, unit: str, source: str = "", *, least: bool = True) -> Value:
        """A number with its unit in words; in customary units too where people count so.

        Args:
            number: The number.
            unit: UCUM code; printed as it is when the catalog has no words for it.
            source: FHIRPath of the value.
            least: True rounds a converted weight down (the cautious side of a limit), False to the nearest.

        The international pound is 0.45359237 kg exactly, the inch 25.4 mm exactly (agreement of 1959, as in
        NIST Special Publication 811, appendix B).
        """
        written = self.number(number, source)
        values: dict[str, object] = {"n": written.text}
        key = f"unit.{unit}"
        if not self.locale.territory or self.locale.territory in _CUSTOMARY:
            if unit == "kg" and self.has("unit.kg.pounds"):
                pounds = number / Decimal("0.45359237")
                rounding = ROUND_FLOOR if least else ROUND_HALF_UP
                values["pounds"] = self.number(pounds.quantize(Decimal(1), rounding)).text
                key = "unit.kg.pounds"
            elif unit == "Cel" and self.has("unit.Cel.fahrenheit"):
                fahrenheit = (number * 9 / 5 + 32).quantize(Decimal("0.1"), ROUND_FLOOR)
                values["fahrenheit"] = self.number(fahrenheit).text
                key = "unit.Cel.fahrenheit"
            elif unit == "mm" and number and self.has("unit.mm.inches"):
                values["inches"] = _eighths(number / Decimal("25.4"))
                key = "unit.mm.inches"
        for form in (f"{key}.one" if number == 1 else f"{key}.many", key):
            if self.has(form):
                sentence = self.say(form, **values)
                return Value(str(sentence), source, "number", f"{_digits(number)} {unit}", sentence.lang)
        return Value(f"{written.text} {clean(unit)}", source, "number", f"{_digits(number)} {unit}")

    def text(self, text: str, source: str = "", *, lang: str = "") -> Value:
        """Text that a person typed: cleaned, and marked with its language where that is known to differ."""
        differs = lang and lang.split("-", maxsplit=1)[0] != self.language.tag.split("-", maxsplit=1)[0]
        return Value(clean(text), source, "text", lang=lang if differs else "")

    def phone(self, phone: str, source: str = "") -> Value:
        """A phone number, written as given; it can be tapped when it holds digits to dial."""
        digits = "".join(letter for letter in phone if letter in "0123456789")
        machine = ("+" if phone.strip().startswith("+") else "") + digits
        return Value(clean(phone), source, "phone", machine if digits else "")

    def join(self, items: Iterable[Said], style: str = "standard") -> Sentence:
        """Several values as one list in words: a, b and c."""
        parts = list(items)
        names = [f"v{index}" for index in range(len(parts))]
        text = format_list([f"{{{name}}}" for name in names], style=style, locale=self.locale)  # type: ignore[arg-type]
        return Sentence("", text, dict(zip(names, parts, strict=True)))


@functools.lru_cache(maxsize=4096)
def named(template: str) -> frozenset[str]:
    """The names of the values in a sentence."""
    return frozenset(piece for place, piece in pieces(template) if place)


def _digits(number: Decimal | int) -> str:
    """A number as a machine reads it, with the digits it was written with."""
    return f"{number:f}" if isinstance(number, Decimal) else str(number)


def _eighths(inches: Decimal) -> str:
    """Inches to the nearest eighth, as on a ruler: 3/8, 1 1/2."""
    eighths = int((inches * 8).quantize(Decimal(1), ROUND_HALF_UP))
    whole, rest = divmod(eighths, 8)
    part = Fraction(rest, 8)
    words = [str(whole)] if whole or not rest else []
    return " ".join(words + ([f"{part.numerator}/{part.denominator}"] if rest else []))


def _without_year(locale: Locale) -> str:
    """The locale's full date without its year, where the year comes last; else the full date."""
    return re.sub(r"(?:\s*'[^']*'\s*|[\s,،]+)y+$", "", locale.date_formats["full"].pattern)


def _spaces(text: str) -> str:
    """Narrow no-break spaces become usual no-break ones: many fonts lack the narrow."""
    return text.replace("\u202f", "\u00a0")
