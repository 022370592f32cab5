"""The CarePlan that holds everything together, both ways.

=====================  =================================================================================
plan                   FHIR CarePlan
=====================  =================================================================================
number                 the identifier that all revisions share
revision               the identifier of this revision, ``number/rN``; ``replaces`` names the one before
status, intent         status, intent
written_at             created
stopped_since          a Flag among supportingInfo (``signs``)
synthetic              meta.security HTEST, on every resource
clinic                 contributor; CareTeam.managingOrganization
limb, risks            addresses, the limb first
order, prosthesis, …   supportingInfo, in the plan's order
goals                  goal
wear, tasks, advice,   activity.reference; never activity.detail, which R5 does not have
sock guide, visits
=====================  =================================================================================

Its narrative is safe to read alone: the days and sessions, the signs to stop for, and whom to call.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.bundle import datatypes as fhir
from fhircare.bundle import us_core
from fhircare.bundle.care import said_frequency
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.narrative import bullets, facts, heading, narrative, paragraph, table
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.draft import Draft
    from fhircare.plan import Plan, WearDay


def write_careplan(
    draft: Draft, *, addresses: list[Json], support: list[Json], goals: list[Json], activities: list[Json]
) -> Json:
    """Add the CarePlan, which refers to all the rest; return a reference to it."""
    plan = draft.plan
    kinds = [terms.coding("plan-kind", "break-in")]
    if us_core.asks_for_assess_plan(draft.us_core):
        kinds.insert(0, terms.coding("careplan-category", "assess-plan"))
    category = fhir.concept(terms.display("plan-kind", "break-in"), *kinds)
    side = f", {plan.limb.side}" if plan.limb else ""
    last = plan.revision - 1
    body = {
        "identifier": [draft.names.plan(), draft.names.series()],
        "replaces": [{"identifier": draft.names.plan(last)}] if last else [],
        "status": plan.status,
        "intent": plan.intent,
        "category": [category],
        "title": f"Break-in plan for a leg prosthesis{side}",
        "description": "Wearing, daily care, warning signs and follow-up after fitting a leg prosthesis",
        "subject": draft.subject,
        "period": fhir.period(plan.wear.days[0].on, plan.wear.days[-1].on) if plan.wear else None,
        "created": plan.written_at and plan.written_at.isoformat(),
        "author": next(iter(draft.reference("role/0", "clinic")), None),
        "contributor": draft.reference("role/0", "clinic"),
        "careTeam": draft.reference("team"),
        "addresses": addresses,
        "supportingInfo": support,
        "goal": goals,
        "activity": [{"reference": reference} for reference in activities],
    }
    profile = "careplan"
    return draft.add("CarePlan", "plan", filled(body), text=_narrative(plan), profile=profile)


def _narrative(plan: Plan) -> Json:
    grave = [s for s in plan.care.signs if s.level in {"stop", "emergency"}]
    clinic = plan.clinic
    blocks = [
        heading("Break-in plan after fitting a leg prosthesis"),
        facts([("Plan", f"{plan.number}, revision {plan.revision}"), ("Status", plan.status)]),
    ]
    if plan.stopped_since:
        blocks.append(
            paragraph(
                f"Wear is stopped since {plan.stopped_since}. Do not wear the prosthesis until a clinician "
                "has approved a plan with wear in it. Skin care, looking at the limb and cleaning go on."
            )
        )
    if clinic:
        numbers = [
            (clinic.name, clinic.phone),
            ("When closed", clinic.after_hours_phone),
            ("Emergency", clinic.emergency_phone),
        ]
        blocks += [heading("Whom to call"), facts(numbers)]
    if grave:
        rows = [(s.text, terms.display("sign-level", s.level), terms.display("call", s.call)) for s in grave]
        blocks += [
            heading("When to stop"),
            paragraph(
                "Take the prosthesis off and do not wear it again until somebody has told you that you may."
            ),
            table(("Sign", "What it means", "Whom to call"), rows),
        ]
    if plan.wear:
        rest = (
            f"Rest at least {plan.wear.rest_minutes} minutes between sessions. Look at the skin after each: "
            f"redness must be gone {plan.wear.redness_minutes} minutes after taking the prosthesis off."
        )
        head = ("Day", "Start", "Minutes", "Sitting", "Standing", "Walking")
        lines = [row for day in plan.wear.days for row in _day_rows(day)]
        blocks += [heading("Wearing schedule"), paragraph(rest), table(head, lines)]
    blocks += [
        _list("Daily care", [f"{t.text} ({said_frequency(t)})" for t in plan.care.tasks]),
        _list("Visits", [f"{v.start:%Y-%m-%d %H:%M}: {', '.join(v.kinds)}" for v in plan.visits]),
        _list("Goals", [goal.text for goal in plan.goals]),
        paragraph(
            "This plan supports the prosthetist, physician and therapist; it does not replace them. "
            "What they say, and local rules, come first."
        ),
    ]
    return narrative(*blocks)


def _list(title: str, items: list[str]) -> str:
    return heading(title) + bullets(items) if items else ""


def _day_rows(day: WearDay) -> list[tuple[str, ...]]:
    date = day.on.isoformat()
    if not day.sessions:
        return [(date, "", "no wear", "", "", "")]
    return [
        (
            date,
            f"{s.start:%H:%M}",
            f"{s.minutes} (all day)" if s.all_day else str(s.minutes),
            str(s.sitting),
            str(s.standing),
            str(s.walking),
        )
        for s in day.sessions
    ]


def bundle_of(draft: Draft, *, apart: bool = True) -> dict[str, Any]:
    """Return the whole bundle, of type collection, with the claims that its resources bear out.

    Args:
        draft: All of it.
        apart: Whether no object may stand in two places.
    """
    plan = draft.plan
    us_core.settle(draft.entries)
    meta = draft.meta()
    meta["tag"] = [terms.coding("origin", "fhircare")]
    return filled(
        {
            "resourceType": "Bundle",
            "meta": meta,
            "identifier": draft.names.plan(),
            "type": "collection",
            "timestamp": plan.written_at and plan.written_at.isoformat(),
            "entry": unshared(draft.entries) if apart else draft.entries,
        }
    )


def unshared(node: list[Any]) -> list[Any]:
    """Return JSON in which no object stands in two places, so that changing one place changes no other.

    Every object is copied at every place, shallow, and then what is in the copy: nothing that is kept
    between bundles (a term's coding) ever stands in one of them. A bundle has 5,000 objects: no recursion.
    """
    whole = node.copy()
    to_do: list[Any] = [whole]
    while to_do:
        parent = to_do.pop()
        for at, value in parent.items() if type(parent) is dict else enumerate(parent):
            if type(value) is dict or type(value) is list:
                parent[at] = own = value.copy()
                to_do.append(own)
    return whole
