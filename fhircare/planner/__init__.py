"""The planner: a delivery record becomes a plan a prosthetist can put their name under.

``make_plan(record)`` is pure. Every number it uses stands in ``rules.toml`` with its source, every day of the
plan says why, and whatever the clinician sets otherwise is recorded. The plan is a proposal: a clinician
approves it.

For whoever follows the plan: ``layout_of(plan)`` gives the ladder, the policy and the sessions of any step
on any date from the plan alone, ``next_step(policy, history)`` the step of the next day, and
``days_from(layout, start, climber)`` the schedule from there on.
"""

from __future__ import annotations

from fhircare.planner.chart import chart
from fhircare.planner.explain import explain
from fhircare.planner.make import make_plan
from fhircare.planner.wear.layout import Layout, layout_of
from fhircare.planner.wear.pace import Climber, DayOutcome, Decision, Policy, next_step
from fhircare.planner.wear.schedule import days_from

__all__ = [
    "Climber", "DayOutcome", "Decision", "Layout", "Policy", "chart", "days_from", "explain", "layout_of",
    "make_plan", "next_step",
]  # fmt: skip
