"""The codes the bundle may use: ``terms.toml``, looked up by the system's short name.

::

    coding("sct", "74444006")  # {"system": "http://snomed.info/sct", "code": "74444006", "display": "Limb …"}
    uri("care-task")           # "https://fhircare.github.io/fhir/CodeSystem/care-task"

A system that is closed refuses a code that is not listed; an open one (the planner's tables, UCUM, language
tags) takes any code, and gives its display when it is listed.
"""

from __future__ import annotations

import tomllib
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any


@cache
def systems() -> dict[str, dict[str, Any]]:
    """Return every system by its short name: ``uri``, ``codes`` and, where stated, source and licence."""
    text = files("fhircare.spec").joinpath("terms.toml").read_text(encoding="utf-8")
    table: dict[str, dict[str, Any]] = tomllib.loads(text)["system"]
    return table


def uri(system: str) -> str:
    """Return a system's URI.

    Raises:
        KeyError: When no such system is listed.
    """
    found: str = systems()[system]["uri"]
    return found


def display(system: str, code: str) -> str:
    """Return what the code says, "" where the list does not tell."""
    said: str = systems()[system].get("codes", {}).get(code, "")
    return said


def coding(system: str, code: str) -> dict[str, Any]:
    """Return the FHIR Coding of a listed code.

    Raises:
        KeyError: When the system is closed and does not list the code.
    """
    return _coding(system, code).copy()


@lru_cache(maxsize=4096)
def _coding(system: str, code: str) -> dict[str, Any]:
    entry = systems()[system]
    said = entry.get("codes", {}).get(code)
    if said is None and not entry.get("open", False):
        raise KeyError(f"{system} does not list this code")
    found = {"system": entry["uri"], "code": code}
    if said:
        found["display"] = said
    return found
