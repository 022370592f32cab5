"""One source: change a value in the bundle, and a page changes with it or the bundle is found at odds."""

from __future__ import annotations

import collections
import copy
import datetime as dt
import functools
import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from fhircare.bundle import differences, read, to_bundle
from fhircare.check import check
from fhircare.errors import FhircareError
from fhircare.render import calendar, render
from tests.plans import whole_plan

if TYPE_CHECKING:
    from collections.abc import Iterator

Path = tuple[str | int, ...]
INSTANCES = 1
"""How many values of one kind (the same path but for its indexes) are tried."""
STATUSES = {"status", "intent", "lifecycleStatus", "achievementStatus"}
NOT_CLINICAL = re.compile(
    r"\.(?:meta|text\.div|identifier|fullUrl|id|reference|profile|system|display|url)\b"
    r"|^(?:Provenance|CarePlan\.created|.*\.(?:recordedDate|recordedOn|recorded|authoredOn)$)"
    r"|Organization\.address.*postalCode"
)
"""What tells systems apart, or when a resource was written; nothing a person lives by."""


@functools.cache
def whole() -> dict[str, Any]:
    return to_bundle(whole_plan(), validate=False)


def leaves(node: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield from leaves(value, (*path, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from leaves(value, (*path, index))
    else:
        yield path, node


def named(bundle: dict[str, Any], path: Path) -> str:
    """A path as people write it, from the resource's type on, without indexes."""
    kind = bundle["entry"][path[1]]["resource"]["resourceType"]
    return ".".join([kind, *(str(step) for step in path[3:] if isinstance(step, str))])


def other(key: str, value: Any) -> Any:
    """Another value of the same type; None where the value is not of a kind that is meant here."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | Decimal):
        return value + 1
    if not isinstance(value, str):
        return None
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
        return (dt.date.fromisoformat(value) + dt.timedelta(days=1)).isoformat()
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}T.*", value):
        return (dt.datetime.fromisoformat(value) + dt.timedelta(minutes=15)).isoformat()
    if re.fullmatch(r"\d{2}:\d{2}:\d{2}", value):
        hour = (int(value[:2]) + 1) % 24
        return f"{hour:02}{value[2:]}"
    if re.fullmatch(r"\+?[\d-]{6,}|911", value):
        return f"{value}7"
    if key in STATUSES:
        return {"draft": "active", "proposal": "plan"}.get(value, "entered-in-error")
    return None


def mutants() -> list[Any]:
    """Every clinically meaningful value of the bundle, a few of each kind, with what it is changed to."""
    seen: collections.Counter[str] = collections.Counter()
    found = []
    for path, value in leaves(whole()):
        if path[0] != "entry" or len(path) < 4 or path[2] != "resource":
            continue
        name = named(whole(), path)
        key = next(step for step in reversed(path) if isinstance(step, str))
        changed = other(key, value)
        if changed is None or NOT_CLINICAL.search(name) or seen[name] == INSTANCES:
            continue
        seen[name] += 1
        found.append(pytest.param(path, changed, id=f"{name}-{seen[name]}"))
    return found


def said(bundle: dict[str, Any]) -> str:
    """All that people are told from a bundle: every reader's page and the calendar; an error says itself."""
    try:
        found = read(bundle)
        pages = [
            str(render(found, "txt", reader)) for reader in ("patient", "clinic", "therapist", "physician")
        ]
        return "\n".join([*pages, calendar(found).decode()])
    except FhircareError as error:
        return str(error)


def at_odds(bundle: dict[str, Any]) -> bool:
    return bool(differences(bundle, to_bundle(read(bundle).plan, validate=False)))


def found(bundle: dict[str, Any]) -> set[tuple[str, str]]:
    return {(issue.rule, issue.expression) for issue in check(bundle).issues if issue.severity == "error"}


@functools.cache
def known() -> set[tuple[str, str]]:
    """What the check says of the plan as it is: it is small, and leaves out signs that every plan names."""
    return found(whole())


@functools.cache
def told() -> str:
    return said(whole())


def test_there_are_enough_values_to_try() -> None:
    """The walk over the bundle finds its times, durations, dates, counts, phones and statuses."""
    names = {param.id for param in mutants()}

    assert len(names) > 80
    assert {"Appointment.start-1", "CarePlan.status-1", "Organization.telecom.value-1"} <= names


@pytest.mark.parametrize(("path", "changed"), mutants())
def test_no_value_can_drift(path: Path, changed: Any) -> None:
    """The changed value shows on a page or in the calendar, or the bundle is found at odds with itself.

    At odds: what is written anew from the plan that was read is not what stands there, or the check says so.
    """
    bundle = copy.deepcopy(whole())
    node: Any = bundle
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = changed

    noticed = said(bundle) != told() or at_odds(bundle) or found(bundle) - known()
    assert noticed
