"""A bundle read back as a plan, with the place of every leaf.

What the CarePlan points to is read; nothing else is, save what belongs to a person or a thing that it
points to (a caregiver, opening hours, the use of the prosthesis). A request is part of the plan only when
it is about the same person, is current, and is meant: one that is revoked, an option, or carries a modifier
that we do not know is left aside and named. "Do not" is never read as a target.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle.advice import forbidden, read_advice
from fhircare.bundle.appointment import read_visits
from fhircare.bundle.belonging import holds, meant, same_person, stands, unknown_modifier, warns, works
from fhircare.bundle.care import read_sock_guide, read_task, read_tasks
from fhircare.bundle.clinic import read_clinic
from fhircare.bundle.device import read_prosthesis
from fhircare.bundle.goal import read_goals, read_measurements
from fhircare.bundle.guest import is_guest, read_guest
from fhircare.bundle.in_force import careplans, is_break_in, numbered, revision_of
from fhircare.bundle.leftover import unread_of
from fhircare.bundle.limb import read_circumstances, read_limb, read_risks
from fhircare.bundle.located import Node, Read, choice, listed, made
from fhircare.bundle.order import read_order
from fhircare.bundle.people import read_patient, read_professionals
from fhircare.bundle.schedule import read_wear
from fhircare.bundle.signs import read_signs, read_stopped
from fhircare.bundle.socks import read_shoes, read_socks
from fhircare.bundle.source import Source, Unread
from fhircare.plan import Advice, CarePlanParts, CareTask, Intent, Plan, PlanStatus
from fhircare.spec import terms

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping

    from fhircare.bundle.retold import Guest


@dataclass(frozen=True)
class Reading:
    """A plan read from a bundle.

    Attributes: bundle: The bundle as it came. plan: The plan. unread: What the bundle says about the plan
        that the plan does not hold, each with its place and reason; of a plan that another system wrote,
        all that ``guest`` does not tell. guest: Such a plan retold; None for one of ours.
    """

    bundle: Mapping[str, Any]
    plan: Plan
    unread: tuple[Unread, ...] = ()
    guest: Guest | None = None
    places: dict[str, str] = field(default_factory=dict, repr=False)

    def source(self, place: str) -> str:
        """Return the FHIRPath, from the bundle's root, that a leaf of the plan was read from.

        Args:
            place: Dotted place in the plan, such as ``wear.days[3].sessions[0].minutes`` or ``clinic.phone``.

        Returns:
            Such as ``Bundle.entry[12].resource.occurrenceTiming.repeat.duration``; "" where unknown, absent
            from the bundle, or no leaf.
        """
        return self.places.get(place, "")


def read(bundle: Mapping[str, Any]) -> Reading:
    """Read a bundle, ours or another's. What another system wrote is read as far as it goes, and retold.

    Args:
        bundle: A Bundle in R4's spelling as a dict, or a CarePlan by itself.

    Raises:
        BundleError: For what is neither.
    """
    source = Source(bundle)
    careplan = _careplan(source)
    found = _read_plan(source, careplan)
    if not careplan:
        source.skip(careplan, "holds no CarePlan")
    if is_guest(source, careplan):
        guest = read_guest(source, careplan, _subject(source, careplan))
        return Reading(bundle, found.value, unread_of(source, frozenset(guest.paths)), guest, found.parts)
    _name_the_rest(source, careplan, found.parts)
    return Reading(bundle, found.value, tuple(dict.fromkeys(source.unread)), places=found.parts)


def _name_the_rest(source: Source, careplan: Node, places: dict[str, str]) -> None:
    """Name what the CarePlan points to and no leaf was read from."""
    read_from = {*places.values(), *(one.path for one in source.unread)}
    touched = {f"{path}.".partition(".resource.")[0] for path in read_from}
    pointed = [*careplan.items("supportingInfo"), *careplan.items("goal"), *careplan.items("addresses")]
    pointed += [activity.get("reference") for activity in careplan.items("activity")]
    for resource in filter(None, map(source.resolve, pointed)):
        repeats = resource.kind == "Flag" and resource.get("code").code_in("sign-level")
        entry, _, inside = f"{resource.path}.".partition(".resource.")
        known = any(path.startswith(resource.path) for path in read_from) if inside else entry in touched
        bare = resource.get("type").code_in("device-kind")  # shoes of which nothing is told are still shoes
        if not (repeats or known or bare):
            source.skip(resource, "holds nothing that this plan has a place for")


def _careplan(source: Source) -> Node:
    """Return the plan that the bundle is about; others are named as unread."""
    plans = careplans(source)
    for other in plans[1:]:
        source.skip(other, "is another plan; one plan is read at a time")
    return plans[0] if plans else Node(None, source.root.path)


def _read_plan(source: Source, careplan: Node) -> Read[Plan]:
    patient = _subject(source, careplan)
    team = next(
        (one for one in source.follow(careplan.items("careTeam")) if works(source, one, patient)), None
    )
    clinic = _clinic(source, careplan, team, patient)
    conditions = [one for one in source.follow(careplan.items("addresses")) if holds(source, one, patient)]
    support = source.follow(careplan.items("supportingInfo"))
    status = choice(careplan.text("status"), get_args(PlanStatus), "draft")
    activities, not_to_do, details = _activities(source, careplan, patient, status.value)
    requests = [one for one in activities if one.kind == "ServiceRequest"]
    observations = [one for one in support if stands(source, one, patient, "Observation")]
    devices = [one for one in support if stands(source, one, patient, "Device")]
    flags = [one for one in support if warns(source, one, patient, status.value)]
    goals = [
        one
        for one in source.follow(careplan.items("goal"))
        if same_person(source, one, one.get("subject"), patient)
    ]
    start = _start(careplan, source)
    stopped = read_stopped(flags)
    tasks = listed(
        [
            *read_tasks(source, requests, start, stopped=stopped.value is not None),
            *_detail_tasks(source, details, start),
        ]
    )
    advice = listed([*read_advice(activities), *not_to_do])
    return made(
        Plan,
        number=_number(careplan),
        revision=revision_of(careplan),
        status=status,
        intent=_intent(careplan),
        written_at=careplan.instant("created"),
        stopped_since=stopped,
        synthetic=_synthetic(careplan),
        clinic=read_clinic(source, clinic),
        professionals=read_professionals(source, team, clinic),
        patient=read_patient(source, patient),
        order=read_order([one for one in support if stands(source, one, patient, "ServiceRequest")]),
        limb=read_limb(source, conditions, observations),
        risks=read_risks(conditions),
        circumstances=read_circumstances(observations),
        prosthesis=read_prosthesis(source, devices, patient),
        socks=read_socks(devices, observations),
        shoes=read_shoes(devices),
        wear=read_wear(source, requests, start),
        care=made(
            CarePlanParts,
            tasks=tasks,
            advice=advice,
            signs=read_signs(source, requests, flags),
            sock_guide=read_sock_guide(requests),
        ),
        visits=read_visits(source, [one for one in activities if one.kind == "Appointment"]),
        goals=read_goals(source, goals),
        measurements=read_measurements(observations),
    )


# ------------------------------------------------------------------ the plan's own facts


def _intent(careplan: Node) -> Read[Any]:
    """Return the intent; an order is a plan, and what we do not know no more than a proposal."""
    told = careplan.text("intent")
    return Read("plan", told.path) if told.value == "order" else choice(told, get_args(Intent), "proposal")


def _number(careplan: Node) -> Read[str]:
    return numbered(careplan, "plan-series").or_else(careplan.first("identifier").text("value"))


def _synthetic(careplan: Node) -> Read[bool]:
    for label in careplan.get("meta").items("security"):
        if label.get("code").value == "HTEST" and label.get("system").value == terms.uri("act-reason"):
            return Read(True, label.get("code").path)  # noqa: FBT003
    return Read(False)  # noqa: FBT003


def _start(careplan: Node, source: Source) -> dt.date | None:
    """Return the first day the context tells: the plan's period, its making, or the bundle's time."""
    told = (careplan.get("period").date("start"), careplan.date("created"), source.root.date("timestamp"))
    return next((day.value for day in told if day.value), None)


def _subject(source: Source, careplan: Node) -> Node | None:
    subject = careplan.get("subject")
    found = source.resolve(subject)
    if found is None and not careplan:
        patients = source.of_type("Patient")
        found = patients[0] if len(patients) == 1 else None
    return found if found is not None and found.kind == "Patient" else None


def _clinic(source: Source, careplan: Node, team: Node | None, patient: Node | None) -> Node | None:
    places = [*(team.items("managingOrganization") if team else []), *careplan.items("contributor")]
    places += [patient.get("managingOrganization")] if patient else []
    for reference in [*places, careplan.get("author")]:
        found = source.resolve(reference)
        if found is not None and found.kind == "PractitionerRole" and not is_break_in(careplan):
            found = source.resolve(found.get("organization"))
        if found is not None and found.kind == "Organization":
            return found
    return None


# ------------------------------------------------------------------ what it asks for


def _activities(
    source: Source, careplan: Node, patient: Node | None, status: str
) -> tuple[list[Node], list[Read[Advice]], list[Node]]:
    """Return what the plan asks for, what it says not to do, and the activities it details itself."""
    asked: list[Node] = []
    not_to_do: list[Read[Advice]] = []
    details: list[Node] = []
    for activity in careplan.items("activity"):
        detail = activity.get("detail")
        one = detail
        if not detail:
            found = source.follow([activity.get("reference")])
            if not found:
                continue
            one = found[0]
        if unknown_modifier(activity) or unknown_modifier(one):
            source.skip(one, "carries a modifier that is not known")
        elif one.get("doNotPerform").value is True:
            not_to_do.append(forbidden(one))
        elif not detail and one.kind == "Appointment":
            asked.append(one)
        elif not meant(source, one, patient, status, detail=bool(detail)):
            continue
        else:
            (details if detail else asked).append(one)
            if not detail and one.kind not in {"ServiceRequest", "CommunicationRequest"}:
                source.skip(one, "is a kind of activity that this plan has no place for")
    return asked, not_to_do, details


def _detail_tasks(source: Source, details: list[Node], start: dt.date | None) -> list[Read[CareTask]]:
    """Return the tasks that a plan from elsewhere states in activity.detail."""
    found = []
    for one in details:
        code = one.get("code")
        text = (
            code.text("text")
            .or_else(one.text("description"))
            .or_else(code.said())
            .or_else(one.text("scheduledString"))
        )
        task = read_task(source, one, one.get("scheduledTiming"), one.get("scheduledPeriod"), start, text)
        if task is not None:
            why = one.first("reasonCode").said()
            found.append(made(CareTask, **task, code=Read(""), why=why))
    return found
