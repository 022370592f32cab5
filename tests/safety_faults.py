# ruff: noqa: E501, FBT003 - a table is read across
"""Faults of a plan's bundle, one at a time: the rule that each breaks, and how it is made from a sound one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

Bundle = dict[str, Any]


def resource(bundle: Bundle, kind: str, code: str = "") -> dict[str, Any]:
    """The first resource of a type, for a request or device with one of our codes."""
    return next(
        one
        for entry in bundle["entry"]
        if (one := entry["resource"])["resourceType"] == kind and (not code or code in _codes(one))
    )


def _codes(one: dict[str, Any]) -> set[str]:
    concepts = [one.get("code") or {}, one.get("type") or {}]
    return {c["code"] for concept in concepts if isinstance(concept, dict) for c in concept.get("coding", ())}


def request(bundle: Bundle, code: str) -> dict[str, Any]:
    return resource(bundle, "ServiceRequest", code)


def detail(bundle: Bundle, activity: str, code: str) -> dict[str, Any]:
    return next(d for d in request(bundle, activity)["orderDetail"] if d["coding"][0]["code"] == code)


def parameter(bundle: Bundle, activity: str, code: str, name: str) -> dict[str, Any]:
    """The extension that holds a parameter's value."""
    for one in detail(bundle, activity, code)["extension"]:
        if one["extension"][0]["valueCodeableConcept"]["coding"][0]["code"] == name:
            return one["extension"][1]
    raise KeyError(name)


def drop(bundle: Bundle, activity: str, code: str) -> None:
    request(bundle, activity)["orderDetail"].remove(detail(bundle, activity, code))


def drop_activity(bundle: Bundle, code: str) -> None:
    """The plan no longer refers to the request; it is still there."""
    plan = resource(bundle, "CarePlan")
    wanted = request(bundle, code)
    url = next(entry["fullUrl"] for entry in bundle["entry"] if entry["resource"] is wanted)
    plan["activity"] = [one for one in plan["activity"] if one["reference"]["reference"] != url]


def contact(bundle: Bundle, purpose: str) -> dict[str, Any]:
    clinic = resource(bundle, "Organization")
    return next(c for c in clinic["contact"] if c["purpose"]["coding"][0]["code"] == purpose)


def set_level(bundle: Bundle, sign: str, level: str) -> None:
    concept = parameter(bundle, "warning-signs", sign, "level")["valueCodeableConcept"]
    concept["coding"][0]["code"] = level


def repeat(bundle: Bundle) -> dict[str, Any]:
    return request(bundle, "wear-session")["occurrenceTiming"]["repeat"]


def flag(bundle: Bundle) -> dict[str, Any]:
    return resource(bundle, "Flag", "stop")


def visit(bundle: Bundle) -> dict[str, Any]:
    return resource(bundle, "Appointment")


def put(node: Any, name: Any, value: Any) -> None:
    node[name] = value


def visits(bundle: Bundle) -> list[dict[str, Any]]:
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Appointment"]


def drop_visits(bundle: Bundle) -> None:
    urls = {e["fullUrl"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Appointment"}
    plan = resource(bundle, "CarePlan")
    plan["activity"] = [one for one in plan["activity"] if one["reference"]["reference"] not in urls]


def sessions(bundle: Bundle) -> list[dict[str, Any]]:
    found = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "ServiceRequest"]
    return [one for one in found if "wear-session" in _codes(one)]


def drop_day(bundle: Bundle, day: int) -> None:
    """The sessions of a day, counted from 0, are no longer the plan's."""
    starts = [one["occurrenceTiming"]["repeat"]["boundsPeriod"]["start"] for one in sessions(bundle)]
    start = sorted(set(starts))[day]
    gone = [one for one, begins in zip(sessions(bundle), starts, strict=True) if begins == start]
    urls = {e["fullUrl"] for e in bundle["entry"] if e["resource"] in gone}
    plan = resource(bundle, "CarePlan")
    plan["activity"] = [one for one in plan["activity"] if one["reference"]["reference"] not in urls]


def wear_rule(bundle: Bundle, day: int) -> dict[str, Any]:
    """The detail that says why a day is as it is."""
    systems = [(d, d["coding"][0]["system"]) for one in sessions(bundle) for d in one["orderDetail"]]
    return [d for d, system in systems if system.endswith("/wear-rule")][day]


def rise(bundle: Bundle) -> None:
    """Six hours on the second day, after one on the first."""
    for one in sessions(bundle)[2:4]:
        one["occurrenceTiming"]["repeat"]["duration"] = 180


def set_status(bundle: Bundle, status: str) -> None:
    resource(bundle, "CarePlan")["status"] = status


def another_person(bundle: Bundle) -> dict[str, str]:
    bundle["entry"].append(
        {"fullUrl": "urn:uuid:6fce6809-8b0f-506f-a4ea-c843de89aeff", "resource": {"resourceType": "Patient"}}
    )
    return {"reference": "urn:uuid:6fce6809-8b0f-506f-a4ea-c843de89aeff"}


def shift(bundle: Bundle) -> None:
    """The narrative of the plan has another start for the first session."""
    said = resource(bundle, "CarePlan")["text"]
    said["div"] = re.sub(r"<td>\d\d:\d\d</td>", "<td>05:17</td>", said["div"], count=1)


def rewrite(bundle: Bundle, old: str, new: str) -> None:
    said = resource(bundle, "CarePlan")["text"]
    said["div"] = said["div"].replace(old, new)


def rewrite_form(bundle: Bundle) -> None:
    """The log form calls a sign something else than the plan does."""
    for item in resource(bundle, "Questionnaire")["item"]:
        for option in item.get("answerOption", ()):
            if option.get("valueCoding", {}).get("code") == "blister":
                option["valueCoding"]["display"] = "A bruise"


def two_lists(bundle: Bundle) -> None:
    """The plan refers to its warning signs twice."""
    plan = resource(bundle, "CarePlan")
    wanted = request(bundle, "warning-signs")
    url = next(entry["fullUrl"] for entry in bundle["entry"] if entry["resource"] is wanted)
    plan["activity"].append({"reference": {"reference": url}})


FAULTS: list[tuple[str, Callable[[Bundle], Any]]] = [
    ("contact.phone", lambda b: resource(b, "Organization")["contact"].remove(contact(b, "opening-hours"))),
    ("contact.emergency", lambda b: resource(b, "Organization")["contact"].remove(contact(b, "emergency"))),
    ("contact.after-hours", lambda b: resource(b, "Organization")["contact"].remove(contact(b, "after-hours"))),
    ("contact.phone-form", lambda b: put(contact(b, "emergency")["telecom"][0], "value", "call us")),
    ("contact.differs", lambda b: put(resource(b, "Organization")["telecom"][0], "value", "+1-815-555-0111")),
    ("contact.time-zone", lambda b: resource(b, "HealthcareService")["availableTime"][0].pop("_availableEndTime")),
    ("contact.prosthetist", lambda b: resource(b, "CareTeam")["participant"].pop(0)),
    ("contact.name", lambda b: put(resource(b, "HealthcareService"), "name", "Another clinic")),
    ("sign.none", lambda b: drop_activity(b, "warning-signs")),
    ("sign.missing", lambda b: drop(b, "warning-signs", "blister")),
    ("sign.milder", lambda b: set_level(b, "blister", "watch")),
    ("sign.milder", lambda b: set_level(b, "breathing-trouble", "stop")),
    ("sign.level", lambda b: set_level(b, "blister", "soon")),
    ("sign.twice", lambda b: request(b, "warning-signs")["orderDetail"].append(detail(b, "warning-signs", "blister"))),
    ("sign.call", lambda b: put(
        parameter(b, "warning-signs", "dark-area", "call")["valueCodeableConcept"]["coding"][0], "code", "none")),
    ("sign.limit", lambda b: put(detail(b, "warning-signs", "fever"), "text", "Fever of 40 °C or more")),
    ("sign.fever", lambda b: put(parameter(b, "warning-signs", "fever", "limit")["valueQuantity"], "value", 41)),
    ("sign.form", rewrite_form),
    ("sign.text", lambda b: detail(b, "warning-signs", "blister").pop("text")),
    ("sign.two-lists", two_lists),
    ("redness.differs", lambda b: put(
        parameter(b, "warning-signs", "redness-stays", "limit")["valueQuantity"], "value", 45)),
    ("redness.differs", lambda b: put(parameter(b, "wear-schedule", "redness", "redness")["valueQuantity"], "value", 20)),
    ("redness.limit", lambda b: put(parameter(b, "wear-schedule", "redness", "redness")["valueQuantity"], "value", 600)),
    ("flag.missing", lambda b: resource(b, "CarePlan")["supportingInfo"].pop()),
    ("flag.status", lambda b: put(flag(b), "status", "inactive")),
    ("flag.status", lambda b: put(flag(b)["period"], "end", "2026-11-20")),
    ("flag.text", lambda b: put(flag(b)["code"], "text", flag(b)["code"]["text"].replace("; A blister", ""))),
    ("flag.detail", lambda b: flag(b)["extension"].pop(1)),
    ("flag.priority", lambda b: flag(b)["extension"].pop(0)),
    ("advice.none", lambda b: drop_activity(b, "advice")),
    ("advice.missing", lambda b: drop(b, "advice", "caution.stop")),
    ("advice.missing", lambda b: drop(b, "advice", "call.emergency")),
    ("wear.missing", lambda b: drop_activity(b, "wear-schedule")),
    ("wear.timing", lambda b: put(repeat(b), "frequency", 2)),
    ("wear.duration", lambda b: put(repeat(b), "duration", 0)),
    ("wear.split", lambda b: put(parameter(b, "wear-session", "split", "walking")["valueQuantity"], "value", 25)),
    ("wear.waking", lambda b: put(repeat(b), "timeOfDay", ["21:50:00"])),
    ("wear.overlap", lambda b: put(repeat(b), "duration", 400)),
    ("wear.rest", lambda b: put(parameter(b, "wear-schedule", "rest", "rest")["valueQuantity"], "value", 900)),
    ("wear.gap", lambda b: drop_day(b, 2)),
    ("wear.before-delivery", lambda b: put(repeat(b)["boundsPeriod"], "start", "2026-11-10")),
    ("wear.period", lambda b: put(resource(b, "CarePlan")["period"], "end", "2027-01-31")),
    ("wear.days", lambda b: put(repeat(b)["boundsPeriod"], "end", "2019-01-31")),
    ("wear.rise", rise),
    ("wear.reason", lambda b: request(b, "wear-session")["orderDetail"].pop()),
    ("wear.step", lambda b: put(wear_rule(b, 1)["extension"][1]["extension"][1]["valueQuantity"], "value", 5)),
    ("wear.step-minutes", lambda b: put(wear_rule(b, 2)["extension"][1]["extension"][1]["valueQuantity"], "value", 2)),
    ("wear.skin-check", lambda b: drop_activity(b, "skin-check")),
    ("wear.skin-check-days", lambda b: put(request(b, "skin-check")["occurrencePeriod"], "end", "2026-11-20")),
    ("wear.skin-check-after", lambda b: request(b, "skin-check").pop("asNeededCodeableConcept")),
    ("wear.stopped", lambda b: set_status(b, "on-hold")),
    ("socks.sum", lambda b: put(parameter(b, "sock-guide", "socks", "total-ply")["valueQuantity"], "value", 30)),
    ("socks.issued", lambda b: put(
        resource(b, "Device", "sock")["property"][1]["valueQuantity"][0], "value", 0)),
    ("socks.limit", lambda b: put(resource(b, "Observation", "ply-at-delivery")["valueQuantity"], "value", 9)),
    ("socks.limit-differs", lambda b: put(
        resource(b, "Observation", "ply-at-delivery")["referenceRange"][0]["low"], "value", 7)),
    ("visit.none", drop_visits),
    ("visit.end", lambda b: put(visit(b), "end", "2026-11-23T18:45:00-06:00")),
    ("visit.minutes", lambda b: put(visit(b), "minutesDuration", 9000)),
    ("visit.before-delivery", lambda b: put(visit(b), "start", "2026-11-02T10:00:00-06:00")),
    ("visit.outside", lambda b: put(visit(b), "start", "2026-11-17T10:00:00-06:00")),
    ("visit.window", lambda b: put(visit(b)["requestedPeriod"][0], "start", "2027-11-17")),
    ("visit.late", lambda b: [put(one, "status", "cancelled") for one in visits(b)[:-1]]),
    ("visit.participant", lambda b: put(visit(b)["participant"][0], "status", "accepted")),
    ("visit.person", lambda b: visit(b)["participant"].pop(0)),
    ("visit.description", lambda b: put(visit(b), "description", "Annual check")),
    ("plan.intent", lambda b: put(resource(b, "CarePlan"), "intent", "plan")),
    ("plan.request-status", lambda b: put(request(b, "wear-session"), "status", "active")),
    ("plan.do-not", lambda b: put(request(b, "skin-check"), "doNotPerform", True)),
    ("plan.replaces", lambda b: put(resource(b, "CarePlan"), "replaces", [{"identifier": {"value": "HC-2026-0001/r0"}}])),
    ("plan.other-person", lambda b: put(request(b, "advice"), "subject", another_person(b))),
    ("plan.side", lambda b: put(resource(b, "Condition")["bodySite"][0], "text", "Left")),
    ("plan.test-data", lambda b: resource(b, "Patient")["meta"].pop("security")),
    ("dates.amputation", lambda b: put(resource(b, "Condition"), "onsetDateTime", "2026-12-11")),
    ("dates.start", lambda b: put(resource(b, "DeviceUseStatement")["timingPeriod"], "start", "2027-11-16")),
    ("dates.created", lambda b: put(resource(b, "CarePlan"), "created", "2026-01-16T11:40:00-06:00")),
    ("dates.birth", lambda b: put(resource(b, "Patient"), "birthDate", "2027-01-01")),
    ("twice.instruction", lambda b: put(repeat(b), "timeOfDay", ["09:05:00"])),
    ("twice.unit", lambda b: put(parameter(b, "wear-session", "split", "walking")["valueQuantity"], "unit", "h")),
    ("twice.display", lambda b: put(flag(b)["code"]["coding"][0], "display", "Carry on")),
    ("twice.code", lambda b: put(resource(b, "Device", "sock")["type"]["coding"][0], "code", "stocking")),
    ("narrative.call", lambda b: put(contact(b, "emergency")["telecom"][0], "value", "112")),
    ("narrative.number", lambda b: put(resource(b, "Patient"), "birthDate", "1970-05-02")),
    ("narrative.days", shift),
    ("narrative.stop", lambda b: rewrite(b, "A blister", "A bruise")),
    ("narrative.missing", lambda b: request(b, "advice").pop("text")),
]  # fmt: skip
"""A rule, and a change to a sound bundle that breaks it."""
