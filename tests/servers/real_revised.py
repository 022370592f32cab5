"""Against real servers: a revised plan; its history goes along, one plan is in force, nothing is doubled."""

from __future__ import annotations

import base64
import dataclasses

import pytest

from fhircare.bundle import read, to_bundle
from fhircare.bundle.document import as_document
from fhircare.exchange import Options, ShortMemory, send, wire
from fhircare.releases import hear
from tests.courses import course, standing
from tests.servers.asked import plan_of


@pytest.mark.parametrize("example", ["anna-first-locking", "carla-diabetes-slow"])
def test_followed_and_sent_again(there, server, example):
    """An example followed: logged and revised, stopped, approved again; the history goes along, one plan
    is in force, what did not change keeps its version, nothing is doubled; again: nothing is written.
    """
    steps, memory, stored = course(plan_of(example)), ShortMemory(), {}
    several = ("approved", "revised", "stopped", "proposed", "released")
    for step in several if example == "anna-first-locking" else ("approved", "released"):
        bundle = steps[step]
        before = there.totals(bundle)
        report = send(server, bundle, memory=memory)
        now, earlier = there.totals(bundle), stored
        stored = there.stored_as_sent(bundle, report)

        assert sum(now.values()) - sum(before.values()) == report.counts["created"]
        plans = [r for r in stored.values() if r["resourceType"] == "CarePlan"]
        assert standing({"entry": [{"resource": plan} for plan in plans]}) == standing(bundle)
        same = [e.reference for e in report.entries if e.outcome in ("kept", "unchanged")]
        known = [name for name in same if name in earlier]
        assert [stored[name] for name in known] == [earlier[name] for name in known]
    assert set(send(server, bundle, memory=memory).counts) == {"kept", "unchanged"}
    assert there.held(report) == stored
    assert there.totals(bundle) == now


def test_a_followed_plan_as_documents(there, server):
    """As documents: each revision replaces the one before, and reads back whole."""
    steps, options = course(plan_of("anna-first-locking")), Options(mode="document", document=as_document)
    send(server, steps["made"])
    filed = []
    for step in ("approved", "revised", "stopped"):
        report = send(server, steps[step], options=options)
        assert report.counts == {"created": 1}
        assert send(server, steps[step], options=options).counts == {"unchanged": 1}
        filed.append(there.get(report.entries[0].reference))
        inside = wire.loads(base64.b64decode(filed[-1]["content"][0]["attachment"]["data"]))
        assert read(hear(inside, there.release)).plan == read(steps[step]).plan
    ids = [f"DocumentReference/{row['id']}" for row in filed]
    assert [[r["target"]["reference"] for r in row.get("relatesTo", [])] for row in filed] == [
        [], [ids[0]], [ids[1]],
    ]  # fmt: skip


def test_a_revision(there, server):
    """Revised: what lives on is updated in place, the old plan and its phases are withdrawn, nothing
    doubled.
    """
    plan, memory = plan_of("anna-first-locking"), ShortMemory()
    send(server, to_bundle(plan), memory=memory)
    goals = tuple(dataclasses.replace(goal, achievement="improving") for goal in plan.goals)
    revised = to_bundle(dataclasses.replace(plan, revision=2, goals=goals))

    report = send(server, revised, memory=memory)

    state = {
        r["identifier"][0]["value"].rpartition("/")[2]: r["status"]
        for r in there.held(report).values()
        if r["resourceType"] == "CarePlan"
    }
    assert report.verified
    assert state["r1"] == "revoked"
    assert report.counts["withdrawn"] > 1
    assert {e.kind for e in report.entries if e.outcome == "updated"} >= {"Goal"}
    now = there.totals(revised)
    assert set(send(server, revised, memory=memory).counts) == {"kept", "unchanged"}
    assert there.totals(revised) == now
