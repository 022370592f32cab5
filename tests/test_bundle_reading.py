"""A bundle from elsewhere is a guest: what is known is read, what is not is named, and nothing breaks."""

from __future__ import annotations

import copy
import datetime as dt
import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhircare.bundle import claims_ours, read, to_bundle
from fhircare.errors import BundleError
from tests.plans import whole_plan

HL7 = Path(__file__).parent / "data" / "hl7"
PLAN = whole_plan()
BUNDLE = to_bundle(PLAN)


def _bundle(*resources: dict[str, Any]) -> dict[str, Any]:
    entries = [
        {"fullUrl": f"https://elsewhere.example/{r['resourceType']}/{r['id']}", "resource": r}
        for r in resources
    ]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def _careplan(**more: Any) -> dict[str, Any]:
    return {
        "resourceType": "CarePlan",
        "id": "p",
        "status": "active",
        "intent": "plan",
        "subject": {"reference": "Patient/j"},
        "period": {"start": "2026-11-26"},
        **more,
    }


PATIENT = {"resourceType": "Patient", "id": "j", "name": [{"text": "Jo Marsh"}]}


def _request(**more: Any) -> dict[str, Any]:
    return {
        "resourceType": "ServiceRequest",
        "id": "r",
        "status": "active",
        "intent": "plan",
        "subject": {"reference": "Patient/j"},
        "code": {"text": "Stretch the hip"},
        **more,
    }


def _activity(request: dict[str, Any], **more: Any):
    plan = _careplan(activity=[{"reference": {"reference": "ServiceRequest/r"}}], **more)
    return read(_bundle(plan, PATIENT, request))


# ------------------------------------------------------------------ what each leaf was read from


@pytest.mark.parametrize(
    ("place", "path"),
    [
        ("clinic.phone", "contact[0].telecom[0].value"),
        ("patient.birth_date", "birthDate"),
        ("professionals[1].role", "participant[1].role[0].coding[0].code"),
        ("limb.measurements[0].circumferences[0].girth.value", "valueQuantity.value"),
        ("prosthesis.delivered_on", "timingPeriod.start"),
        ("wear.days[1].sessions[0].minutes", "occurrenceTiming.repeat.duration"),
        ("wear.days[4].sessions[0].start", "occurrenceTiming.repeat.timeOfDay[0]"),
        ("wear.days[2].why", "orderDetail[2].text"),
        ("wear.redness_minutes", "orderDetail[3].extension[0].extension[1].valueQuantity.value"),
        ("care.signs[2].limit", "orderDetail[2].extension[2].extension[1].valueQuantity.value"),
        ("care.tasks[0].frequency.times", "occurrenceTiming.repeat.frequency"),
        ("care.advice[1].why", "orderDetail[1].extension[0].extension[1].valueString"),
        ("visits[1].start", "start"),
        ("goals[0].targets[0].value", "target[0].detailQuantity.value"),
        ("measurements[0].quantity.value", "valueQuantity.value"),
    ],
)
def test_a_leaf_knows_its_place_in_the_bundle(place: str, path: str) -> None:
    """``source`` gives the FHIRPath of a leaf, from the bundle's root, down to the element."""
    reading = read(BUNDLE)
    found = reading.source(place)
    entry, _, below = found.partition(".resource.")

    assert below == path
    assert entry.startswith("Bundle.entry[")


def test_every_place_holds_the_value_it_is_said_to_hold() -> None:
    """Following the FHIRPath of a text or number of the plan leads to that text or number."""
    reading = read(BUNDLE)
    compared = 0
    for place, path in reading.places.items():
        ours, theirs = _at(reading.plan, place), _at(reading.bundle, path.removeprefix("Bundle."))
        if isinstance(ours, int | Decimal) and not isinstance(ours, bool) and not isinstance(theirs, str):
            assert ours == theirs, place
            compared += 1
        if isinstance(ours, dt.datetime):
            assert ours.isoformat() == theirs, place

    assert compared > 60


def _at(root: Any, path: str) -> Any:
    for step in path.replace("[", ".[").split("."):
        if step.startswith("["):
            root = root[int(step[1:-1])]
        else:
            root = root[step] if isinstance(root, dict) else getattr(root, step)
    return root


def test_what_is_no_leaf_has_no_place() -> None:
    """An unknown place, and one that is composed of others, gives the empty text."""
    reading = read(BUNDLE)

    assert reading.source("wear.days[0]") == ""
    assert reading.source("no.such.place") == ""


# ------------------------------------------------------------------ plans that others wrote


def test_neither_bundle_nor_plan_is_refused() -> None:
    """Only what is no Bundle and no CarePlan is an error."""
    for thing in (None, [], "text", {"resourceType": "Patient"}, {}):
        with pytest.raises(BundleError, match="neither Bundle nor CarePlan"):
            read(thing)  # type: ignore[arg-type]


@pytest.mark.parametrize("path", sorted(HL7.rglob("*.json")), ids=lambda path: path.stem)
def test_hl7s_own_examples_never_break_the_reader(path: Path) -> None:
    """HL7's examples and validator cases: a Bundle or CarePlan is read, anything else refused in words."""
    try:
        document = json.loads(path.read_bytes(), parse_float=Decimal)
    except ValueError:
        return
    if isinstance(document, dict) and document.get("resourceType") in {"Bundle", "CarePlan"}:
        assert read(document).plan.status
    else:
        with pytest.raises(BundleError):
            read(document)


def test_a_bundle_without_a_plan_gives_its_person_and_says_so() -> None:
    """No CarePlan: the one patient is read, and the absence is named."""
    reading = read(_bundle(PATIENT))

    assert reading.plan.patient is not None
    assert str(reading.plan.patient.name) == "Jo Marsh"
    assert reading.plan.patient.birth_date is None
    assert [one.reason for one in reading.unread] == ["holds no CarePlan"]


def test_an_unknown_request_becomes_a_care_task_with_its_words() -> None:
    """A ServiceRequest we have no code for: its instruction, timing and bounds are read."""
    timing = {
        "repeat": {"boundsPeriod": {"start": "2026-12-01"}, "frequency": 2, "period": 1, "periodUnit": "d"}
    }
    (task,) = _activity(_request(occurrenceTiming=timing, patientInstruction="Lie flat")).plan.care.tasks

    assert (task.code, task.text, task.first) == ("", "Lie flat", dt.date(2026, 12, 1))
    assert task.frequency is not None
    assert task.frequency.times == 2


def test_activity_detail_is_read_as_a_task() -> None:
    """R4's CarePlan.activity.detail, which R5 does not have, is read though never written."""
    timing = {"repeat": {"frequency": 1, "period": 1, "periodUnit": "wk"}}
    detail = {"status": "scheduled", "code": {"text": "Weigh yourself"}, "scheduledTiming": timing}
    plan = read(_bundle(_careplan(activity=[{"detail": detail}]), PATIENT)).plan
    (task,) = plan.care.tasks

    assert (task.text, task.first) == ("Weigh yourself", dt.date(2026, 11, 26))


@pytest.mark.parametrize("form", ["request", "detail"])
def test_do_not_is_never_a_target(form: str) -> None:
    """doNotPerform: it is said as advice, and is no task."""
    if form == "request":
        plan = _activity(_request(doNotPerform=True)).plan
    else:
        detail = {"status": "scheduled", "doNotPerform": True, "code": {"text": "Stretch the hip"}}
        plan = read(_bundle(_careplan(activity=[{"detail": detail}]), PATIENT)).plan

    assert plan.care.tasks == ()
    assert [one.text for one in plan.care.advice] == ["Do not: Stretch the hip"]


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"status": "revoked"}, "is not current"),
        ({"status": "entered-in-error"}, "is not current"),
        ({"intent": "option"}, "is an option or a proposal, not an instruction"),
        ({"intent": "proposal"}, "is an option or a proposal, not an instruction"),
        ({"subject": {"reference": "Patient/other"}}, "is about somebody else"),
        ({"modifierExtension": [{"url": "https://x.example"}]}, "carries a modifier that is not known"),
    ],
)
def test_what_is_not_meant_or_not_known_is_left_aside_and_named(change: dict[str, Any], reason: str) -> None:
    """A request that is over, optional, another's, or modified in an unknown way is no task, and is named."""
    reading = _activity(_request(**change))

    assert reading.plan.care.tasks == ()
    assert ("Bundle.entry[2].resource", reason) in [(one.path, one.reason) for one in reading.unread]


def test_a_safety_flag_from_elsewhere_is_a_reason_to_stop() -> None:
    """A Flag of category safety without our level is read as graver rather than milder."""
    category = [
        {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/flag-category", "code": "safety"}]}
    ]
    flag = {
        "resourceType": "Flag",
        "id": "f",
        "status": "active",
        "category": category,
        "code": {"text": "Open skin: do not wear"},
        "subject": {"reference": "Patient/j"},
    }
    plan = read(_bundle(_careplan(supportingInfo=[{"reference": "Flag/f"}]), PATIENT, flag)).plan

    assert [(sign.text, sign.level, sign.call) for sign in plan.care.signs] == [
        ("Open skin: do not wear", "stop", "same-day")
    ]


def test_a_parameter_in_hl7s_own_extension_is_read_too() -> None:
    """The cross-version address of R5's orderDetail.parameter means the same as ours."""
    published = "http://hl7.org/fhir/5.0/StructureDefinition/extension-ServiceRequest.orderDetail.parameter"
    ours = "https://fhircare.github.io/fhir/StructureDefinition/order-parameter"

    assert read(json.loads(json.dumps(BUNDLE, default=float).replace(ours, published))).plan.wear == PLAN.wear


def test_of_two_plans_the_current_one_is_read_whatever_their_order() -> None:
    """An active plan comes before a revoked one; the other is named."""
    old, new = _careplan(id="old", status="revoked"), _careplan(id="new", title="Now")
    for plans in ((old, new), (new, old)):
        reading = read(_bundle(*plans, PATIENT))

        assert reading.plan.status == "active"
        assert "is another plan; one plan is read at a time" in [one.reason for one in reading.unread]


def test_references_meet_in_every_form() -> None:
    """Relative, absolute, versioned and contained references all lead to the patient."""
    for reference in ("Patient/j", "https://elsewhere.example/Patient/j", "Patient/j/_history/3"):
        assert read(_bundle(_careplan(subject={"reference": reference}), PATIENT)).plan.patient is not None
    inside = _careplan(subject={"reference": "#j"}, contained=[PATIENT])
    assert read(inside).plan.patient is not None
    assert read(inside).source("patient.name.family") == "CarePlan.contained[0].name[0].text"


# ------------------------------------------------------------------ broken plans

JUNK = st.sampled_from(
    [None, "", "x", 0, -1, 10**30, Decimal("1E+400"), True, [], {}, [None], [[]], {"a": 1}, "2026-99-99"]
)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_no_junk_breaks_the_reader(data: st.DataObject) -> None:
    """Any element of our own bundle replaced by anything JSON can hold: the rest is still read."""
    bundle = copy.deepcopy(BUNDLE)
    for _ in range(data.draw(st.integers(1, 3))):
        node: Any = bundle["entry"][data.draw(st.integers(0, len(bundle["entry"]) - 1))]
        while True:
            keys = list(node) if isinstance(node, dict) else list(range(len(node)))
            if not keys:
                break
            key = data.draw(st.sampled_from(keys))
            if not isinstance(node[key], dict | list) or data.draw(st.integers(0, 4)) == 0:
                node[key] = data.draw(JUNK)
                break
            node = node[key]

    read(bundle)


def test_a_bundle_says_whose_it_is() -> None:
    """Ours carry a tag; another's do not."""
    assert claims_ours(BUNDLE)
    assert not claims_ours(_bundle(PATIENT))
