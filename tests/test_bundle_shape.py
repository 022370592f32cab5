"""The bundle as others receive it: names, order, narrative, and that it conforms."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from fhircare.bundle import dump, to_bundle
from fhircare.bundle.located import Node
from fhircare.bundle.timing import expand
from fhircare.check import check
from fhircare.delivery import read_delivery
from fhircare.plan import Advice, CarePlanParts, Name, Plan
from fhircare.planner import make_plan
from tests.plans import whole_plan
from tests.strategies_plan import plans

RECORDS = sorted((Path(__file__).parent.parent / "examples" / "records").glob("*.yaml"))
PLAN = whole_plan()
BUNDLE = to_bundle(PLAN)
XHTML = "{http://www.w3.org/1999/xhtml}"


def _resources(bundle: dict[str, Any], kind: str = "") -> list[dict[str, Any]]:
    return [e["resource"] for e in bundle["entry"] if kind in ("", e["resource"]["resourceType"])]


def _references(node: Any) -> list[str]:
    if isinstance(node, dict):
        own = [node["reference"]] if isinstance(node.get("reference"), str) else []
        return own + [one for value in node.values() for one in _references(value)]
    return [one for value in node for one in _references(value)] if isinstance(node, list) else []


# ------------------------------------------------------------------ conformance


@pytest.mark.parametrize("record", RECORDS, ids=lambda path: path.stem)
def test_the_examples_conform(record: Path) -> None:
    """No error, and no warning but that es-US is none of the languages HL7 prefers."""
    plan = make_plan(read_delivery(record.read_text(encoding="utf-8")))
    found = [one for one in check(dump(to_bundle(plan))).issues if one.rule != "binding.preferred"]

    assert found == []


@settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[
        Phase.reuse,
        Phase.generate,
    ],  # a whole plan takes minutes to make smaller, and names its fault anyway
)
@given(plans())
def test_whatever_the_plan_the_bundle_has_no_error(plan: Plan) -> None:
    """Structure, bindings, references and invariants of R4 hold for plans no planner would make."""
    report = check(dump(to_bundle(plan, validate=False)))

    assert [one for one in report.issues if one.severity in {"error", "fatal"} and one.source == "spec"] == []


# ------------------------------------------------------------------ names and order


def test_names_are_lower_case_uuids_and_each_is_used_once() -> None:
    """fullUrl: urn:uuid with a version 5 UUID in lower case (bdl-7)."""
    urls = [entry["fullUrl"] for entry in BUNDLE["entry"]]

    assert len(set(urls)) == len(urls)
    assert all(
        re.fullmatch(r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[0-9a-f-]{17}", url) for url in urls
    )


def test_every_reference_is_to_an_entry_further_up() -> None:
    """Referenced first, no cycles: a server that loads in order can load it."""
    seen: set[str] = set()
    for entry in BUNDLE["entry"]:
        assert set(_references(entry["resource"])) <= seen
        seen.add(entry["fullUrl"])


def test_what_outlives_a_revision_keeps_its_identifier() -> None:
    """Revision 3 finds the same people, things, tasks and goals; the plan and its phases are new."""
    lasting, new = set(), set()
    later = to_bundle(replace(PLAN, revision=3))
    for before, after in zip(_resources(BUNDLE), _resources(later), strict=True):
        if "identifier" in before:
            same = before["identifier"][0] == after["identifier"][0]
            (lasting if same else new).add(before["resourceType"])

    assert new == {"CarePlan", "ServiceRequest"}
    assert {"Patient", "Practitioner", "Device", "Goal", "Condition", "Observation", "Flag"} <= lasting
    (careplan,) = _resources(later, "CarePlan")
    assert careplan["replaces"][0]["identifier"]["value"] == "HC-2026-0009/r2"


def test_a_task_keeps_its_identifier_when_another_is_dropped() -> None:
    """Identifiers go by what a thing is, not by its place in the list."""
    fewer = replace(PLAN, care=replace(PLAN.care, tasks=PLAN.care.tasks[1:]))

    def numbers(plan: Plan) -> set[str]:
        values = {one["value"] for r in _resources(to_bundle(plan)) for one in r.get("identifier", ())}
        return {value for value in values if "/task/" in value}

    assert numbers(fewer) == numbers(PLAN) - {"HC-2026-0009/task/ply-log"}


def test_no_object_stands_in_two_places() -> None:
    """Changing one reference changes no other."""
    seen: set[int] = set()

    def walk(node: Any) -> None:
        if isinstance(node, dict | list):
            assert id(node) not in seen
            seen.add(id(node))
            for value in node.values() if isinstance(node, dict) else node:
                walk(value)

    walk(BUNDLE)


def test_one_object_in_several_places_is_written_as_several_are() -> None:
    """Whoever only writes the bundle may leave out setting them apart."""
    assert dump(to_bundle(PLAN, validate=False, apart=False)) == dump(BUNDLE)


def test_invented_data_are_marked_everywhere_and_real_data_nowhere() -> None:
    """meta.security HTEST on every resource of a synthetic plan (v3-ActReason)."""
    codes = [[c["code"] for c in r.get("meta", {}).get("security", ())] for r in _resources(BUNDLE)]
    real = to_bundle(replace(PLAN, synthetic=False))

    assert all(code == ["HTEST"] for code in codes)
    assert "HTEST" not in dump(real)


def test_the_orders_number_comes_back_unchanged() -> None:
    """The placer's identifier (PLAC) is the physician's own."""
    (order,) = [r for r in _resources(BUNDLE, "ServiceRequest") if r["intent"] == "order"]

    assert order["identifier"][0]["value"] == "ORD-1"
    assert order["identifier"][0]["type"]["coding"][0]["code"] == "PLAC"


def test_the_sessions_expand_to_the_days_of_the_plan() -> None:
    """Another system that expands the timings finds each session on its day, at its time."""
    found = set()
    for request in _resources(BUNDLE, "ServiceRequest"):
        timing = request.get("occurrenceTiming", {})
        if "timeOfDay" in timing.get("repeat", {}):
            found |= {(one.on, one.at) for one in expand(Node(timing, "")).occurrences}

    assert PLAN.wear is not None
    assert found == {(day.on, session.start) for day in PLAN.wear.days for session in day.sessions}


def test_a_plan_never_uses_activity_detail() -> None:
    """R5 has no CarePlan.activity.detail, and a request must not be based on its own plan."""
    (careplan,) = _resources(BUNDLE, "CarePlan")
    plan_url = next(e["fullUrl"] for e in BUNDLE["entry"] if e["resource"] is careplan)

    assert all(set(activity) == {"reference"} for activity in careplan["activity"])
    pointing = [r["resourceType"] for r in _resources(BUNDLE) if plan_url in _references(r)]
    assert pointing == ["Provenance"]


# ------------------------------------------------------------------ narrative


def test_every_narrative_is_strict_xhtml_with_its_language() -> None:
    """One div in the XHTML namespace, with lang and xml:lang, parsed by an XML parser."""
    for resource in _resources(BUNDLE):
        root = ET.fromstring(resource["text"]["div"])  # noqa: S314 - our own text
        assert root.tag == XHTML + "div"
        assert root.get("lang") == root.get("{http://www.w3.org/XML/1998/namespace}lang") == "en"
        assert "".join(root.itertext()).strip()
        assert resource["text"]["status"] == "generated"


def test_the_plans_narrative_is_safe_to_read_alone() -> None:
    """Every day, session, grave sign and number to call that the plan holds stands in CarePlan.text."""
    (careplan,) = _resources(BUNDLE, "CarePlan")
    rows = [
        [("".join(cell.itertext())) for cell in row]
        for row in ET.fromstring(careplan["text"]["div"]).iter(XHTML + "tr")  # noqa: S314 - our own text
    ]
    assert PLAN.wear is not None
    assert PLAN.clinic is not None
    for day in PLAN.wear.days:
        for session in day.sessions:
            told = [day.on.isoformat(), f"{session.start:%H:%M}"]
            (row,) = [row for row in rows if row[:2] == told]
            assert row[2].split()[0] == str(session.minutes)
            assert row[3:] == [str(session.sitting), str(session.standing), str(session.walking)]
        if not day.sessions:
            assert [day.on.isoformat(), "", "no wear", "", "", ""] in rows
    for sign in PLAN.care.signs:
        assert (sign.text in [row[0] for row in rows]) is (sign.level in {"stop", "emergency"})
    cells = {cell for row in rows for cell in row}
    assert {PLAN.clinic.phone, PLAN.clinic.after_hours_phone, PLAN.clinic.emergency_phone} <= cells


def test_what_people_wrote_cannot_become_markup() -> None:
    """Text from a record is escaped wherever a narrative shows it."""
    nasty = "<script>alert('1 & 2')</script>"
    patient = replace(PLAN.patient, name=Name(family=nasty)) if PLAN.patient else None
    care = CarePlanParts(advice=(Advice(code="", text=nasty, why=nasty),))
    for resource in _resources(to_bundle(replace(PLAN, patient=patient, care=care))):
        assert "<script" not in resource["text"]["div"]
        ET.fromstring(resource["text"]["div"])  # noqa: S314 - our own text


def test_the_two_flags_say_what_to_stop_for() -> None:
    """One alert for each grave level, with every sign in it, pointing to the request that holds them."""
    flags = [f for f in _resources(BUNDLE, "Flag") if "period" in f]

    assert len(flags) == 2
    assert "Redness that stays" in flags[0]["code"]["text"]
    assert "Fainting" in flags[1]["code"]["text"]
    assert all(_references(flag["extension"]) for flag in flags)


def test_an_appointment_ends_after_its_minutes_in_the_same_offset() -> None:
    """end is start and minutesDuration; both are instants with the plan's own offset."""
    for visit, appointment in zip(PLAN.visits, _resources(BUNDLE, "Appointment"), strict=True):
        start, end = (dt.datetime.fromisoformat(appointment[name]) for name in ("start", "end"))
        assert end - start == dt.timedelta(minutes=visit.minutes)
        assert start.utcoffset() == end.utcoffset() == visit.start.utcoffset()
