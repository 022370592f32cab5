"""What goes into a bundle comes out of it: whole plans, any part absent, entries in any order."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st

from fhircare.bundle import dump, from_bundle, load, read, to_bundle
from fhircare.delivery import read_delivery
from fhircare.errors import PlanningError
from fhircare.planner import make_plan
from tests.strategies import delivery_records
from tests.strategies_plan import plans

if TYPE_CHECKING:
    from fhircare.plan import Plan

RECORDS = sorted((Path(__file__).parent.parent / "examples" / "records").glob("*.yaml"))
_SLOW = (HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example)


@settings(max_examples=60, deadline=None, suppress_health_check=_SLOW)
@given(plans())
def test_a_plan_is_read_back_equal_and_written_again_to_the_same_bytes(plan: Plan) -> None:
    """plan → bundle → text → bundle → plan is the plan, and its bundle the same bytes, decimals included."""
    text = dump(to_bundle(plan, validate=False))
    again = read(load(text)).plan

    assert again == plan
    assert dump(to_bundle(again, validate=False)) == text


@settings(max_examples=25, deadline=None, suppress_health_check=_SLOW)
@given(plans())
def test_the_models_take_every_plan(plan: Plan) -> None:
    """The models of fhir.resources accept the bundle on the way out and on the way in."""
    assert from_bundle(to_bundle(plan)) == plan


@settings(max_examples=25, deadline=None, suppress_health_check=_SLOW)
@given(plans(), st.randoms(use_true_random=False))
def test_the_order_of_entries_means_nothing(plan: Plan, chance) -> None:
    """FHIR promises no order of entries: reversed or shuffled, they read as the same plan."""
    bundle = to_bundle(plan, validate=False)
    turned = copy.copy(bundle)
    turned["entry"] = bundle["entry"][::-1]
    shuffled = copy.copy(bundle)
    shuffled["entry"] = chance.sample(bundle["entry"], len(bundle["entry"]))

    assert read(turned).plan == plan
    assert read(shuffled).plan == plan


@settings(max_examples=15, deadline=None, suppress_health_check=_SLOW)
@given(delivery_records())
def test_what_a_delivery_record_leads_to_survives(record) -> None:
    """record → plan → bundle → plan is the plan."""
    try:
        plan = make_plan(record)
    except PlanningError:
        reject()  # a day may be so full that nothing can be planned

    assert read(load(dump(to_bundle(plan, validate=False)))).plan == plan


@pytest.mark.parametrize("record", RECORDS, ids=lambda path: path.stem)
def test_the_example_records_survive_and_nothing_is_left_unread(record: Path) -> None:
    """Each example's plan comes back equal; nothing in its bundle is left aside."""
    plan = make_plan(read_delivery(record.read_text(encoding="utf-8")))
    reading = read(load(dump(to_bundle(plan))))

    assert reading.plan == plan
    assert reading.unread == ()


def test_decimals_keep_the_precision_they_were_written_with() -> None:
    """2.50 stays 2.50 (FHIR R4 datatypes: the precision of a decimal is significant)."""
    text = '{"resourceType": "Bundle", "type": "collection", "total": 2.50, "x": 1E+2, "n": 10}'

    assert dump(load(text)) == dump(load(dump(load(text))))
    assert "2.50" in dump(load(text))
