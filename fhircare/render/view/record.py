"""What the pages for professionals are made of: facts, tables, sections, and the teller that words them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fhircare.render.said import Said, Sentence

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Iterable, Iterator

    from fhircare.plan import Quantity, WearDay
    from fhircare.render.said import Value
    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words

_TO = " \u2013 "
"""Between the first and the last of a run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A label and what stands beside it."""

    label: Sentence
    value: Said


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table.

    Attributes:
        caption: What it shows.
        columns: Headings.
        rows: Cells; the first of a row is its heading.
        widths: Share of the page for each column, in percent, in all 100.
        number: The columns that hold numbers, from 0.
    """

    caption: Sentence
    columns: tuple[Sentence, ...]
    rows: tuple[tuple[Said, ...], ...]
    widths: tuple[int, ...]
    number: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of a page under its own heading; empty parts are left out."""

    heading: Sentence
    facts: tuple[Fact, ...] = ()
    lines: tuple[Said, ...] = ()
    tables: tuple[Table, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.facts or self.lines or self.tables)


class Teller:
    """Words the values of one bundle for a professional: each with its source, what is absent as absent.

    Args:
        reading: The plan and where each leaf came from.
        words: The reader's words.
    """

    def __init__(self, reading: Readable, words: Words) -> None:
        self.reading, self.plan, self.words = reading, reading.plan, words
        self.absent = words.say("reader.absent")

    def source(self, place: str) -> str:
        """Where a place of the plan came from."""
        return self.reading.source(place)

    def text(self, text: str, place: str, *, lang: str = "") -> Said:
        """Typed text, or the word for what is absent."""
        return self.words.text(text, self.source(place), lang=lang) if text else self.absent

    def english(self, text: str, place: str) -> Said:
        """Text the plan holds in English only, such as a reason, marked as English where the page is not."""
        return self.text(text, place, lang="en")

    def phone(self, phone: str, place: str) -> Said:
        """A phone number, or the word for what is absent."""
        return self.words.phone(phone, self.source(place)) if phone else self.absent

    def date(self, day: dt.date | None, place: str, *, style: str = "medium") -> Said:
        """A date, or the word for what is absent."""
        return self.absent if day is None else self.words.date(day, self.source(place), style=style)

    def code(self, group: str, code: str, place: str) -> Said:
        """A code of the plan in words."""
        return self.words.coded(group, code, code, self.source(place))

    def codes(self, group: str, codes: Iterable[str], place: str) -> Said:
        """Several codes as one list in words, or the word for what is absent."""
        said = [self.code(group, code, f"{place}[{index}]") for index, code in enumerate(codes)]
        return self.words.join(said) if said else self.absent

    def quantity(self, quantity: Quantity, place: str, *, least: bool = True) -> Value:
        """A number with its unit."""
        return self.words.quantity(quantity.value, quantity.unit, self.source(f"{place}.value"), least=least)

    def fact(self, key: str, value: Said) -> Fact:
        """A labelled value."""
        return Fact(label=self.words.say(f"reader.{key}"), value=value)

    def columns(self, *keys: str) -> tuple[Sentence, ...]:
        """Headings of columns."""
        return tuple(self.words.say(f"reader.{key}") for key in keys)


def with_source(sentence: Sentence, source: str) -> Sentence:
    """A sentence that speaks for one element of the bundle."""
    return replace(sentence, source=source)


def joined(parts: Iterable[Said], mark: str = ", ") -> Said:
    """Several values in a row, none of them empty."""
    values = {f"v{index}": part for index, part in enumerate(part for part in parts if str(part))}
    return Sentence("", mark.join(f"{{{name}}}" for name in values), values)


def runs(days: tuple[WearDay, ...], alike: Callable[[WearDay], object]) -> Iterator[tuple[int, int]]:
    """First and last index of each run of days that are alike."""
    first = 0
    for index in range(1, len(days) + 1):
        if index == len(days) or alike(days[index]) != alike(days[first]):
            yield first, index - 1
            first = index


def span_cells(tell: Teller, days: tuple[WearDay, ...], first: int, last: int) -> tuple[Said, Said]:
    """Number and date of a day, or of the first and the last day of a run."""
    words = tell.words
    ends = dict.fromkeys((first, last))
    numbers = [words.number(index + 1) for index in ends]
    dates = [
        words.date(days[index].on, tell.source(f"wear.days[{index}].on"), style="short") for index in ends
    ]
    return joined(numbers, _TO), joined(dates, _TO)
