"""The planner: a delivery record becomes a plan a prosthetist can put their name under.

``make_plan(record)`` is pure. Every number it uses stands in ``rules.toml`` with its source, every day of the plan
says why, and whatever the clinician sets otherwise is recorded. The plan is a proposal: a clinician approves it.
"""

from __future__ import annotations

from fhircare.planner.make import make_plan

__all__ = ["make_plan"]
