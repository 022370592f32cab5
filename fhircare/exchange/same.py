"""Whether a server has what we would send: two resources, compared by what they say.

Left out of the comparison is what servers own: id, version, time of storing, narrative (some write their
own), and labels they add to ours. Numbers are compared as numbers, instants as moments, references without
the server's own address.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from decimal import Decimal
from typing import Any

Resource = dict[str, Any]

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
_LABELS = ("security", "tag", "profile")


def same(ours: Resource, stored: Resource, base: str = "") -> bool:
    """Return whether a stored resource says what ours says.

    Args:
        ours: What we would send, its references already literal.
        stored: What the server has.
        base: The server's base address, cut off from references that carry it.
    """
    return not differences(ours, stored, base)


def differences(ours: Resource, stored: Resource, base: str = "") -> list[str]:
    """Return the elements in which the two differ, as paths such as CarePlan.status; no values."""
    kind = str(ours.get("resourceType"))
    found: list[str] = []
    _compare(_plain(ours, base), _plain(stored, base), kind, found)
    theirs = stored.get("meta") or {}
    for label in _LABELS:
        have = [_key(item) for item in theirs.get(label) or []]
        if any(_key(item) not in have for item in (ours.get("meta") or {}).get(label) or []):
            found.append(f"{kind}.meta.{label}")
    return found


def fingerprint(resource: Resource) -> str:
    """Return a digest of all a resource says, narrative and labels included, id and version not."""
    told = {key: value for key, value in resource.items() if key not in ("id", "meta")}
    meta = resource.get("meta") or {}
    labels = {label: sorted(map(_key, meta.get(label) or [])) for label in _LABELS}
    text = json.dumps([told, labels], sort_keys=True, default=str, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def unresolved(resource: Any) -> bool:
    """Return whether a stored resource still points to a placeholder that only our bundle knew."""
    if isinstance(resource, dict):
        for key, value in resource.items():
            if (
                key in ("reference", "url", "uri")
                and isinstance(value, str)
                and value.startswith("urn:uuid:")
            ):
                return True
            if isinstance(value, dict | list) and unresolved(value):
                return True
    return isinstance(resource, list) and any(unresolved(item) for item in resource)


def _plain(resource: Resource, base: str) -> Any:
    kept = {k: v for k, v in resource.items() if k not in ("id", "meta", "text")}
    return _value(kept, base)


def _value(value: Any, base: str) -> Any:
    if isinstance(value, dict):
        return {k: _reference(v, base) if k == "reference" else _value(v, base) for k, v in value.items()}
    if isinstance(value, list):
        return [_value(inner, base) for inner in value]
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, int | float | Decimal):
        return Decimal(str(value)).normalize()
    if isinstance(value, str) and _INSTANT.fullmatch(value):
        return dt.datetime.fromisoformat(value).astimezone(dt.UTC)
    return value


def _reference(value: Any, base: str) -> Any:
    return value.removeprefix(f"{base}/") if base and isinstance(value, str) else value


def _compare(ours: Any, stored: Any, path: str, found: list[str]) -> None:
    if isinstance(ours, dict) and isinstance(stored, dict):
        for key in dict.fromkeys((*ours, *stored)):
            if key not in ours or key not in stored:
                found.append(f"{path}.{key}")
            else:
                _compare(ours[key], stored[key], f"{path}.{key}", found)
    elif isinstance(ours, list) and isinstance(stored, list) and len(ours) == len(stored):
        for index, (one, other) in enumerate(zip(ours, stored, strict=True)):
            _compare(one, other, f"{path}[{index}]", found)
    elif ours != stored or type(ours) is not type(stored):
        found.append(path)


def _key(item: Any) -> str:
    if isinstance(item, dict):
        return f"{item.get('system', '')}|{item.get('code', '')}"
    return str(item)
