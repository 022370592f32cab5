"""Text → delivery record: YAML 1.2 or JSON, with the line of every fault.

YAML is read into nodes first and turned into data here, because a record must not be able to do anything:
tags, anchors and aliases are refused, a key that stands twice is refused, and 08:30 stays a clock time.
"""

from __future__ import annotations

import difflib
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

if TYPE_CHECKING:
    from collections.abc import Mapping

MAX_BYTES = 1_000_000
"""A record is a few pages of text; anything larger is something else."""

_Place = tuple[str | int, ...]
_CORE = "tag:yaml.org,2002:"


def read_delivery(text: str) -> DeliveryRecord:
    """Return the delivery record written in ``text``, YAML 1.2 or JSON.

    Raises:
        DeliveryError: With every fault found; none repeats a value from the record.
    """
    if not text.strip():
        raise DeliveryError(Fault("", "is empty", "write a delivery record; `fhircare schema` describes it"))
    data, lines = _json(text) if text.lstrip().startswith("{") else _yaml(text)
    if not isinstance(data, dict):
        raise DeliveryError(
            Fault("", "holds no fields", "a record is a list of `field: value` lines; see `fhircare schema`")
        )
    try:
        return DeliveryRecord.model_validate(data)
    except ValidationError as error:
        faults = [_fault(dict(e), lines) for e in error.errors(include_url=False, include_input=False)]
        raise DeliveryError(_without_echoes(faults)) from None
    except DeliveryError as error:
        raise DeliveryError([_with_line(fault, lines) for fault in error.faults]) from None


def delivery_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a delivery record."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **DeliveryRecord.model_json_schema(),
    }


# --- text to data ------------------------------------------------------------------------------------------


def _json(text: str) -> tuple[Any, dict[_Place, int]]:
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
    except RecursionError:
        raise DeliveryError(Fault("", "is nested too deeply", "a record has few levels")) from None


def _yaml(text: str) -> tuple[Any, dict[_Place, int]]:
    lines: dict[_Place, int] = {}
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


def _plain(node: Node, place: _Place, lines: dict[_Place, int], seen: set[int]) -> Any:
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


def _scalar(node: Node, place: _Place, line: int) -> Any:
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


def _core_tag(node: Node, kind: str, place: _Place, line: int) -> None:
    if str(node.tag) != _CORE + kind:
        _refuse(place, "carries a YAML tag (!)", "write the plain value", line)


def _refuse(place: _Place, problem: str, mend: str, line: int) -> NoReturn:
    raise DeliveryError(Fault(_field(place), problem, mend, line))


# --- faults in our words -----------------------------------------------------------------------------------


def _field(place: _Place) -> str:
    text = ""
    for step in place:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else str(step)
    return text


def _with_line(fault: Fault, lines: Mapping[_Place, int]) -> Fault:
    place = tuple(int(s) if s.isdigit() else s for s in re.findall(r"[^.\[\]]+", fault.field))
    while place and place not in lines:
        place = place[:-1]
    return Fault(fault.field, fault.problem, fault.mend, lines.get(place, 0))


def _fault(error: dict[str, Any], lines: Mapping[_Place, int]) -> Fault:
    # pydantic names a constrained type as a last step of its own; such steps are not fields.
    place: _Place = tuple(s for s in error["loc"] if isinstance(s, int) or re.fullmatch(r"[a-z_]\w*", s))
    problem, mend = _words(error, place)
    return _with_line(Fault(_field(place), problem, mend), lines)


def _words(error: dict[str, Any], place: _Place) -> tuple[str, str]:
    kind, context = str(error["type"]), error.get("ctx", {})
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        near = difflib.get_close_matches(str(place[-1]), known_keys(place[:-1]), n=1, cutoff=0.5)
        mend = (
            f"did you mean {near[0]}?"
            if near
            else "remove it; known are " + ", ".join(known_keys(place[:-1]))
        )
        return "is not a known field", mend
    if kind in ("missing", "missing_argument"):
        return "is missing", "add it"
    if kind == "literal_error":
        return "is not one of the values allowed", "one of " + str(context.get("expected", ""))
    if kind == "timezone_aware":
        return "has no offset from UTC", "write it with one, such as 2026-03-02T10:15:00-06:00"
    if kind.startswith("datetime"):
        return "is not a date and time", "write it such as 2026-03-02T10:15:00-06:00"
    if kind.startswith("date"):
        return "is not a date", "use YYYY-MM-DD"
    if kind.startswith("time"):
        return "is not a clock time", "use HH:MM, such as 08:30"
    return "cannot be used: " + str(error["msg"]).lower(), "give a value that fits"


def known_keys(place: _Place) -> list[str]:
    """Return the field names allowed at a place of the record, from the schema itself."""
    schema = DeliveryRecord.model_json_schema()
    here: dict[str, Any] = schema
    for step in place:
        here = _resolve(schema, here)
        here = here.get("items", {}) if isinstance(step, int) else here.get("properties", {}).get(step, {})
    return list(_resolve(schema, here).get("properties", {}))


def _resolve(schema: dict[str, Any], here: dict[str, Any]) -> dict[str, Any]:
    for option in here.get("anyOf", ()):
        if "$ref" in option:
            here = option
    while "$ref" in here:
        here = schema["$defs"][here["$ref"].rsplit("/", 1)[1]]
    return here


def _without_echoes(faults: list[Fault]) -> list[Fault]:
    """A misspelt key is reported once: not also as the missing field that it was meant for."""
    meant = {
        f"{f.field.rpartition('.')[0]}.{f.mend[13:-1]}".lstrip(".")
        for f in faults
        if "did you mean" in f.mend
    }
    return [f for f in faults if not (f.problem == "is missing" and f.field in meant)]
