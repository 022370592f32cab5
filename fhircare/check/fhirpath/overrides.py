"""The rules whose published text is not what is evaluated; the table with reasons is ``overrides.toml``."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import NamedTuple


class Override(NamedTuple):
    """One entry of the table.

    Attributes:
        keys: The rules whose text it is, for people.
        published: HL7's text.
        evaluated: What is evaluated instead.
        reason: Why the published text will not do.
        element: The only element it applies to, "" wherever the text stands.
    """

    keys: str
    published: str
    evaluated: str
    reason: str
    element: str = ""


@cache
def overrides() -> tuple[Override, ...]:
    """Return the whole table."""
    text = files(__package__).joinpath("overrides.toml").read_text(encoding="utf-8")
    return tuple(Override(**entry) for entry in tomllib.loads(text)["override"])


@cache
def _by_text() -> dict[tuple[str, str], Override]:
    return {(entry.published, entry.element): entry for entry in overrides()}


def override_of(expression: str, context: str) -> Override | None:
    """Return the override of a published text on an element, None when it is evaluated as published."""
    table = _by_text()
    return table.get((expression, context)) or table.get((expression, ""))


def evaluated(expression: str, context: str) -> str:
    """Return the text to evaluate for a published one on an element: itself, or its override."""
    found = override_of(expression, context)
    return found.evaluated if found else expression
