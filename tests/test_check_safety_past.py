"""Plans that stand in a bundle as history: what still matters of them is found, and nothing hides there."""

from __future__ import annotations

import copy
import datetime as dt

import pytest

from fhircare.bundle import to_bundle
from fhircare.check import check
from fhircare.follow.keep import approve
from tests.courses import course
from tests.test_follow_decide import PLAN

STEPS = course(PLAN)


def found(bundle):
    return {issue.rule.removeprefix("safety.") for issue in check(bundle).issues if issue.source == "safety"}


def resources(bundle, kind, status=""):
    every = [item["resource"] for item in bundle["entry"] if item["resource"]["resourceType"] == kind]
    return [one for one in every if status in ("", one.get("status"))]


def of_revision(bundle, number):
    return next(
        one for one in resources(bundle, "CarePlan") if one["identifier"][0]["value"].endswith(f"/r{number}")
    )


@pytest.fixture
def bundle(request):
    return copy.deepcopy(STEPS[request.param])


@pytest.mark.parametrize("step", STEPS)
def test_every_step_of_a_course_is_sound(step):
    """Approved, revised, stopped, waiting and released: nothing is found in what follows make."""
    assert found(STEPS[step]) == set()


@pytest.mark.parametrize("bundle", ["released"], indirect=True)
@pytest.mark.parametrize("status", ["active", "draft", "on-hold"])
def test_a_replaced_plan_that_is_still_in_force_is_found(bundle, status):
    """A plan that its successor replaces must be over; it is then checked as one that is not."""
    of_revision(bundle, 2)["status"] = status

    assert "plan.past-status" in found(bundle)


@pytest.mark.parametrize("bundle", ["released", "proposed"], indirect=True)
@pytest.mark.parametrize("status", ["active", "draft"])
def test_an_old_session_that_still_asks_for_wear_is_found(bundle, status):
    """A wear session of a replaced plan, revoked by the revision, may not come back to life."""
    one = next(r for r in resources(bundle, "ServiceRequest", "revoked") if "wear-session" in str(r["code"]))
    one["status"] = status

    assert "plan.past-request" in found(bundle)


@pytest.mark.parametrize("bundle", ["released"], indirect=True)
def test_an_old_visit_that_still_stands_is_found(bundle):
    """A visit that was moved is cancelled; proposed again, it would be a second one nobody planned."""
    one = next(iter(resources(bundle, "Appointment", "cancelled")))
    one["status"] = "proposed"
    del one["cancelationReason"]

    assert "plan.past-request" in found(bundle)


@pytest.mark.parametrize("bundle", ["proposed"], indirect=True)
def test_a_stopped_plan_beside_its_draft_may_not_wear(bundle):
    """While the draft waits, the plan on hold has no session after the stop."""
    held = of_revision(bundle, 3)
    urls = {item["fullUrl"]: item["resource"] for item in bundle["entry"]}
    asked = [urls[one["reference"]["reference"]] for one in held["activity"]]
    session = next(one for one in asked if "wear-session" in str(one["code"]))
    session["occurrenceTiming"]["repeat"]["boundsPeriod"]["end"] = held["period"]["end"]

    assert "wear.stopped" in found(bundle)


@pytest.mark.parametrize("bundle", ["proposed"], indirect=True)
def test_a_draft_after_a_stop_must_say_that_wear_is_stopped(bundle):
    """Without the Flag a reader of the draft would not know that nothing may be worn."""
    flag = next(item for item in bundle["entry"] if "wear-stopped" in str(item["resource"].get("code")))
    draft = of_revision(bundle, 4)
    draft["supportingInfo"] = [one for one in draft["supportingInfo"] if one["reference"] != flag["fullUrl"]]

    assert "plan.stopped" in found(bundle)


def faulty():
    """A plan whose signs are gone: nobody may follow it."""
    bundle = copy.deepcopy(STEPS["approved"])
    plan = of_revision(bundle, 1)
    signs = next(
        item["fullUrl"] for item in bundle["entry"] if "warning-signs" in str(item["resource"].get("code"))
    )
    plan["activity"] = [one for one in plan["activity"] if one["reference"]["reference"] != signs]
    return bundle


def beside(bundle, number, **change):
    """Add a CarePlan that says it replaces revision 1, as revision ``number``, and hardly anything else."""
    plan = of_revision(bundle, 1)
    series = plan["identifier"][1]
    named = {**plan["identifier"][0], "value": f"{series['value']}/r{number}"}
    fake = {
        "resourceType": "CarePlan", "identifier": [named, series], "status": "active", "intent": "plan",
        "replaces": [{"identifier": plan["identifier"][0]}], "category": plan["category"],
        "subject": plan["subject"], **change,
    }  # fmt: skip
    bundle["entry"].append({"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000001", "resource": fake})
    return bundle


@pytest.mark.parametrize("number", [1, 2, 3, 9])
@pytest.mark.parametrize("status", ["active", "draft", "revoked", "entered-in-error"])
def test_a_fault_cannot_hide_behind_a_plan_that_says_it_replaces(number, status):
    """A faulty plan in force is found out whatever plan is put beside it."""
    assert found(faulty()) <= found(beside(faulty(), number, status=status))


def test_a_plan_that_is_called_over_passes_the_check_on_to_its_successor():
    """Calling the faulty plan revoked moves the check to the fake one, which has nothing a plan needs."""
    bundle = beside(faulty(), 2)
    of_revision(bundle, 1)["status"] = "revoked"

    assert {"sign.none", "wear.missing", "visit.none", "advice.none", "plan.past-request"} <= found(bundle)


@pytest.mark.parametrize(
    "change",
    [
        {"recorded": "2020-01-01T00:00:00Z"},
        {"recorded": "2030-01-01T00:00:00Z"},
        {"recorded": "2020-01-01T00:00:00Z", "reason": [{"text": "Because."}]},
        {"recorded": "2030-01-01T00:00:00Z", "reason": [{"text": "Because."}]},
    ],
)
def test_a_reason_does_not_free_the_origin_of_its_time(change):
    """What a plan was made from has the plan's own time, with a reason or without."""
    bundle = copy.deepcopy(to_bundle(PLAN, validate=False))
    resources(bundle, "Provenance")[0].update(change)

    assert "dates.written" in found(bundle)


def test_an_approval_before_the_plan_was_written_is_found():
    """Nobody approves what is not there yet."""
    approved = approve(to_bundle(PLAN, validate=False), "Okafor", PLAN.written_at)
    assert found(approved) == set()

    resources(approved, "Provenance")[-1]["recorded"] = (PLAN.written_at - dt.timedelta(days=1)).isoformat()

    assert "dates.written" in found(approved)
