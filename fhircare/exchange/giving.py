"""Goals out: the plan's goals with what shows progress towards them, for the therapist's own system.

A part of the plan's bundle, as it stands there: the goals, the observations of their measures, and whoever
and whatever those refer to. A goal that came from elsewhere goes back with its identifier, its author and its
extensions as they came.
"""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING, Any

from fhircare.bundle.in_force import careplan_in_force
from fhircare.errors import BundleError, Fault
from fhircare.exchange import wire
from fhircare.exchange.entries import plain, references

if TYPE_CHECKING:
    from fhircare.exchange.client import Resource


def give_goals(bundle: dict[str, Any]) -> dict[str, Any]:
    """Return a bundle of the plan's goals and their progress.

    Raises:
        BundleError: When there is no plan, or no goal in it.
    """
    listed = [entry for entry in bundle.get("entry") or [] if isinstance(entry.get("resource"), dict)]
    plan = careplan_in_force(bundle)
    if plan is None:
        raise BundleError(Fault("Bundle.entry", "holds no plan", "name a plan's bundle"))
    named = {str(r.get("reference", "")) for r in plan.get("goal") or []}
    goals = [entry for entry in listed if _is(entry, "Goal") and _name(entry) & named]
    if not goals:
        raise BundleError(Fault("CarePlan.goal", "is empty", "there is nothing to give"))
    measures = {code for entry in goals for code in _measures(entry["resource"])}
    progress = [entry for entry in listed if _is(entry, "Observation") and _codes(entry) & measures]
    wanted = _with_what_they_refer_to([*goals, *progress], listed)
    given = {
        "resourceType": "Bundle",
        "type": "collection",
        # Whose goals these are is told by the plan's number, as in the whole bundle.
        "identifier": _series(plan) or bundle.get("identifier"),
        "timestamp": bundle.get("timestamp"),
        "entry": [copy.deepcopy(entry) for entry in listed if id(entry) in wanted],
    }
    return {key: value for key, value in given.items() if value}


def as_ndjson(bundle: dict[str, Any]) -> bytes:
    """Return the resources of a bundle as NDJSON, one a line, each with an id the others refer to it by."""
    listed = bundle.get("entry") or []
    ids = {str(e.get("fullUrl", "")): _id(e) for e in listed}
    lines = []
    for entry in listed:
        resource = copy.deepcopy(entry["resource"])
        for reference in references(resource):
            found = next((e for e in listed if e.get("fullUrl") == reference["reference"]), None)
            if found is not None:
                reference["reference"] = f"{found['resource']['resourceType']}/{ids[found['fullUrl']]}"
        lines.append(wire.dumps({"resourceType": resource["resourceType"], "id": _id(entry)} | resource))
    return b"".join(line + b"\n" for line in lines)


def _with_what_they_refer_to(first: list[dict[str, Any]], listed: list[dict[str, Any]]) -> set[int]:
    by_name = {name: entry for entry in listed for name in _name(entry)}
    wanted, due = set[int](), list(first)
    while due:
        entry = due.pop()
        if id(entry) in wanted:
            continue
        wanted.add(id(entry))
        for reference in references(entry["resource"]):
            target = by_name.get(plain(str(reference["reference"])))
            if target is not None and not _is(target, "CarePlan"):
                due.append(target)
    return wanted


def _is(entry: dict[str, Any], kind: str) -> bool:
    return bool(entry["resource"].get("resourceType") == kind)


def _name(entry: dict[str, Any]) -> set[str]:
    resource = entry["resource"]
    short = f"{resource.get('resourceType')}/{resource['id']}" if resource.get("id") else ""
    return {name for name in (str(entry.get("fullUrl", "")), short) if name}


def _id(entry: dict[str, Any]) -> str:
    full_url = str(entry.get("fullUrl", ""))
    return str(entry["resource"].get("id") or full_url.rpartition("/")[2].rpartition(":")[2])


def _measures(goal: Resource) -> set[str]:
    return {code for target in goal.get("target") or [] for code in _coded(target.get("measure"))}


def _codes(entry: dict[str, Any]) -> set[str]:
    return _coded(entry["resource"].get("code"))


def _coded(concept: Any) -> set[str]:
    codings = (concept or {}).get("coding") or []
    return {f"{c.get('system', '')}|{c['code']}" for c in codings if c.get("code")}


def _series(plan: Resource) -> dict[str, Any] | None:
    numbers = plan.get("identifier") or []
    return numbers[-1] if numbers else None
