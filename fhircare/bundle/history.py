"""What happens to a bundle after its plan was made: log entries added, the plan revised, history kept.

======================================  ================================================================
what happened                           in the bundle
======================================  ================================================================
a day was written down                  Observations of that day (``diary``)
an entry was corrected                  a new panel, status ``corrected``, that names the one it replaces
the plan was revised                    the new CarePlan with ``replaces``; the old one ``revoked``, or
                                        ``completed`` when its days were over
the old schedule                        its requests ``completed`` up to the change, ``revoked`` after it
a visit was moved or dropped            the old Appointment ``cancelled``, with its reason
why it was revised, or who approved it  Provenance, its entities the panels that were used
wear was stopped                        the plan ``on-hold``, a Flag, and a DetectedIssue for the clinic
a plan after a stop waits               the stopped plan stays ``on-hold`` beside the ``draft``, until it is
                                        approved: what is in force is the stop
======================================  ================================================================

What lives on through revisions (people, devices, conditions, goals, the log) stands once, as the newest
revision has it, and everything refers to that; what is replaced stays beside its successor. So the bundle
holds the whole story, and ``revisions`` reads it back to the first plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.careplan import unshared
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import says
from fhircare.bundle.identity import is_ours
from fhircare.bundle.in_force import CURRENT, revision_of
from fhircare.bundle.logbook import Resources, draft_on, panels_in_force
from fhircare.bundle.reading import read
from fhircare.bundle.source import Source
from fhircare.spec import terms

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping

    from fhircare.bundle.draft import Draft
    from fhircare.plan import Plan

_CANCELLED = "http://terminology.hl7.org/CodeSystem/appointment-cancellation-reason"


@dataclass(frozen=True, slots=True)
class Change:
    """Why a plan changes.

    Attributes:
        at: When, with its offset.
        on: The day from which the change holds.
        reason: Why, in a sentence for the clinic.
        used: Days whose log it rests on.
        by: Who decided; "" for a proposal of the rules.
        who: The key of their Practitioner in the plan, such as ``practitioner/0``; "" for none.
        attention: What the clinic must look at today, in a sentence; "" for nothing.
    """

    at: dt.datetime
    on: dt.date
    reason: str
    used: tuple[dt.date, ...] = ()
    by: str = ""
    who: str = ""
    attention: str = ""


def put_plan(bundle: Mapping[str, Any], plan: Plan, fresh: Mapping[str, Any], change: Change) -> Json:
    """Return a bundle in which a revised or approved plan is in force; what it replaces stays as history.

    Args:
        bundle: The bundle so far.
        plan: The plan to be in force: a later revision, or the same one with another status.
        fresh: The bundle of that plan alone, as ``to_bundle`` makes it.
        change: Why it changes.
    """
    moved = _successors(bundle, fresh)
    kept = [entry for entry in bundle.get("entry", []) if entry.get("fullUrl") not in moved]
    visits = [entry for entry in bundle.get("entry", []) if _visit_moved(entry, moved, fresh)]
    old = [_renamed(entry, plan.revision) for entry in visits]
    aside = {one["was"]: one["entry"]["fullUrl"] for one in old}
    history = [*kept, *(one["entry"] for one in old)]
    stands = _still_stands(history, plan)
    past = [entry if id(entry) in stands else _past(entry, plan, change) for entry in history]
    entries = [_pointing(entry, moved | aside if _is_past_plan(entry) else moved) for entry in past]
    result = {**fresh, "entry": [*fresh["entry"], *entries]}
    draft = draft_on(result, plan)
    _write_origin(draft, result, change)
    if change.attention:
        _write_attention(draft, result, change)
    known = {entry["fullUrl"] for entry in draft.entries}
    result["entry"] = [e for e in result["entry"] if e.get("fullUrl") not in known] + unshared(draft.entries)
    return result


def revisions(bundle: Mapping[str, Any]) -> tuple[Plan, ...]:
    """Return every revision of the plan that a bundle holds, the first one first.

    What a revision replaces (its schedule, its visits, its status) is as it was; what lives on through
    revisions is as it is now.
    """
    source = Source(bundle)
    plans = sorted((one for one in source.of_type("CarePlan") if _ours(one.value)), key=_number)
    newest = read(bundle).plan
    return tuple(
        _read_alone(bundle, one.value) if _number(one) != newest.revision else newest for one in plans
    )


# ------------------------------------------------------------------------------------------ what lives on


def _successors(bundle: Mapping[str, Any], fresh: Mapping[str, Any]) -> dict[str, str]:
    """Return old fullUrl → new fullUrl of everything that the new plan writes anew."""
    names = {name: entry["fullUrl"] for entry in fresh["entry"] if (name := _name(entry["resource"]))}
    urls = {entry["fullUrl"] for entry in fresh["entry"]}
    moved: dict[str, str] = {}
    for entry in bundle.get("entry", []):
        url = entry.get("fullUrl", "")
        found = url if url in urls else names.get(_name(entry.get("resource", {})) or ("", "", ""))
        if found:
            moved[url] = found
    return moved


def _name(resource: Json) -> tuple[str, str, str] | None:
    first = next(iter(resource.get("identifier") or []), None) if _has_list(resource) else None
    if not isinstance(first, dict) or "value" not in first:
        return None
    return resource.get("resourceType", ""), str(first.get("system", "")), str(first["value"])


def _has_list(resource: Json) -> bool:
    return isinstance(resource, dict) and isinstance(resource.get("identifier"), list)


def _pointing(entry: Json, moved: Mapping[str, str]) -> Json:
    return {**entry, "resource": _rewritten(entry.get("resource"), moved)}


def _rewritten(node: Any, moved: Mapping[str, str]) -> Any:
    if isinstance(node, dict):
        return {
            name: moved.get(value, value)
            if name == "reference" and isinstance(value, str)
            else _rewritten(value, moved)
            for name, value in node.items()
        }
    return [_rewritten(one, moved) for one in node] if isinstance(node, list) else node


# --------------------------------------------------------------------------------------- what is replaced


def _still_stands(history: list[Json], plan: Plan) -> set[int]:
    """Return which entries stay in force beside the new plan: a stop, until the plan after it is approved."""
    if plan.status != "draft" or plan.stopped_since is None:
        return set()
    held = [one for one in history if _is_past_plan(one) and one["resource"].get("status") == "on-hold"]
    own = {
        a.get("reference", {}).get("reference") for one in held for a in one["resource"].get("activity", [])
    }
    return {id(one) for one in history if one in held or one.get("fullUrl") in own}


def _past(entry: Json, plan: Plan, change: Change) -> Json:
    """Return an entry that the new plan does not hold, no longer in force."""
    resource = entry.get("resource", {})
    kind, status = resource.get("resourceType"), resource.get("status")
    if not _ours(resource):
        return entry
    if kind == "CarePlan" and status in CURRENT:
        return {**entry, "resource": _replaced(resource, plan, change)}
    if kind == "ServiceRequest" and status in CURRENT and resource.get("intent") == "plan":
        ended = "completed" if _last_day(resource) < change.on.isoformat() else "revoked"
        return {**entry, "resource": {**resource, "status": ended}}
    if kind == "Appointment" and status in ("proposed", "booked"):
        return {**entry, "resource": _cancelled(resource, change)}
    if kind == "Flag" and status == "active":
        period: Json = resource.get("period", {})
        until: Json = {**period, "end": max(str(period.get("start", "")), change.on.isoformat())}
        return {**entry, "resource": {**resource, "status": "inactive", "period": until}}
    return entry


def _replaced(careplan: Json, plan: Plan, change: Change) -> Json:
    over = str(careplan.get("period", {}).get("end", "9999")) < change.on.isoformat()
    status = "completed" if over else "revoked"
    said = says(
        "A plan that is no longer in force",
        ("Status", status),
        ("From", change.on.isoformat()),
        ("Replaced by", f"{plan.number}, revision {plan.revision}"),
    )
    return {**careplan, "status": status, "text": said}


def _cancelled(visit: Json, change: Change) -> Json:
    why = f"The plan was revised. {change.reason}"
    reason = fhir.concept(why, {"system": _CANCELLED, "code": "other", "display": "Other"})
    put: Json = {}
    for name, value in visit.items():
        put[name] = "cancelled" if name == "status" else value
        if name == "status":
            put["cancelationReason"] = reason
    start = str(visit.get("start", ""))
    window: Json = next(iter(visit.get("requestedPeriod", [])), {})
    put["text"] = says(
        str(visit.get("description", "Visit")),
        ("Status", "cancelled"),
        ("Why", why),
        ("Was", f"{start[:16].replace('T', ' ')}, {visit.get('minutesDuration')} minutes"),
        ("Between", f"{window.get('start')} and {window.get('end')}" if window else ""),
        ("Why then", str(visit.get("comment", ""))),
    )
    return put


def _visit_moved(entry: Json, moved: Mapping[str, str], fresh: Mapping[str, Any]) -> bool:
    """Tell whether an old Appointment has a successor of the same name at another time."""
    resource = entry.get("resource", {})
    if resource.get("resourceType") != "Appointment" or entry.get("fullUrl") not in moved:
        return False
    target = moved[entry["fullUrl"]]
    new = next(one["resource"] for one in fresh["entry"] if one["fullUrl"] == target)
    return bool(entry["fullUrl"] != target and new.get("start") != resource.get("start"))


def _renamed(entry: Json, revision: int) -> Json:
    """Return the old time of a visit as a thing of its own, named by the revision that moved it."""
    first, *rest = entry["resource"]["identifier"]
    named = [{**first, "value": f"{first['value']}/before-r{revision}"}, *rest]
    return {
        "was": entry["fullUrl"],
        "entry": {**entry, "resource": {**entry["resource"], "identifier": named}},
    }


def _is_past_plan(entry: Json) -> bool:
    return bool(entry.get("resource", {}).get("resourceType") == "CarePlan")


def _last_day(request: Json) -> str:
    repeat = request.get("occurrenceTiming", {}).get("repeat", {})
    span = repeat.get("boundsPeriod") or request.get("occurrencePeriod") or {}
    return str(span.get("end", "9999"))


# ----------------------------------------------------------------------------------------------- why


def _write_origin(draft: Draft, bundle: Mapping[str, Any], change: Change) -> None:
    """Add the Provenance of a decision, or of an approval."""
    rules = {"display": "fhircare, rules for following a plan"}
    who = {**draft.made.get(change.who, {}), "display": change.by} if change.by else rules
    clinic = draft.made.get("clinic")
    agent = {
        "type": fhir.concept("", terms.coding("participant-type", "verifier" if change.by else "author")),
        "who": who,
        "onBehalfOf": clinic,
    }
    body = {
        "target": [draft.made["plan"]],
        "recorded": change.at.isoformat(),
        "reason": [fhir.concept(change.reason)],
        "activity": fhir.concept("", terms.coding("data-operation", "UPDATE")),
        "agent": [filled(agent)],
        "entity": [{"role": "source", "what": {"reference": url}} for url in _used(bundle, change)],
    }
    title = "Approval of this plan" if change.by else "Why this plan was revised"
    rows = [("Recorded", change.at.isoformat()), ("By", change.by), ("Why", change.reason)]
    rows.append(("Rests on the log of", ", ".join(day.isoformat() for day in change.used)))
    key = f"{'approval' if change.by else 'decision'}/{change.at.isoformat()}"
    draft.add("Provenance", key, filled(body), text=says(title, *rows), profile="")


def _write_attention(draft: Draft, bundle: Mapping[str, Any], change: Change) -> None:
    key = f"attention/{change.on.isoformat()}/r{draft.plan.revision}"
    body = {
        "identifier": draft.own(key, lasting=True),
        "status": "final",
        "code": fhir.concept("Wear of the prosthesis was stopped"),
        "severity": "high",
        "patient": draft.made.get("patient"),
        "identifiedDateTime": change.at.isoformat(),
        "implicated": [draft.made["plan"]],
        "evidence": [{"detail": [{"reference": url} for url in _used(bundle, change)]}]
        if change.used
        else [],
        "detail": change.attention,
    }
    said = says("For the clinic today", ("What", change.attention), ("Since", change.on.isoformat()))
    draft.add("DetectedIssue", key, filled(body), text=said)


def _used(bundle: Mapping[str, Any], change: Change) -> list[str]:
    """Return the fullUrl of every panel in force of the days that were used."""
    days = {day.isoformat() for day in change.used}
    return [
        url for url, panel in panels_in_force(Resources(bundle)) if panel.get("effectiveDateTime") in days
    ]


# ------------------------------------------------------------------------------------------ reading back


def _read_alone(bundle: Mapping[str, Any], careplan: Json) -> Plan:
    """Return a past revision, read as if it were in force."""
    mine = {one.get("reference", {}).get("reference") for one in careplan.get("activity", [])}
    mine |= {one.get("reference") for one in careplan.get("supportingInfo", [])}
    over = {"ServiceRequest": ("revoked", "completed"), "Flag": ("inactive",)}
    entries = []
    for entry in bundle["entry"]:
        resource = entry.get("resource", {})
        if resource.get("resourceType") == "CarePlan":
            if resource is careplan:
                entries.append({**entry, "resource": {**resource, "status": "active"}})
        elif entry.get("fullUrl") in mine and resource.get("status") in over.get(
            resource["resourceType"], ()
        ):
            entries.append({**entry, "resource": {**resource, "status": "active"}})
        else:
            entries.append(entry)
    return replace(read({**bundle, "entry": entries}).plan, status=careplan["status"])


def _number(careplan: Any) -> int:
    return int(revision_of(careplan).value)


def _ours(resource: Json) -> bool:
    if not _has_list(resource):
        return False
    return any(is_ours(str(one.get("system", ""))) for one in resource["identifier"] if isinstance(one, dict))
