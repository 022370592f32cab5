"""A plan in which every text that a person or another system could have written is hostile."""

from __future__ import annotations

import dataclasses
import types
import typing
from typing import Any

FIRES = "document.title='fired';window.fired=1"
HOSTILE = {
    "script": f"<script>{FIRES}</script>",
    "handler": f'"\'><img src=x onerror="{FIRES}"><svg/onload="{FIRES}">',
    "link": f"javascript:{FIRES}",
    "style": "</style></title></textarea><style>*{position:fixed;width:9999px}</style>",
    "template": "{{ 7*7 }}{% include 'x' %}{phone}%(phone)s",
    "directions": "\u202eabc\u202d\u2066def\u2069\u200f\u0000\u0007\u001b[2J\ufeff\ud800",
    "long": "W" * 10_000,
    "long-words": "Wort " * 2_000,
}
HOSTILE["all"] = "".join(text for kind, text in HOSTILE.items() if "long" not in kind)
KEPT = {"time_zone"}
"""Fields that are no words: a zone that does not exist is refused before a page is made."""


def hostile(part: Any, text: str, *, once: set[tuple[type, str]] | None = None) -> Any:
    """The same part of a plan, ``text`` in every free string of it; codes of a closed list stay.

    Args:
        part: A part, or a tuple of parts.
        text: What to write.
        once: When given, only the first string of each field is written over: very long text, everywhere at
            once, would make a page of megabytes. Holds the fields done so far.
    """
    if isinstance(part, tuple):
        return tuple(hostile(one, text, once=once) for one in part)
    if not dataclasses.is_dataclass(part):
        return part
    hints = typing.get_type_hints(type(part))
    changes = {}
    for field in dataclasses.fields(part):
        value = getattr(part, field.name)
        written = isinstance(value, str) or (isinstance(value, tuple) and value and isinstance(value[0], str))
        if not written:
            changes[field.name] = hostile(value, text, once=once)
        elif field.name not in KEPT and not closed(hints[field.name]):
            if once is not None:
                if (type(part), field.name) in once:
                    continue
                once.add((type(part), field.name))
            changes[field.name] = text if isinstance(value, str) else (text,) * len(value)
    return dataclasses.replace(part, **changes)


def closed(hint: Any) -> bool:
    """Whether a type holds codes of a closed list only."""
    if typing.get_origin(hint) is typing.Literal:
        return True
    inner = typing.get_args(hint)
    if typing.get_origin(hint) in {tuple, typing.Union, types.UnionType, typing.Annotated}:
        return any(closed(one) for one in inner)
    return False
