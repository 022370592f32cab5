"""A plan that another system wrote, retold: what each resource says, in order, with its place.

Nothing is derived: no day is reckoned, no code is read as one of ours, no schedule is made. A resource that
is not current, is not meant, is about somebody else or carries a modifier that is not known is left aside.
What is told here is what a page for such a plan shows; ``leftover`` names the rest.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, get_args

from fhircare.bundle.belonging import (
    holds,
    in_part,
    meant,
    person_pointed_to,
    same_person,
    unknown_modifier,
    warns,
    works,
)
from fhircare.bundle.in_force import is_break_in
from fhircare.bundle.items import item_of, items_of, named_only
from fhircare.bundle.prose import lines_of
from fhircare.bundle.request import activity
from fhircare.bundle.retold import PARTS, Contact, Fact, Guest, Item, Part, Prose
from fhircare.bundle.told import leaves, name_of, tell, tell_name
from fhircare.plan import PlanStatus

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.bundle.located import Node
    from fhircare.bundle.source import Source


def is_guest(source: Source, careplan: Node) -> bool:
    """Tell whether a plan was written by another system: neither it nor what it asks for is coded as ours."""
    if is_break_in(careplan):
        return False
    asked = (source.resolve(one.get("reference")) for one in careplan.items("activity"))
    return not any(activity(one) for one in asked if one is not None and one.kind == "ServiceRequest")


def read_guest(source: Source, careplan: Node, patient: Node | None) -> Guest:
    """Retell a bundle.

    Args:
        source: The bundle.
        careplan: Its plan; without one, the problems, findings, devices and documents of its one person are
            told, and nothing is told to do.
        patient: The plan's person, None when the bundle does not hold them.
    """
    source.person = person_pointed_to(source)
    documents = [
        one for one in source.resources if one.kind == "Composition" and _valid(source, one, patient)
    ]
    about = careplan or next(iter(documents), None)
    subject = about.get("subject") if about else None
    subject = subject or _one_subject(source)
    person = name_of(source, patient) if patient else tell_name(source, subject) if subject else None
    born = patient and tell(source, patient.get("birthDate"))
    if careplan and _unusable(source, careplan):
        contacts = tuple(_contacts(source, careplan, patient))
        return Guest(None, person, born or None, {}, (), contacts, unusable=True)
    told = dict(_of_plan(source, careplan, patient)) if careplan else dict(_of_person(source, patient))
    prose = [
        *_prose(about, said=bool(told.get("do") or told.get("goals"))),
        *(one for each in documents for one in _sections(source, each)),
    ]
    return Guest(
        about=item_of(source, about.kind, about) if about else None,
        person=person,
        born=born or None,
        parts={part: told[part] for part in PARTS if told.get(part)},
        prose=tuple(prose),
        contacts=tuple(_contacts(source, careplan or about, patient)),
        spoken=leaves(patient.get("communication")) if patient else (),
    )


# ------------------------------------------------------------------ which resources


def _of_plan(source: Source, plan: Node, patient: Node | None) -> Iterator[tuple[Part, tuple[Item, ...]]]:
    do, do_not, visits = _activities(source, plan, patient)
    seen = {id(one.value) for one in visits}
    others = [one for one in source.of_type("Appointment") if id(one.value) not in seen and patient]
    visits += [one for one in others if any(_points(source, p, patient) for p in one.items("participant"))]
    support = [one for one in map(source.resolve, plan.items("supportingInfo")) if one is not None]
    flags = _unique([*support, *(_of(source, "Flag", patient))], "Flag")
    worn = [*support, *_of(source, "Device", patient), *_of(source, "DeviceUseStatement", patient)]
    devices = _unique(worn, "Device", "DeviceUseStatement")
    yield "do", tuple(do)
    yield "do-not", tuple(do_not)
    yield "signs", items_of(source, (one for one in flags if warns(source, one, patient, _status(plan))))
    yield "visits", items_of(source, (one for one in visits if _valid(source, one)))
    yield "goals", _pointed(source, plan.items("goal"), "Goal", patient)
    yield "problems", _pointed(source, plan.items("addresses"), "Condition", patient)
    yield "devices", items_of(source, (one for one in devices if _valid(source, one, patient)))
    measures = _unique(support, "Observation")
    yield "measures", items_of(source, (one for one in measures if _valid(source, one, patient)))
    documents = _unique([*support, *_of(source, "DocumentReference", patient)], "DocumentReference")
    yield "documents", items_of(source, (one for one in documents if _valid(source, one, patient)))
    yield "people", tuple(_people(source, plan, patient))


def _of_person(source: Source, patient: Node | None) -> Iterator[tuple[Part, tuple[Item, ...]]]:
    """Yield what is known of the one person of a bundle without a plan; nothing when it is not one person."""
    subjects = {
        one.get(name).word("reference") for one in source.resources for name in ("subject", "patient")
    }
    alone = patient is not None or (not source.of_type("Patient") and len(subjects - {""}) < 2)
    kinds: tuple[tuple[Part, tuple[str, ...]], ...] = (
        ("signs", ("Flag",)),
        ("goals", ("Goal",)),
        ("problems", ("Condition",)),
        ("allergies", ("AllergyIntolerance",)),
        ("devices", ("Device", "DeviceUseStatement")),
        ("measures", ("Observation",)),
        ("documents", ("DocumentReference",)),
    )
    for part, types in kinds if alone else ():
        found = [one for one in source.resources if one.kind in types]
        yield part, items_of(source, (one for one in found if _valid(source, one, patient)))
    visits = [one for one in source.resources if one.kind == "Appointment" and alone]
    yield "visits", items_of(source, (one for one in visits if _valid(source, one)))


def _subjects(source: Source) -> dict[str, Node]:
    """Return whom the resources of a bundle say they are about, by reference."""
    found = [one.get(name) for one in source.resources for name in ("subject", "patient")]
    found.sort(key=lambda one: bool(one.word("display")))  # of the same, one with a name is kept
    return {one.word("reference"): one for one in found if one.word("reference")}


def _one_subject(source: Source) -> Node | None:
    subjects = list(_subjects(source).values())
    return subjects[0] if len(subjects) == 1 else None


def _activities(
    source: Source, plan: Node, patient: Node | None
) -> tuple[list[Item], list[Item], list[Node]]:
    do: list[Item] = []
    do_not: list[Item] = []
    visits: list[Node] = []
    for each in plan.items("activity"):
        detail = each.get("detail")
        one = detail or source.resolve(each.get("reference")) or each.get("reference")
        kind = "detail" if detail else one.kind
        if unknown_modifier(each):
            source.skip(one, "carries a modifier that is not known")
        elif _unusable(source, one):
            continue
        elif not detail and not kind:
            do += named_only(each.get("reference"), "activity")
        elif kind == "Appointment":
            visits.append(one)
        elif kind not in {"detail", "ServiceRequest", "CommunicationRequest", "Task"}:
            source.skip(one, "is a kind of activity that this plan has no place for")
        elif kind == "Task":
            do += [item_of(source, kind, one)] if _open_task(source, one, patient) else []
        elif meant(source, one, patient, _status(plan), detail=bool(detail)):
            found = item_of(source, kind, one)
            (do_not if one.get("doNotPerform").value is True else do).append(found)
    return do, do_not, visits


_OPEN = {"draft", "requested", "received", "accepted", "ready", "in-progress", "on-hold"}


def _open_task(source: Source, task: Node, patient: Node | None) -> bool:
    """Tell whether a task waits to be done (R4 task-status) for this person."""
    if task.word("status") in {
        "draft",
        "requested",
        "received",
        "accepted",
        "ready",
        "in-progress",
        "on-hold",
    }:
        return same_person(source, task, task.get("for"), patient)
    source.skip(task, "is not current")
    return False


def _status(plan: Node) -> str:
    """Return the status a plan is read with: one that is not known counts as a draft."""
    told = plan.word("status")
    return told if told in get_args(PlanStatus) else "draft"


def _of(source: Source, kind: str, patient: Node | None) -> list[Node]:
    """Return the resources of a kind that say they are about this person."""
    element = "patient" if kind == "Device" else "subject"
    return [
        one
        for one in source.of_type(kind)
        if patient is not None and source.points_to(one.get(element), patient)
    ]


def _unique(found: Iterable[Node], *kinds: str) -> list[Node]:
    return list({id(one.value): one for one in found if one.kind in kinds}.values())


def _points(source: Source, participant: Node, patient: Node | None) -> bool:
    return source.points_to(participant.get("actor"), patient)


_OVER = {
    "entered-in-error",
    "inactive",
    "superseded",
    "stopped",
    "not-done",
    "rejected",
    "cancelled",
    "unknown",
}


def _valid(source: Source, one: Node, patient: Node | None = None) -> bool:
    """Tell whether a resource counts: it is about this person, is not over or wrong, and is not modified."""
    if one.kind == "Condition" and not holds(source, one, patient):
        return False
    status = one.word("lifecycleStatus") or one.word("status")
    verified = {coding.word("code") for coding in one.get("verificationStatus").items("coding")}
    over = status in _OVER and not (one.kind == "Appointment" and status == "cancelled")
    if _unusable(source, one):
        return False
    if over or verified & {"refuted", "entered-in-error"}:
        source.skip(one, "was entered in error, or is not in use")
        return False
    subject = one.get("patient") if one.kind in {"Device", "AllergyIntolerance"} else one.get("subject")
    if patient is None and _elsewhere(source, subject):
        source.skip(one, "is about somebody else")
        return False
    return same_person(source, one, subject, patient)


def _unusable(source: Source, one: Node) -> bool:
    """Tell whether a resource may mean something else than it seems to, or is not whole; note which."""
    if unknown_modifier(one):
        source.skip(one, "carries a modifier that is not known")
        return True
    if in_part(one):
        source.skip(one, "is only a part of a resource")
        return True
    return False


def _elsewhere(source: Source, subject: Node) -> bool:
    """Tell whether somebody is not the one whom the plan points to, where the bundle holds neither."""
    return bool(source.person) and subject.word("reference") not in {source.person, ""}


def _pointed(source: Source, references: list[Node], kind: str, patient: Node | None) -> tuple[Item, ...]:
    """Retell what references lead to; one that leads nowhere gives what it displays."""
    found: list[Item] = []
    for reference in references:
        one = source.resolve(reference)
        if one is None:
            found += named_only(reference, kind)
        elif one.kind == kind and _valid(source, one, patient):
            found.append(item_of(source, kind, one))
    return tuple(found)


# ------------------------------------------------------------------ people and prose


def _people(source: Source, plan: Node, patient: Node | None) -> Iterator[Item]:
    for team in filter(None, map(source.resolve, plan.items("careTeam"))):
        if not works(source, team, patient):
            continue
        for participant in team.items("participant"):
            name = tell_name(source, participant.get("member"))
            if name is None:
                continue
            roles = [told for role in participant.items("role") if (told := tell(source, role)) is not None]
            yield Item("participant", name, tuple(Fact("role", role) for role in roles), participant.path)


def _contacts(source: Source, plan: Node | None, patient: Node | None) -> Iterator[Contact]:
    """Yield who can be called: those the plan, its team or the person's record point to, with a phone."""
    places: list[Node] = []
    if plan:
        teams = [team for team in map(source.resolve, plan.items("careTeam")) if team is not None]
        places += [one for team in teams for one in team.items("managingOrganization")]
        places += [
            *plan.items("contributor"),
            plan.get("author"),
            *plan.items("author"),
            plan.get("custodian"),
        ]
        places += [member.get("member") for team in teams for member in team.items("participant")]
    if patient:
        places += [patient.get("managingOrganization"), *patient.items("generalPractitioner")]
    found = _unique(
        [one for one in map(source.resolve, places) if one is not None],
        "Organization", "Practitioner", "PractitionerRole",
    )  # fmt: skip
    for one in found:
        phones = [
            told
            for each in one.items("telecom")
            if each.word("system") == "phone" and each.word("use") != "old"
            and (told := tell(source, each.get("value"))) is not None
        ]  # fmt: skip
        name = name_of(source, one)
        if phones and name is not None and one.get("active").value is not False:
            yield Contact(name, tell(source, one.first("code")), tuple(phones))


def _prose(about: Node | None, *, said: bool) -> Iterator[Prose]:
    """Yield the narrative of a plan; one that only repeats what was said already is left out."""
    if not about or (said and about.get("text").word("status") == "generated"):
        return
    div = about.get("text").get("div")
    lines = lines_of(div.string())
    if lines:
        yield Prose(None, lines, about.word("language"), div.path)


def _sections(source: Source, document: Node) -> Iterator[Prose]:
    """Yield the narratives of a document's sections, those inside others behind them."""
    waiting = document.items("section")
    while waiting:
        section = waiting.pop(0)
        waiting = section.items("section") + waiting
        div = section.get("text").get("div")
        lines = lines_of(div.string())
        if lines:
            heading = tell(source, section.get("title")) or tell(source, section.get("code"))
            if heading is not None:  # the code says again what the title says
                heading = replace(heading, paths=(*heading.paths, *leaves(section.get("code"))))
            yield Prose(heading, lines, document.word("language"), div.path)
