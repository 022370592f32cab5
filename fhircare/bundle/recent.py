"""The part of a log that a review can rest on, read without reading the rest.

A rule looks closely at the latest days only; of older ones it needs those that may hold a sign to stop at, a
release, and the first week. Which those are is told from the raw resources, always for too many rather than
for too few: a day that cannot be judged at a glance is read. So the time that reading takes grows with years
only by the glance.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.bundle.diary import read_entries
from fhircare.bundle.logbook import Resources, is_panel, panels_in_force
from fhircare.bundle.source import Source
from fhircare.spec import terms

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.bundle.datatypes import Json
    from fhircare.log import LogEntry

_PLAIN_SKIN = ("clear", "marks")
_PLAIN = {
    "sign": (), "released": (False,), "damage": (False,), "fall-hurt": (False,), "falls": (0,),
    "swelling": ("none", "some"),
}  # fmt: skip
"""Of the panel's components that may tell of a sign to stop at or of a release: the values that do not."""
_OURS = tuple(terms.uri(system) for system in ("log", "measure", "skin-finding"))


class _Day(NamedTuple):
    """A panel and its members, as they stand in the bundle."""

    on: str
    panel: Json
    members: list[Json]


def recent_log(
    found: Resources, on: dt.date, *, days: int, first_days: int, pain_from: int
) -> tuple[LogEntry, ...]:
    """Return of the log in force before ``on`` all that a review can rest on, oldest first.

    Args:
        found: The bundle's resources.
        on: The day to review for.
        days: How many of the last days that were reported are looked at closely.
        first_days: How many of the first days that tell of wear are.
        pain_from: Pain, 0 to 10, from which a day may hold a sign to stop at.
    """
    rows = [
        _Day(str(panel.get("effectiveDateTime", ""))[:10], panel, found.members(panel))
        for _, panel in panels_in_force(found)
    ]
    rows = sorted((row for row in rows if row.on < on.isoformat()), key=lambda row: row.on)
    latest = {*sorted({row.on for row in rows})[-days:]}
    if not _is_worn(row for row in rows if row.on in latest):
        return _read(found, rows)  # a long pause: how long is for whoever knows all of it
    first = {*list(dict.fromkeys(row.on for row in rows if _sessions(row)))[:first_days]}
    wanted = {row.on for row in rows if _may_tell(row, pain_from)} | latest | first
    last_written = max(rows, key=_written, default=None)
    return _read(found, (row for row in rows if row.on in wanted or row is last_written))


def without_log(found: Resources) -> Json:
    """Return a bundle without its log: all that a plan is read from."""
    logged: set[int] = set()
    for entry in found.entries:
        if is_panel(entry):
            logged |= {id(entry["resource"]), *map(id, found.members(entry["resource"]))}
    for plan in found.of_type("CarePlan"):
        logged -= {id(found.get(one)) for one in plan.get("supportingInfo", [])}
    kept = [entry for entry in found.entries if id(entry.get("resource")) not in logged]
    return {**found.bundle, "entry": kept}


def _read(found: Resources, rows: Iterable[_Day]) -> tuple[LogEntry, ...]:
    """Read these days alone, each resource under the name that the others know it by."""
    wanted = {id(one) for row in rows for one in (row.panel, *row.members)}
    entries = [entry for entry in found.entries if id(entry.get("resource")) in wanted]
    return read_entries(Source({"resourceType": "Bundle", "entry": entries}))


def _written(row: _Day) -> float:
    try:
        return dt.datetime.fromisoformat(str(row.panel.get("issued"))).timestamp()
    except ValueError:
        return 0.0


def _sessions(row: _Day) -> list[Json]:
    return [one for one in row.members if _code(one) == "wear-session"]


def _is_worn(rows: Iterable[_Day]) -> bool:
    """Tell whether on one of the days at least everybody who wrote of wear wrote of some."""
    days: dict[str, bool] = {}
    for row in rows:
        if sessions := _sessions(row):
            days[row.on] = days.get(row.on, True) and any(_amount(one) for one in sessions)
    return any(days.values())


def _may_tell(row: _Day, pain_from: int) -> bool:
    """Tell whether a day may hold a sign to stop at, or a release."""
    for part in _parts(row.panel):
        plain = _PLAIN.get(_code(part))
        if (
            plain is not None
            and next((v for n, v in part.items() if n.startswith("value")), None) not in plain
        ):
            return True
    for one in row.members:
        if _code(one) == "wear-session":
            skins = [_code(part.get("valueCodeableConcept")) for part in _parts(one) if _code(part) == "skin"]
            if any(skin not in _PLAIN_SKIN for skin in skins):
                return True
        elif _code(one) != "sock-ply" and not _below(_amount(one), pain_from):
            return True
    return False


def _below(amount: Any, limit: int) -> bool:
    return isinstance(amount, int | float | Decimal) and amount < limit


def _amount(one: Json) -> Any:
    quantity = one.get("valueQuantity")
    return quantity.get("value") if isinstance(quantity, dict) else None


def _parts(one: Json) -> list[Json]:
    return [part for part in one.get("component") or () if isinstance(part, dict)]


def _code(one: Any) -> str:
    """Return the code of a resource, a component or a concept in one of our systems, "" when it has none."""
    concept = one.get("code", one) if isinstance(one, dict) else None
    codings = concept.get("coding") if isinstance(concept, dict) else None
    for coding in codings if isinstance(codings, list) else ():
        if isinstance(coding, dict) and coding.get("system") in _OURS:
            return str(coding.get("code"))
    return ""
