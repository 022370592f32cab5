"""From a delivery record to a plan: every part made by its own module, put together here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.plan import CarePlanParts, Plan
from fhircare.planner.care import advice_for, advice_words, care_tasks, left_out
from fhircare.planner.facts import facts_of
from fhircare.planner.goals import goals_for
from fhircare.planner.rules import settings_for
from fhircare.planner.socks import sock_guide
from fhircare.planner.stop import warning_signs
from fhircare.planner.visits import add_months, visits_for
from fhircare.planner.wear.pace import choose_pace
from fhircare.planner.wear.schedule import first_day, wear_schedule

if TYPE_CHECKING:
    from fhircare.delivery import DeliveryRecord


def make_plan(record: DeliveryRecord) -> Plan:
    """Return the plan for a delivery: a draft and a proposal until a clinician approves it.

    Pure: the same record, the same plan; no clock, no network, no file but this package's own tables.

    Raises:
        DeliveryError: When the record asks for what cannot be: an unknown setting, a value outside a
            measure's scale, an unknown holiday region, a caution left out. Names each field and its mend.
        PlanningError: When no plan can be: an open wound, or no day with room for the first session.
    """
    starts_on = first_day(record)
    # What is true depends on two numbers that no pace changes; they are read first.
    usual = settings_for("usual", record.wear.overrides)
    facts = facts_of(
        record, starts_on, return_days=usual["return_days"], mature_months=usual["mature_months"]
    )
    choice = choose_pace(facts, record.wear.pace, record.wear.overrides)
    settings = settings_for(choice.pace, record.wear.overrides)
    topics = left_out(record)
    visits = visits_for(record, settings)
    others = (*choice.overrides, *topics)
    wear = wear_schedule(record, choice, settings, overrides=others, binding=visits.unmet)
    amputated = record.limb.amputated_on
    matures = add_months(amputated, settings["mature_months"]) if amputated else None
    return Plan(
        number=record.number,
        written_at=record.written_at,
        synthetic=record.synthetic,
        clinic=record.clinic,
        professionals=record.professionals,
        patient=record.patient,
        order=record.order,
        limb=record.limb,
        risks=record.risks,
        circumstances=record.circumstances,
        prosthesis=record.prosthesis,
        socks=record.socks,
        shoes=record.shoes,
        wear=wear,
        care=CarePlanParts(
            tasks=care_tasks(
                facts,
                first=starts_on,
                break_in_ends=wear.days[-1].on,
                limb_matures=matures if "young-limb" in facts else None,
            ),
            advice=advice_for(facts, advice_words(record, settings), (t.value for t in topics)),
            signs=warning_signs(record, settings, facts),
            sock_guide=sock_guide(record.socks, settings, facts),
        ),
        visits=visits.visits,
        goals=goals_for(record, wear),
        measurements=record.measurements,
    )
