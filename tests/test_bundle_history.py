"""A bundle through the life of its plan: revised, approved, stopped, and read back to the first plan."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from fhircare.bundle import contradictions, read, to_bundle
from fhircare.bundle.history import revisions
from fhircare.bundle.logbook import log_of
from fhircare.check import check
from fhircare.errors import BundleError
from fhircare.follow.keep import approve, follow, take
from tests.test_follow_decide import DAYS, FIRST, PLAN, entry, logged

AT = dt.datetime(2026, 11, 17, 9, 0, tzinfo=dt.timezone(dt.timedelta(hours=-6)))
FIRST_BUNDLE = to_bundle(PLAN, validate=False)


def day(number: int) -> dt.date:
    return FIRST + dt.timedelta(days=number)


def resources(bundle, kind):
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind]


def errors(bundle):
    return [str(issue) for issue in check(bundle).issues if issue.severity in ("error", "fatal")]


@pytest.fixture(scope="module")
def course():
    """Approved; a good day and a short one; held; a blister; stopped; released; proposed; approved."""
    steps = [approve(FIRST_BUNDLE, "Ruth Okafor", AT)]

    def reviewed(entries, number):
        taken = take(steps[-1], entries).bundle
        steps.append(follow(taken, day(number)).bundle)

    reviewed(logged(["good", "short"]), 2)
    reviewed([entry(2, skin="blister")], 3)
    reviewed([entry(3, worn="none", released=True)], 4)
    steps.append(approve(steps[-1], "Ruth Okafor", AT + dt.timedelta(days=4)))
    return steps


def test_every_revision_passes_the_check(course):
    """No revision of the course has an error, and each agrees with itself."""
    for bundle in course:
        assert errors(bundle) == []
        assert contradictions(read(bundle)) == ()


def test_the_newest_revision_is_what_a_reader_finds(course):
    """Status and intent follow the course: approved, held, stopped, proposed, approved."""
    found = [(p.revision, p.status, p.intent) for p in (read(bundle).plan for bundle in course)]

    assert found == [
        (1, "active", "plan"),
        (2, "active", "plan"),
        (3, "on-hold", "plan"),
        (4, "draft", "proposal"),
        (4, "active", "plan"),
    ]


def test_one_plan_only_is_in_force(course):
    """Each older CarePlan is revoked, the new one names it in replaces, and no old session is active."""
    careplans = resources(course[-1], "CarePlan")

    assert [one["status"] for one in careplans] == ["active", "revoked", "revoked", "revoked"] or sorted(
        one["status"] for one in careplans
    ) == ["active", "revoked", "revoked", "revoked"]
    current = next(one for one in careplans if one["status"] == "active")
    listed = {one["reference"]["reference"] for one in current["activity"]}
    for item in course[-1]["entry"]:
        one = item["resource"]
        if one["resourceType"] == "ServiceRequest" and one["status"] == "active" and one["intent"] == "plan":
            assert item["fullUrl"] in listed
    numbers = {one["identifier"][0]["value"] for one in careplans}
    assert current["replaces"][0]["identifier"]["value"] in numbers


def test_what_lives_on_stands_once(course):
    """People, devices, goals and visits stand once through all revisions; identifiers are unique."""
    seen = set()
    for item in course[-1]["entry"]:
        one = item["resource"]
        for name in (one.get("identifier") or [])[:1]:
            key = (one["resourceType"], name["system"], name["value"])
            assert key not in seen, key
            seen.add(key)
    assert len(resources(course[-1], "Patient")) == 1


def test_every_reference_leads_somewhere(course):
    """After four revisions no reference of the bundle points into nothing."""
    urls = {item["fullUrl"] for item in course[-1]["entry"]}

    def references(node):
        if isinstance(node, dict):
            for name, value in node.items():
                if name == "reference" and isinstance(value, str):
                    yield value
                else:
                    yield from references(value)
        elif isinstance(node, list):
            for one in node:
                yield from references(one)

    assert set(references(course[-1])) <= urls


def test_history_is_read_back_to_the_first_plan(course):
    """Every revision's schedule is read back as it was, the first one first."""
    history = revisions(course[-1])

    assert [plan.revision for plan in history] == [1, 2, 3, 4]
    assert history[0].wear == PLAN.wear
    assert history[1].wear == read(course[1]).plan.wear
    assert history[2].wear == read(course[2]).plan.wear
    assert [plan.status for plan in history] == ["revoked", "revoked", "revoked", "active"]


def test_the_log_lives_through_revisions(course):
    """No entry of the log is lost or changed by a revision."""
    assert log_of(course[-1]) == (
        *logged(["good", "short"]),
        entry(2, skin="blister"),
        entry(3, worn="none", released=True),
    )


def test_the_decision_names_the_observations_it_used(course):
    """The Provenance of a revision refers to the panels of the days it rests on, and says why."""
    decided = [one for one in resources(course[1], "Provenance") if one.get("reason")]
    used = {e["what"].get("reference") for one in decided for e in one.get("entity", [])}
    panels = {
        item["fullUrl"]
        for item in course[1]["entry"]
        if item["resource"]["resourceType"] == "Observation" and "hasMember" in item["resource"]
    }

    assert panels
    assert panels <= used


def test_a_stop_is_put_before_the_clinic(course):
    """A stop leaves a DetectedIssue of high severity that refers to its evidence."""
    (issue,) = resources(course[2], "DetectedIssue")

    assert issue["severity"] == "high"
    assert issue["evidence"][0]["detail"]
    assert "lister" in issue["detail"]


def test_a_visit_that_is_moved_is_cancelled_with_its_reason(course):
    """The visit a stop brings forward replaces a planned one, which is cancelled and says why."""
    gone = [one for one in resources(course[2], "Appointment") if one["status"] == "cancelled"]

    assert len(gone) == 1
    assert gone[0]["cancelationReason"]["text"]
    soon = [v for v in read(course[2]).plan.visits if v.start.date() <= day(4)]
    assert soon
    assert soon[0].status == "proposed"


def test_following_again_changes_nothing(course):
    """A bundle that was followed is left alone by the same review (the same day, the same log)."""
    for bundle, number in zip(course[1:4], (2, 3, 4), strict=True):
        assert follow(bundle, day(number)).bundle is bundle


def test_a_plan_on_hold_cannot_be_approved(course):
    """Approval does not lift a stop; the error says what does."""
    with pytest.raises(BundleError, match="release"):
        approve(course[2], "Ruth Okafor", AT)


def test_approving_twice_changes_nothing(course):
    """An approved plan needs no approval."""
    assert approve(course[0], "Ruth Okafor", AT) is None


def test_a_visit_moved_under_its_own_name_keeps_its_old_time_beside_it():
    """When only the time of a visit changes, the old time stays as a cancelled Appointment of its own."""
    from fhircare.bundle.history import Change, put_plan

    visit = PLAN.visits[-1]
    later = replace(
        visit, start=visit.start + dt.timedelta(days=1), latest=visit.latest + dt.timedelta(days=1)
    )
    plan = replace(PLAN, revision=2, visits=(*PLAN.visits[:-1], later))

    bundle = put_plan(
        FIRST_BUNDLE, plan, to_bundle(plan, validate=False), Change(at=AT, on=DAYS[3].on, reason="Asked for.")
    )

    gone = [one for one in resources(bundle, "Appointment") if one["status"] == "cancelled"]
    assert [one["start"] for one in gone] == [visit.start.isoformat()]
    assert read(bundle).plan.visits == plan.visits
    assert errors(bundle) == []
    assert revisions(bundle)[0].visits[-1].start == visit.start
