"""FHIR JSON as bytes, both ways: numbers keep the precision they were written in.

FHIR says of decimals that 2.50 and 2.5 are not the same (FHIR R4, datatypes, decimal), so numbers are read
as ``Decimal`` and written as they were read.
"""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

MOST_DEPTH = 200
"""FHIR content is a few dozen levels deep; anything deeper is not meant for us."""


def loads(data: bytes | str) -> Any:
    """Return the JSON value in ``data``.

    Raises:
        ValueError: When it is not JSON, or is nested beyond reason.
    """
    try:
        return json.loads(data, parse_float=Decimal, parse_constant=_no_constant)
    except RecursionError:
        raise ValueError("nested too deeply") from None


def dumps(value: Any) -> bytes:
    """Return ``value`` as compact JSON in UTF-8, members in the order they stand."""
    parts: list[str] = []
    _write(value, parts, 0)
    return "".join(parts).encode()


def pretty(value: Any) -> str:
    """Return ``value`` as indented JSON for a person to read."""
    return json.dumps(_plain(value), indent=2, ensure_ascii=False)


def _write(value: Any, parts: list[str], depth: int) -> None:
    if depth > MOST_DEPTH:
        raise ValueError("nested too deeply")
    if isinstance(value, dict):
        parts.append("{")
        for index, (key, inner) in enumerate(value.items()):
            parts.append(("," if index else "") + json.dumps(key, ensure_ascii=False) + ":")
            _write(inner, parts, depth + 1)
        parts.append("}")
    elif isinstance(value, list | tuple):
        parts.append("[")
        for index, inner in enumerate(value):
            if index:
                parts.append(",")
            _write(inner, parts, depth + 1)
        parts.append("]")
    elif isinstance(value, Decimal):
        parts.append(str(value))
    else:
        parts.append(json.dumps(value, ensure_ascii=False, allow_nan=False))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return float(value) if isinstance(value, Decimal) else value


def _no_constant(name: str) -> Any:
    raise ValueError(f"{name} is not a JSON number")
