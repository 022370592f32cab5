"""The course of a plan, as the commands make it: approved, logged, revised, stopped, approved again."""

from __future__ import annotations

import datetime as dt
import functools

from fhircare.bundle import dump, load, read, to_bundle
from fhircare.follow.keep import approve, follow, take
from fhircare.log import entry_from

STEPS = ("made", "approved", "logged", "revised", "stopped", "proposed", "released")
"""What the plan is after each step: a draft, in force, in force with a day's log, revision 2, on hold after a
blister (revision 3), on hold with a draft beside it (revision 4), and that in force."""


def course(plan):
    """The bundle of a plan after each of ``STEPS``, by name, each as it would be read from its file."""
    first = plan.wear.days[0].on
    by, zone = str(plan.prosthetist.name), plan.written_at.tzinfo

    def at(days, hour=20):
        return dt.datetime.combine(first + dt.timedelta(days=days), dt.time(hour), zone)

    def entry(days, **told):
        on = first + dt.timedelta(days=days)
        return entry_from({"on": on, "written_at": at(days), "author": "patient", "sessions": [], **told})

    def reviewed(bundle, days):
        followed = follow(bundle, first + dt.timedelta(days=days))
        assert followed.revision is not None
        return followed.bundle

    steps = {"made": to_bundle(plan, validate=False)}
    steps["approved"] = approve(steps["made"], by, at(-1))
    worn = [{"minutes": 30, "skin": "redness", "faded_after": 25}]
    steps["logged"] = take(steps["approved"], [entry(0, sessions=worn)]).bundle
    steps["revised"] = reviewed(steps["logged"], 1)
    blister = entry(1, sessions=[{"minutes": 30, "skin": "blister"}])
    steps["stopped"] = reviewed(take(steps["revised"], [blister]).bundle, 2)
    lifted = entry(4, author="clinic", by=by, released=True)
    steps["proposed"] = reviewed(take(steps["stopped"], [lifted]).bundle, 5)
    steps["released"] = approve(steps["proposed"], by, at(4, 21))
    return {name: load(dump(bundle)) for name, bundle in steps.items()}


@functools.cache
def _example(name):
    from fhircare.delivery import read_delivery
    from fhircare.planner import make_plan
    from tests.conftest import RECORDS

    return course(make_plan(read_delivery((RECORDS / f"{name}.yaml").read_text(encoding="utf-8"))))


def example_course(name):
    """The course of an example record's plan; not to be changed."""
    return _example(name)


def standing(bundle):
    """Revision and status of each CarePlan in a bundle, the first revision first."""
    plans = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "CarePlan"]
    return sorted((p["identifier"][0]["value"].rpartition("/")[2], p["status"]) for p in plans)


def revision_in_force(bundle):
    """What a reader finds: revision, status and intent."""
    plan = read(bundle).plan
    return plan.revision, plan.status, plan.intent
