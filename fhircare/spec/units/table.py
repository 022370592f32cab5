"""UCUM's table of prefixes and units, read from its own file; a meaning is worked out when asked for."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from typing import NamedTuple
from xml.parsers import expat

from fhircare.spec.units import Unit


class Entry(NamedTuple):
    """One unit of the table: how it is defined, before anything is worked out."""

    metric: bool
    special: str
    arbitrary: bool
    value: str
    unit: str


class Table:
    """Prefixes and units by their case sensitive codes."""

    def __init__(self, text: bytes) -> None:
        self.prefixes: dict[str, Fraction] = {}
        self.bases: set[str] = set()
        self.entries: dict[str, Entry] = {}
        self._known: dict[str, Unit | None] = {}
        self._attributes: dict[str, str] = {}
        parser = expat.ParserCreate()
        parser.StartElementHandler = self._start
        parser.Parse(text, True)  # noqa: FBT003 - "this is all"

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        match name:
            case "prefix" | "unit" | "base-unit":
                self._attributes = {**attributes, "element": name}
                if name == "base-unit":
                    self.bases.add(attributes["Code"])
            case "value":
                self._value(attributes)
            case "function":
                code = self._attributes["Code"]
                self.entries[code] = self.entries[code]._replace(
                    special=attributes["name"], value=attributes["value"], unit=attributes["Unit"]
                )

    def _value(self, attributes: dict[str, str]) -> None:
        outer = self._attributes
        code = outer["Code"]
        if outer["element"] == "prefix":
            self.prefixes[code] = Fraction(attributes["value"])
            return
        self.entries[code] = Entry(
            outer.get("isMetric") == "yes",
            "",
            outer.get("isArbitrary") == "yes",
            attributes.get("value", "1"),
            attributes["Unit"],
        )

    def unit(self, symbol: str) -> Unit | None:
        """Return what a symbol without exponent means, with or without a prefix; None when unknown."""
        if symbol in self._known:
            return self._known[symbol]
        found = self._plain(symbol)
        if found is None:
            found = self._prefixed(symbol)
        self._known[symbol] = found
        return found

    def _plain(self, symbol: str) -> Unit | None:
        from fhircare.spec.units.grammar import read  # a definition is a term of the same grammar

        if symbol in self.bases:
            return Unit(Fraction(1), ((symbol, 1),))
        entry = self.entries.get(symbol)
        if entry is None:
            return None
        if entry.arbitrary and entry.unit == "1":
            return Unit(Fraction(1), ((symbol, 1),))
        if symbol in {"10*", "10^"}:
            return Unit(Fraction(10), ())
        meaning = read(entry.unit, self)
        if meaning is None:
            return None
        return Unit(meaning.factor * Fraction(entry.value), meaning.dimension, entry.special)

    def _prefixed(self, symbol: str) -> Unit | None:
        for size in (1, 2):
            prefix, rest = self.prefixes.get(symbol[:size]), symbol[size:]
            if prefix is None or not (
                rest in self.bases or (rest in self.entries and self.entries[rest].metric)
            ):
                continue
            plain = self.unit(rest)
            if plain is not None and plain.special:
                return plain._replace(scale=prefix)
            return plain and plain._replace(factor=plain.factor * prefix)
        return None


@cache
def table() -> Table:
    """Return UCUM's own table."""
    # Through the loader, as importlib.resources costs more to import than the table to read.
    place = __file__.removesuffix("table.py") + "ucum-essence.xml"
    return Table(__spec__.loader.get_data(place))  # type: ignore[union-attr]
