"""Followed plans on their way: history goes along, one plan is in force, only what changed is written."""

from __future__ import annotations

import copy
import json
from dataclasses import replace

import pytest

from fhircare.errors import ServerRefused, ServerUnavailable
from fhircare.exchange import Options, ShortMemory, give_goals, send, take_goals
from fhircare.exchange import same as sameness
from fhircare.exchange.cargo import Cargo
from fhircare.exchange.entries import entries, references, series
from fhircare.exchange.outbox import Outbox
from fhircare.exchange.pushing import queue
from fhircare.exchange.sending import Limits
from tests.courses import STEPS, example_course, standing
from tests.exchange_kit import (
    RESET,
    Once,
    after,
    as_bytes,
    before,
    is_transaction,
    on_the_server,
    only_nameless,
    resource,
)


def changed(earlier, later):
    """Names of the entries of a bundle that say something else than in the earlier one."""

    def said(bundle):
        cargo = Cargo(entries(bundle), "")
        for item in cargo.items:
            key = item.entry.identifier or json.dumps(item.entry.resource, default=str)
            item.reference = f"{item.entry.kind}/{key}"
        return {i.reference: sameness.fingerprint(cargo.resolved(i)) for i in cargo.items}

    old = said(earlier)
    return {name for name, mark in said(later).items() if name in old and old[name] != mark}


@pytest.mark.parametrize(
    ("example", "memory"),
    [("anna-first-locking", True), ("anna-first-locking", False), ("carla-diabetes-slow", True)],
)
def test_a_course_step_by_step(world, example, memory):
    """Each step of a course: exactly what it changed is updated, what is new is created, all reads back as
    sent, one approved plan at most is open; sent again nothing is written, and nothing is ever doubled.
    """
    kept, earlier = ShortMemory(), None
    for step, bundle in example_course(example).items():
        report = send(world.server(), bundle, memory=kept if memory else None)

        assert report.verified, step
        assert report.counts.get("updated", 0) == (len(changed(earlier, bundle)) if earlier else 0), step
        assert on_the_server(world) == standing(bundle), step
        assert sum(status in ("active", "on-hold") for _, status in on_the_server(world)) <= 1, step
        assert set(world.stub.counts().values()) - {1} == set() or only_nameless(world), step
        world.stub.seen.clear()
        again = send(world.server(), bundle, memory=kept if memory else None)
        assert set(again.counts) == {"kept", "unchanged"}, step
        assert world.stub.writes() == [], step
        earlier = bundle


def test_every_update_is_tied_to_a_version(world, course):
    """Whatever is changed on the server is changed with If-Match, the old plan's end among it."""
    send(world.server(), course["approved"])
    world.stub.seen.clear()
    send(world.server(), course["revised"])

    puts = [e for _, _, b in world.stub.writes() for e in b["entry"] if e["request"]["method"] == "PUT"]
    ends = [(e["resource"]["resourceType"], e["resource"].get("status")) for e in puts]
    assert ("CarePlan", "revoked") in ends
    assert all(e["request"]["ifMatch"].startswith('W/"') for e in puts)


@pytest.mark.parametrize("step", ["revised", "stopped", "released"])
def test_the_new_plan_and_the_old_ones_end_are_one_transaction(world, course, step):
    """Also where transactions are small, the plans travel together; what refers to them comes with or after
    them.
    """
    send(world.server(), course[STEPS[STEPS.index(step) - 1]])
    world.stub.seen.clear()
    send(world.server(), course[step], options=Options(limits=Limits(entries=10)))

    holds = [[e["resource"]["resourceType"] for e in b["entry"]] for _, _, b in world.stub.writes()]
    (plans,) = [index for index, kinds in enumerate(holds) if "CarePlan" in kinds]
    later = {kind for kinds in holds[plans + 1 :] for kind in kinds}
    assert holds[plans].count("CarePlan") >= 2
    assert later <= {"Provenance", "DetectedIssue"}


@pytest.mark.parametrize("step", ["revised", "stopped", "proposed", "released"])
def test_first_sent_late(world, course, step):
    """A bundle whose first revisions were never sent brings its whole history, over as it is."""
    assert send(world.server(), course[step]).verified
    assert on_the_server(world) == standing(course[step])


@pytest.mark.parametrize("step", ["stopped", "released"])
def test_revisions_left_out(world, course, step):
    """From the first draft to any later step at once: as if each had been sent."""
    memory = ShortMemory()
    send(world.server(), course["made"], memory=memory)

    assert send(world.server(), course[step], memory=memory).verified
    assert on_the_server(world) == standing(course[step])


@pytest.mark.parametrize("step", ["made", "revised", "stopped"])
def test_an_earlier_bundle_does_not_come_after_a_later_one(world, course, step):
    """Sending what is out of date is refused, and changes nothing."""
    send(world.server(), course["proposed"])
    held = copy.deepcopy(world.stub.held)

    with pytest.raises(ServerRefused, match="later revision"):
        send(world.server(), course[step])
    assert world.stub.held == held


def test_a_proposal_alone_ends_no_plan(world, course):
    """A draft sent without its history leaves the plan on hold as it is; approved, it takes its place."""
    send(world.server(), course["stopped"])
    for step, status in (("proposed", "on-hold"), ("released", "revoked")):
        alone = copy.deepcopy(course[step])
        alone["entry"] = _without_history(alone)
        send(world.server(), alone)
        assert dict(on_the_server(world))["r3"] == status


def _without_history(bundle):
    """The entries of a bundle that the plan in force leads to."""
    known = {entry["fullUrl"]: entry for entry in bundle["entry"]}
    plans = [e for e in bundle["entry"] if e["resource"]["resourceType"] == "CarePlan"]
    due, kept = [max(plans, key=lambda e: e["resource"]["identifier"][0]["value"])["fullUrl"]], set()
    while due:
        url = due.pop()
        if url not in kept:
            kept.add(url)
            due += [r["reference"] for r in references(known[url]["resource"]) if r["reference"] in known]
    return [entry for entry in bundle["entry"] if entry["fullUrl"] in kept]


def test_a_plan_that_is_over(world, course):
    """A bundle in which nothing is in force: the last revision is what it is about; sent like any other."""
    over = copy.deepcopy(course["stopped"])
    for entry in over["entry"]:
        if entry["resource"]["resourceType"] == "CarePlan":
            entry["resource"]["status"] = "revoked"
    send(world.server(), course["stopped"])

    report = send(world.server(), over)

    assert report.counts["updated"] == 1
    assert on_the_server(world) == [("r1", "revoked"), ("r2", "revoked"), ("r3", "revoked")]


@pytest.mark.parametrize("fault", ["reset after", "reset before", "503"])
@pytest.mark.parametrize("number", [1, 2])
def test_interrupted_and_overtaken(world, tmp_path, course, fault, number):
    """A revision breaks off in the middle and is set aside; the next one finds no changes but our own."""
    faults = {
        "reset after": after(RESET),
        "reset before": before(RESET),
        "503": lambda _r, _c: (503, {}, ""),
    }
    memory, sent = ShortMemory(), []
    send(world.server(), course["approved"], memory=memory)

    def strikes(request):
        sent.extend([1] if is_transaction(request) else [])
        return len(sent) >= number

    world.faults.append(Once(faults[fault], when=strikes, times=10_000))
    with pytest.raises(ServerUnavailable):
        send(world.server(attempts=1), course["stopped"], memory=memory, options=Options(limits=Limits(20)))
    world.faults.clear()

    assert send(world.server(), course["released"], memory=memory).verified
    assert on_the_server(world) == standing(course["released"])
    assert only_nameless(world)


def test_one_series_through_all_revisions(course):
    """A plan's revisions are one series, so that they go in order; its goals are another."""
    names = {series(bundle) for bundle in course.values()}
    goals = {series(give_goals(bundle)) for bundle in course.values()}

    assert names == {"https://harrowcreek.example/fhircare/plan-series|HC-2026-0311"}
    assert goals == {"https://harrowcreek.example/fhircare/plan-series|HC-2026-0311/goals"}


@pytest.mark.parametrize("step", ["approved", "stopped", "proposed", "released"])
def test_goals_are_given_of_the_plan_in_force(world, course, step):
    """Each step: the goals of the plan in force, with their measurements; on the therapist's server once."""
    given = give_goals(course[step])
    kinds = {entry["resource"]["resourceType"] for entry in given["entry"]}

    assert len([e for e in given["entry"] if e["resource"]["resourceType"] == "Goal"]) == 2
    assert "Observation" in kinds
    assert not kinds & {"CarePlan", "ServiceRequest", "Appointment"}
    assert send(world.server(), given).verified
    assert set(send(world.server(), given).counts) == {"kept", "unchanged"}


def test_progress_follows(world, course):
    """Goals given again after a revision: only what progress changed is updated."""
    memory = ShortMemory()
    send(world.server(), give_goals(course["approved"]), memory=memory)

    report = send(world.server(), give_goals(course["revised"]), memory=memory)

    assert {e.kind for e in report.entries if e.outcome == "updated"} <= {"Goal", "Condition", "Observation"}
    assert [e.outcome for e in report.entries if e.kind == "Goal"] == ["updated", "updated"]
    assert len(world.stub.of("Goal")) == 2


def test_a_goal_is_taken_into_the_plan_in_force(course):
    """A therapist's goal joins the newest plan; the plans it replaced stay as they were."""
    bundle = course["released"]
    theirs = {
        "resourceType": "Goal",
        "identifier": [{"system": "https://therapy.example/goals", "value": "7"}],
        "lifecycleStatus": "active",
        "description": {"text": "Climb a flight of stairs"},
        "subject": {"reference": "Patient/1"},
    }
    me = dict(resource(bundle, "Patient"), id="1")

    taken = take_goals(bundle, [me, theirs], source="goals.ndjson")

    def goals(of):
        plans = [e["resource"] for e in of["entry"] if e["resource"]["resourceType"] == "CarePlan"]
        return {p["identifier"][0]["value"][-2:]: len(p["goal"]) for p in plans}

    assert [change.outcome for change in taken.changes] == ["new"]
    assert goals(bundle) == {"r1": 2, "r2": 2, "r3": 2, "r4": 2}
    assert goals(taken.bundle) == {"r1": 2, "r2": 2, "r3": 2, "r4": 3}


def test_queued_revisions_arrive_in_order(world, tmp_path, course):
    """Three revisions queued at once: each arrives, in its turn; the server ends with the last."""
    path = tmp_path / "outbox"
    outbox = Outbox(str(path))
    for step in ("approved", "revised", "stopped"):
        queue(outbox, "hospital", as_bytes(course[step]), now=world.clock.now())

    pushed = world.pusher(path).run()

    assert [p.parcel.state for p in pushed] == ["arrived"] * 3
    assert on_the_server(world) == standing(course["stopped"])
    outbox.close()


def test_smallest_transactions(world, course):
    """Two at a time, and one by one: the same end."""
    for options in (Options(limits=Limits(2, 2)), Options(mode="single")):
        world.stub.held.clear()
        for step in ("approved", "stopped"):
            assert send(world.server(), course[step], options=replace(options)).verified
        assert on_the_server(world) == standing(course["stopped"])
