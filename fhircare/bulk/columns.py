"""The columns of a table of records: paths of the delivery record, and how a row's cells become a record.

The published schema is the source of the names: a path is what faults call a field, such as ``limb.side`` or
``prosthesis.components[1].name``, counted from 0. A list of plain values may stand in one cell, with ``;``
between them.
"""

from __future__ import annotations

import difflib
import re
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.delivery import delivery_schema
from fhircare.errors import Fault
from fhircare.faults import Place, field

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

BETWEEN = ";"
"""Stands between the values of a list in one cell."""

_LIKE_A_FIELD = re.compile(r"[a-z_]+(\[\d+\])?(\.[a-z_]+(\[\d+\])?)*")
"""What may be repeated in a fault. A table without a top line has a person's data there."""

Tree = dict[str | int, Any]
"""Fields by name and list entries by index, so that an entry can be set by itself."""


class Column(NamedTuple):
    """One column that a table may have.

    Attributes:
        name: Its path, with ``[0]`` for the first of a list.
        required: True when every record has it.
        several: True when a cell holds a list, with ``;`` between its values.
        holds: What a cell may hold, in a few words.
        what: What it means, from the schema.
    """

    name: str
    required: bool
    several: bool
    holds: str
    what: str


class Columns:
    """The columns a table of delivery records may have."""

    @cached_property
    def _schema(self) -> dict[str, Any]:
        return delivery_schema()

    @cached_property
    def _all(self) -> tuple[Column, ...]:
        return tuple(self._below(self._schema, "", required=True))

    @cached_property
    def _lists(self) -> frozenset[str]:
        return frozenset(column.name for column in self._all if column.several)

    def __iter__(self) -> Iterator[Column]:
        """Every column, in the schema's order; of a list's entries the first."""
        return iter(self._all)

    def faults(self, names: list[str]) -> Iterator[Fault]:
        """Yield what is wrong with a table's top line: a column that is no field, or stands twice."""
        known = {column.name for column in self._all}
        for index, name in enumerate(names, 1):
            first = re.sub(r"\[\d+\]", "[0]", name)
            shown = name if _LIKE_A_FIELD.fullmatch(name) else f"column {index}"
            if not name:
                yield Fault(shown, "has no name", "name its field, or take the column out", 1)
            elif name in names[: index - 1]:
                yield Fault(shown, "stands twice", "keep one of the two columns", 1)
            elif first not in known and first.removesuffix("[0]") not in self._lists:
                yield Fault(shown, "is no field of a delivery record", _mend(first, known), 1)

    def fields(self, cells: Mapping[str, str], common: Mapping[str, Any]) -> tuple[dict[str, Any], Renamed]:
        """Return a row's cells as a record's plain data, laid over what is common to all rows.

        Args:
            cells: Text by column; columns without text are not among them.
            common: Plain data of a record, as ``delivery.read_fields`` gives it.

        Returns:
            The data, and how places in it are called in the table: a list in a table may have gaps.
        """
        tree = _as_tree(common)
        for name, text in cells.items():
            *way, last = _steps(name)
            here = tree
            for step in way:
                found = here.get(step)
                here[step] = here = found if isinstance(found, dict) else {}
            several = re.sub(r"\[\d+\]", "[0]", name) in self._lists
            here[last] = [part.strip() for part in text.split(BETWEEN) if part.strip()] if several else text
        renamed: dict[Place, Place] = {}
        made: dict[str, Any] = _plain(tree, (), (), renamed)
        return made, Renamed(renamed)

    def _below(self, node: dict[str, Any], path: str, *, required: bool) -> Iterator[Column]:
        node = self._resolved(node)
        for name, child in node.get("properties", {}).items():
            here = f"{path}.{name}" if path else name
            yield from self._of(child, here, required=required and name in node.get("required", ()))

    def _of(self, child: dict[str, Any], here: str, *, required: bool) -> Iterator[Column]:
        what = child.get("description", "")
        found = self._resolved(child)
        if found.get("type") != "array":
            if "properties" in found:
                yield from self._below(found, here, required=required)
            else:
                yield Column(here, required, several=False, holds=_holds(found), what=what)
            return
        entry = self._resolved(found["items"])
        if "properties" in entry:
            yield from self._below(entry, f"{here}[0]", required=required and found.get("minItems", 0) > 0)
        else:
            yield Column(here, required, several=True, holds=_holds(entry), what=what)

    def _resolved(self, node: dict[str, Any]) -> dict[str, Any]:
        options = [option for option in node.get("anyOf", ()) if option.get("type") != "null"]
        node = options[0] if options else node  # a number may be written as text, which comes second
        while "$ref" in node:
            node = self._schema["$defs"][node["$ref"].rsplit("/", 1)[1]]
        return node


class Renamed:
    """How a place in a record is called in the table it came from."""

    def __init__(self, places: Mapping[Place, Place]) -> None:
        self._places = places

    def fault(self, fault: Fault, line: int) -> Fault:
        """Return a fault of the record as a fault of the table: its column, and the row's line."""
        place = tuple(_steps(fault.field)) if fault.field else ()
        for end in range(len(place), 0, -1):
            if place[:end] in self._places:
                return fault._replace(field=field(self._places[place[:end]] + place[end:]), line=line)
        return fault._replace(line=line)


def _steps(name: str) -> list[str | int]:
    return [int(step) if step.isdigit() else step for step in re.findall(r"[^.\[\]]+", name)]


def _as_tree(node: Any) -> Any:
    if isinstance(node, dict):
        return {name: _as_tree(value) for name, value in node.items()}
    if isinstance(node, list) and any(isinstance(value, dict) for value in node):
        return {index: _as_tree(value) for index, value in enumerate(node)}
    return node


def _plain(node: Any, here: Place, told: Place, renamed: dict[Place, Place]) -> Any:
    """Return the tree with lists for what is counted, gaps closed; note what a place was called."""
    if not isinstance(node, dict):
        return node
    if not any(isinstance(step, int) for step in node):
        return {step: _plain(value, (*here, step), (*told, step), renamed) for step, value in node.items()}
    entries: list[Any] = []
    for step in sorted(node, key=int):
        place = (*here, len(entries))
        if place != (*told, step):
            renamed[place] = (*told, step)
        entries.append(_plain(node[step], place, (*told, step), renamed))
    return entries


def _holds(node: dict[str, Any]) -> str:
    if "enum" in node:
        return ", ".join(node["enum"])
    kind = str(node.get("format") or node.get("type") or "number")
    return {"string": "text", "boolean": "true or false", "integer": "whole number", "time": "HH:MM",
            "date": "YYYY-MM-DD", "date-time": "date and time with offset"}.get(kind, kind)  # fmt: skip


def _mend(name: str, known: set[str]) -> str:
    below = sorted(one for one in known if one.startswith((f"{name}.", f"{name}[")))
    if below:
        return f"it is a group: name a field in it, such as {below[0]}"
    near = difflib.get_close_matches(name, known, n=1)
    return f"did you mean {near[0]}?" if near else "see `fhircare bulk columns`"
