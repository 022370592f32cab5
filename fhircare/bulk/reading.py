"""Streams of lines → items, one at a time: NDJSON and tables (CSV). A broken line is an item that has failed.

A table has one record a row and one column a field, named by its path in the record, such as
``limb.side`` or ``prosthesis.components[1].name``; ``columns`` lists them all.
"""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING, BinaryIO

from fhircare.bulk.columns import Columns
from fhircare.bulk.item import Item
from fhircare.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

MAX_LINE = 64_000_000
"""The longest line read, in bytes; a plan's bundle is some hundred kilobytes."""

_SEPARATORS = (",", ";", "\t")


def lines_of(source: str, stream: BinaryIO, *, most: int = MAX_LINE) -> Iterator[Item]:
    """Yield the lines that are not blank as items; one that is too long is passed over, not held in memory.

    Args:
        source: What the stream is called.
        stream: Bytes, one JSON document a line.
        most: The longest line accepted, in bytes.
    """
    number = 0
    while line := stream.readline(most + 1):
        number += 1
        if len(line) > most and not line.endswith(b"\n"):
            while line and not line.endswith(b"\n"):
                line = stream.readline(most)
            fault = Fault("", "is longer than a line may be", f"at most {most} bytes a line", number)
            yield Item(source, number, "line", b"", (fault,))
        elif item := line_item(source, number, line):
            yield item


def line_item(source: str, number: int, line: bytes) -> Item | None:
    """Return a line as an item, None when it is blank; the line's end is no part of it."""
    return None if line.isspace() or not line else Item(source, number, "line", line.rstrip(b"\r\n"))


def rows_of(source: str, stream: BinaryIO) -> Iterator[Item]:
    """Yield the rows of a table as items: comma, semicolon or tab between cells, the columns' names on top.

    Empty cells and blank rows say nothing. A row's line is the one it begins on. No cell is longer than what
    the ``csv`` module allows (131,072 characters).

    Raises:
        InputError: When the top line cannot be used: names every column that is no field of a record.
    """
    lines = _Lines(stream)
    head = next(lines, "")
    separator = max(_SEPARATORS, key=head.count)
    names = [name.strip() for name in next(csv.reader([head], delimiter=separator), [])]
    faults = list(Columns().faults(names))
    if faults:
        raise InputError(faults, file=source)
    while True:
        first = lines.number + 1
        lines.mark()
        try:
            cells = next(csv.reader(lines, delimiter=separator, strict=True))
        except StopIteration:
            return
        except csv.Error:
            fault = Fault("", "is no row that can be read", "close every quotation mark", first)
            yield _broken(source, lines, fault)
            continue
        if cells and len(cells) != len(names):
            fault = Fault(
                "",
                f"has {len(cells)} cells, and there are {len(names)} columns",
                "put a cell that holds a separator or a line break in quotation marks",
                first,
            )
            yield _broken(source, lines, fault)
        elif any(cell.strip() for cell in cells):
            yield _row(source, first, dict(zip(names, cells, strict=True)))


def _broken(source: str, lines: _Lines, fault: Fault) -> Item:
    """Fail the first line of a row that cannot be read, and read on at the next.

    A quotation mark that is never closed would otherwise take the rows below with it.
    """
    return Item(
        source, fault.line, "row", lines.back_to_second().encode("utf-8", "surrogateescape"), (fault,)
    )


def _row(source: str, line: int, cells: dict[str, str]) -> Item:
    told = {name: cell.strip() for name, cell in cells.items() if cell.strip()}
    try:
        return Item(source, line, "row", json.dumps(told, ensure_ascii=False).encode())
    except UnicodeEncodeError:
        fault = Fault("", "is not UTF-8 text", "save the table as UTF-8", line)
        return Item(source, line, "row", json.dumps(told).encode(), (fault,))


class _Lines:
    """Lines of text, counted, some of which can be given back; what is not UTF-8 comes through marked."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._given_back: list[str] = []
        self._taken: list[str] = []
        self.number = 0

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        line = self._given_back.pop() if self._given_back else self._read()
        if not line:
            raise StopIteration
        self.number += 1
        self._taken.append(line)
        return line

    def mark(self) -> None:
        """Begin a row here."""
        self._taken = []

    def back_to_second(self) -> str:
        """Give back all lines of the row but its first, and return that one."""
        first, *rest = self._taken
        self._given_back += reversed(rest)
        self.number -= len(rest)
        return first

    def _read(self) -> str:
        text = self._stream.readline(MAX_LINE).decode("utf-8", "surrogateescape")
        return text if self.number else text.removeprefix("\ufeff")
