"""Goals and the measures they are told by, both ways.

=====================  =================================================================================
plan                   FHIR
=====================  =================================================================================
goal.identifier        Goal.identifier, our own left out
goal.text              Goal.description.text
goal.category          Goal.category: R4's goal-category, ours for what R4 does not list
goal.status            Goal.lifecycleStatus
goal.achievement       Goal.achievementStatus
goal.start             Goal.startDate
goal.targets[]         Goal.target: measure, detailQuantity with comparator, dueDate
goal.set_by            Goal.expressedBy; only named (display) when that person is not in the plan
measurements[]         Observation: code, valueQuantity, effectiveDateTime, note
=====================  =================================================================================

All targets of a goal must be met (FHIR R4 Goal.target). R4's own vital-signs profile holds body weight to
LOINC 29463-7 in kg, g or [lb_av]; in another unit it travels under our code alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.clinic import read_identifiers
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.limb import observation
from fhircare.bundle.located import Node, Read, choice, listed, made
from fhircare.bundle.people import read_role, role_reference
from fhircare.plan import Goal, Measurement, Quantity, Target
from fhircare.plan.goals import Achievement, GoalStatus
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.source import Source

_SIGNS = {"at-least": ">=", "at-most": "<="}
_LOINC = {"body-weight": "29463-7", "pain": "72514-3"}
_WEIGHT_UNITS = ("kg", "g", "[lb_av]")


def write_goals(draft: Draft, conditions: list[Json]) -> list[Json]:
    """Add the goals; return references in order."""
    return [_write_goal(draft, index, goal, conditions) for index, goal in enumerate(draft.plan.goals)]


def _write_goal(draft: Draft, index: int, goal: Goal, conditions: list[Json]) -> Json:
    key = f"goal/{index}"
    mine = fhir.identifiers([goal.identifier]) if goal.identifier else draft.own(key, lasting=True)
    body = {
        "identifier": mine,
        "lifecycleStatus": goal.status,
        "achievementStatus": fhir.concept("", terms.coding("goal-achievement", goal.achievement))
        if goal.achievement
        else None,
        "category": [_category(goal.category)],
        "description": fhir.concept(goal.text),
        "subject": draft.subject,
        "startDate": goal.start and goal.start.isoformat(),
        "target": [_target(target) for target in goal.targets],
        "expressedBy": _expressed_by(draft, goal.set_by),
        "addresses": conditions[:1],
    }
    rows = [
        (
            terms.display("measure", t.measure) or t.measure,
            f"{t.comparator.replace('-', ' ')} {t.value} {t.unit}" + (f" by {t.due}" if t.due else ""),
        )
        for t in goal.targets
    ]
    said = says(goal.text, ("Status", goal.status), ("Set by", goal.set_by), *rows)
    return draft.add("Goal", key, filled(body), text=said, profile="goal")


def _category(category: str) -> Json:
    return fhir.term("goal-kind" if category == "independence" else "goal-category", category)


def _target(target: Target) -> Json:
    return filled(
        {
            "measure": measure_concept(target.measure),
            "detailQuantity": fhir.quantity(target.value, target.unit, _SIGNS[target.comparator]),
            "dueDate": target.due and target.due.isoformat(),
        }
    )


def measure_concept(measure: str) -> Json:
    """Return our code of a measure."""
    return fhir.term("measure", measure)


def _expressed_by(draft: Draft, role: str) -> Json:
    found = draft.made.get("patient") if role == "patient" else role_reference(draft, role)
    return found or {"display": terms.display("professional-role", role)}


def write_measurements(draft: Draft) -> list[Json]:
    """Add the measures at baseline; return references in order."""
    return [_write_measurement(draft, one) for one in draft.plan.measurements]


def _write_measurement(draft: Draft, one: Measurement) -> Json:
    key = draft.key("measurement", one.measure, one.on.isoformat())
    code = measure_concept(one.measure)
    weight = one.measure == "body-weight" and one.quantity.unit in _WEIGHT_UNITS
    if weight or one.measure == "pain":
        code["coding"].insert(0, terms.coding("loinc", _LOINC[one.measure]))
    body = observation(
        draft,
        key,
        "vital-signs" if weight else "survey",
        code,
        one.on.isoformat(),
        valueQuantity=fhir.quantity(one.quantity.value, one.quantity.unit),
        note=[{"text": one.note}] if one.note else [],
    )
    title = terms.display("measure", one.measure) or one.measure
    said = says(title, ("Value", str(one.quantity)), ("On", one.on.isoformat()), ("Note", one.note))
    profile = "body-weight" if weight else "simple-observation"
    return draft.add("Observation", key, body, text=said, profile=profile)


# ---------------------------------------------------------------------------------------------- reading


def read_goals(source: Source, goals: list[Node]) -> Read[tuple[Goal, ...]]:
    """Read the goals that the plan refers to, in its order."""
    found = []
    for goal in goals:
        if goal.kind != "Goal" or goal.get("lifecycleStatus").value == "entered-in-error":
            source.skip(goal, "is no goal, or was entered in error")
            continue
        own = read_identifiers(goal)
        first = {place[4:]: path for place, path in own.parts.items() if place.startswith("[0].")}
        category = next(iter(goal.items("category")), Node(None, ""))
        kind = category.code_in("goal-kind").or_else(category.code_in("goal-category"))
        found.append(
            made(
                Goal,
                identifier=Read(own.value[0], "", first) if own.value else Read(None),
                text=goal.get("description").said(),
                category=choice(
                    kind, ("physiotherapy", "safety", "independence", "behavioral"), "independence"
                ),
                status=choice(goal.text("lifecycleStatus"), get_args(GoalStatus), "proposed"),
                achievement=choice(
                    goal.get("achievementStatus").code_in("goal-achievement"), get_args(Achievement), None
                ),
                start=goal.date("startDate"),
                targets=_read_targets(source, goal),
                set_by=_read_expressed_by(source, goal.get("expressedBy")),
            )
        )
    return listed(found)


def _read_targets(source: Source, goal: Node) -> Read[tuple[Target, ...]]:
    found: list[Read[Any]] = []
    signs = {sign: name for name, sign in _SIGNS.items()}
    for target in goal.items("target"):
        detail = target.get("detailQuantity")
        sign = detail.text("comparator")
        value = detail.decimal("value")
        measure = read_measure(target.get("measure"))
        if not value or not measure or (sign and sign.value not in signs):
            source.skip(target, "has no measure and number that we know how to compare")
            continue
        comparator: Read[Any] = Read(signs[sign.value], sign.path) if sign else Read("at-least")
        unit = detail.text("code").or_else(detail.text("unit"))
        found.append(
            made(
                Target,
                measure=measure,
                comparator=comparator,
                value=value,
                unit=unit,
                due=target.date("dueDate"),
            )
        )
    return listed(found)


def read_measure(concept: Node) -> Read[str]:
    """Return our code of a measure, from our system or from LOINC; "" when neither tells."""
    ours = concept.code_in("measure")
    if ours:
        return ours
    loinc = concept.code_in("loinc")
    known = {code: measure for measure, code in _LOINC.items()}
    return Read(known[loinc.value], loinc.path) if loinc.value in known else Read("")


def _read_expressed_by(source: Source, reference: Node) -> Read[Any]:
    person = source.resolve(reference)
    if person is None:
        said = reference.text("display")
        for role in ("prosthetist", "physician", "physical-therapist"):
            if said.value == terms.display("professional-role", role):
                return Read(role, said.path)
        return Read("patient", said.path)
    if person.kind == "Patient":
        return Read("patient", reference.get("reference").path)
    role_found = read_role(person.items("code"))
    if role_found is None:
        source.skip(reference, "is somebody whose role we do not know")
        return Read("patient")
    return Read(role_found.value, reference.get("reference").path)


def read_measurements(observations: list[Node]) -> Read[tuple[Measurement, ...]]:
    """Read the measures among the observations that the plan refers to, in its order."""
    return listed(
        made(Measurement, measure=measure, quantity=quantity, on=day, note=one.first("note").text("text"))
        for one in observations
        if (measure := read_measure(one.get("code")))
        and (quantity := one.get("valueQuantity").quantity(Quantity))
        and (day := one.date("effectiveDateTime"))
    )
