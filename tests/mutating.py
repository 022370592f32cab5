"""Every primitive of a JSON document, and another value of the same form for each."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator


def leaves(node: Any, path: str) -> Iterator[tuple[Any, Any, Any, str]]:
    """Yield every primitive: the object or array it is in, its key, its value and its path."""
    members = node.items() if isinstance(node, dict) else enumerate(node)
    for key, value in members:
        below = f"{path}.{key}" if isinstance(node, dict) else f"{path}[{key}]"
        if isinstance(value, dict | list):
            yield from leaves(value, below)
        else:
            yield node, key, value, below


def changed(value: Any) -> Any:
    """Return another value of the same form."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | Decimal):
        return value + 1
    if re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        return (dt.date.fromisoformat(value) + dt.timedelta(days=1)).isoformat()
    if re.fullmatch(r"\d{4}-\d\d-\d\dT.*", value):
        return (dt.datetime.fromisoformat(value) + dt.timedelta(hours=1)).isoformat()
    if re.fullmatch(r"\d\d:\d\d:\d\d", value):
        return f"{(int(value[:2]) + 1) % 24:02}{value[2:]}"
    return value + "x"
