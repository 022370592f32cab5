"""Text → delivery record: YAML 1.2 or JSON, with the line of every fault.

YAML is read into nodes first and turned into data here, because a record must not be able to do anything:
tags, anchors and aliases are refused, a key that stands twice is refused, and 08:30 stays a clock time.
"""

from __future__ import annotations

import json
import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NoReturn

from pydantic import ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from fhircare.delivery.record import DeliveryRecord
from fhircare.errors import DeliveryError, Fault
from fhircare.faults import Place, faults_of, field

if TYPE_CHECKING:
    from collections.abc import Mapping

MAX_BYTES = 1_000_000
"""A record is a few pages of text; anything larger is something else."""

_CORE = "tag:yaml.org,2002:"


def read_delivery(text: str) -> DeliveryRecord:
    """Return the delivery record written in ``text``, YAML 1.2 or JSON.

    Raises:
        DeliveryError: With every fault found; none repeats a value from the record.
    """
    if not text.strip():
        raise DeliveryError(Fault("", "is empty", "write a delivery record; `fhircare schema` describes it"))
    data, lines = read_fields(text)
    return delivery_of(data, lines)


def read_fields(text: str) -> tuple[dict[str, Any], dict[Place, int]]:
    """Return the fields written in ``text``, YAML 1.2 or JSON, as plain data, and the line of each place.

    Lines are known for YAML only. Whether the fields make a record is for ``delivery_of`` to say.

    Raises:
        DeliveryError: When the text cannot be read, or holds no fields.
    """
    data, lines = _json(text) if text.lstrip().startswith("{") else _yaml(text)
    if not isinstance(data, dict):
        raise DeliveryError(
            Fault("", "holds no fields", "a record is a list of `field: value` lines; see `fhircare schema`")
        )
    return data, lines


def laid_over(common: Mapping[str, Any], data: Mapping[str, Any]) -> dict[str, Any]:
    """Return a record's fields laid over those that are common to many records of a clinic.

    Groups of fields are laid over each other field by field; a value or a list takes the place of the other.
    Neither argument is changed.
    """
    made = dict(common)
    for name, value in data.items():
        below = made.get(name)
        if isinstance(below, dict) and isinstance(value, dict):
            made[name] = laid_over(below, value)
        else:
            made[name] = value
    return made


def delivery_of(data: dict[str, Any], lines: Mapping[Place, int] | None = None) -> DeliveryRecord:
    """Return the delivery record made of plain data; text may stand for numbers, dates and clock times.

    Args:
        data: The fields, as ``read_fields`` gives them.
        lines: The line of each place, for the faults.

    Raises:
        DeliveryError: With every fault found; none repeats a value from the record.
    """
    known = lines or {}
    try:
        return DeliveryRecord.model_validate(data)
    except ValidationError as error:
        found = faults_of(error, DeliveryRecord.model_json_schema())
        raise DeliveryError([_with_line(fault, place, known) for place, fault in found]) from None
    except DeliveryError as error:
        raise DeliveryError([_with_line(f, _place(f.field), known) for f in error.faults]) from None


def delivery_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a delivery record."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **DeliveryRecord.model_json_schema(),
    }


# --- text to data ------------------------------------------------------------------------------------------


def _json(text: str) -> tuple[Any, dict[Place, int]]:
    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        data = dict(items)
        if len(data) != len(items):
            keys = [key for key, _ in items]
            twice = next(key for key in keys if keys.count(key) > 1)
            raise DeliveryError(Fault(twice, "stands twice", "keep one of the two"))
        return data

    try:
        return json.loads(text, parse_float=Decimal, object_pairs_hook=pairs), {}
    except json.JSONDecodeError as error:
        fault = Fault("", "is not JSON that can be read", "mend the text at this line", error.lineno)
        raise DeliveryError(fault) from None
    except ValueError:  # a whole number of thousands of digits
        raise DeliveryError(Fault("", "holds a number too long to be read", "write fewer digits")) from None
    except RecursionError:
        raise DeliveryError(Fault("", "is nested too deeply", "a record has few levels")) from None


def _yaml(text: str) -> tuple[Any, dict[Place, int]]:
    lines: dict[Place, int] = {}
    try:
        root = YAML(typ="safe", pure=True).compose(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 0
        raise DeliveryError(
            Fault("", "is not YAML that can be read", "mend the text at or just before this line", line)
        ) from None
    except (YAMLError, ValueError):
        raise DeliveryError(
            Fault("", "is not YAML that can be read", "save it as plain UTF-8 text")
        ) from None
    except RecursionError:
        raise DeliveryError(Fault("", "is nested too deeply", "a record has few levels")) from None
    seen: set[int] = set()
    return (_plain(root, (), lines, seen) if root is not None else None), lines


def _plain(node: Node, place: Place, lines: dict[Place, int], seen: set[int]) -> Any:
    line = node.start_mark.line + 1
    lines[place] = line
    if id(node) in seen or node.anchor:
        _refuse(place, "uses an anchor or alias (& or *)", "write the value out", line)
    seen.add(id(node))
    if isinstance(node, MappingNode):
        _core_tag(node, "map", place, line)
        data: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = str(key_node.value) if isinstance(key_node, ScalarNode) else ""
            if key in data:
                _refuse((*place, key), "stands twice", "keep one of the two", key_node.start_mark.line + 1)
            data[key] = _plain(value_node, (*place, key), lines, seen)
            lines[(*place, key)] = key_node.start_mark.line + 1
        return data
    if isinstance(node, SequenceNode):
        _core_tag(node, "seq", place, line)
        return [_plain(item, (*place, index), lines, seen) for index, item in enumerate(node.value)]
    return _scalar(node, place, line)


def _scalar(node: Node, place: Place, line: int) -> Any:
    tag, text = str(node.tag), str(node.value)
    kind = tag.removeprefix(_CORE)
    if kind == "null":
        return None
    if kind == "bool":
        return text.lower() == "true"
    if kind == "int" and re.fullmatch(r"[-+]?\d+", text):
        return int(text)
    if kind == "float" and re.fullmatch(r"[-+]?\d*\.?\d+([eE][-+]?\d+)?", text):
        return Decimal(text)
    if tag.startswith(_CORE) and kind in ("str", "int", "float", "timestamp"):
        return text  # a date, a time, or a number written in a way only some readers share
    return _refuse(place, "carries a YAML tag (!)", "write the plain value", line)


def _core_tag(node: Node, kind: str, place: Place, line: int) -> None:
    if str(node.tag) != _CORE + kind:
        _refuse(place, "carries a YAML tag (!)", "write the plain value", line)


def _refuse(place: Place, problem: str, mend: str, line: int) -> NoReturn:
    raise DeliveryError(Fault(field(place), problem, mend, line))


# --- faults with their lines -------------------------------------------------------------------------------


def _with_line(fault: Fault, place: Place, lines: Mapping[Place, int]) -> Fault:
    while place and place not in lines:
        place = place[:-1]
    return fault._replace(line=lines.get(place, 0))


def _place(text: str) -> Place:
    return tuple(int(s) if s.isdigit() else s for s in re.findall(r"[^.\[\]]+", text))
