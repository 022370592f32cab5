"""Whether a resource belongs to a plan: it is about the same person, is current, and is meant.

What does not is left aside and named. "Do not" is never read as a target.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.bundle.in_force import careplans

if TYPE_CHECKING:
    from fhircare.bundle.located import Node
    from fhircare.bundle.source import Source

_VALID: dict[str, set[str]] = {
    "ServiceRequest": {"draft", "active", "on-hold", "completed"},
    "Observation": {"preliminary", "final", "amended", "corrected"},
    "Device": {"active", ""},
}
"""The statuses with which a resource that the plan rests on counts."""
_INSTRUCTIONS = {"plan", "order", "original-order", "reflex-order"}
"""The intents of a request that is meant to be carried out (R4 request-intent)."""


def stands(source: Source, one: Node, patient: Node | None, kind: str) -> bool:
    """Tell whether a resource of this kind is valid and about the plan's person."""
    if one.kind != kind:
        return False
    if one.word("status") not in _VALID[kind] or unknown_modifier(one):
        source.skip(one, "was entered in error, is not in use, or carries a modifier that is not known")
        return False
    return same_person(source, one, one.get("patient" if kind == "Device" else "subject"), patient)


def warns(source: Source, one: Node, patient: Node | None, status: str) -> bool:
    """Tell whether a flag of the plan's person still warns."""
    if one.kind != "Flag":
        return False
    told = one.word("status")
    valid = told == "active" or (status in {"revoked", "completed"} and told == "inactive")
    if not valid or unknown_modifier(one):
        source.skip(one, "is not current, or carries a modifier that is not known")
        return False
    return same_person(source, one, one.get("subject"), patient)


def holds(source: Source, condition: Node, patient: Node | None) -> bool:
    """Tell whether a condition is current, not refuted, and about the plan's person."""
    status = condition.get("clinicalStatus").code_in("condition-clinical").value
    verified = condition.get("verificationStatus").code_in("condition-ver-status").value
    told = condition.kind == "Condition" and status in {"active", "recurrence", "relapse", ""}
    if not told or verified in {"refuted", "entered-in-error"} or unknown_modifier(condition):
        source.skip(condition, "is no current condition")
        return False
    return same_person(source, condition, condition.get("subject"), patient)


def same_person(source: Source, one: Node, subject: Node, patient: Node | None) -> bool:
    """Tell whether a resource is about the plan's person, as far as both are told."""
    if patient is None or not subject or source.points_to(subject, patient):
        return True
    source.skip(one, "is about somebody else")
    return False


def works(source: Source, team: Node, patient: Node | None) -> bool:
    """Tell whether a care team is at work for the plan's person."""
    if team.kind == "CareTeam" and team.word("status") in {"proposed", "active", "suspended", ""}:
        return same_person(source, team, team.get("subject"), patient)
    source.skip(team, "is no care team that works")
    return False


def unknown_modifier(one: Node) -> bool:
    """Tell whether something may change the meaning of a resource in a way that is not known here."""
    return bool(one.items("modifierExtension")) or bool(one.get("implicitRules"))


def person_pointed_to(source: Source) -> str:
    """Return the reference by which a bundle's plan, or else its document, names its person; "" for none."""
    documents = [one for one in source.resources if one.kind == "Composition"]
    about = [*careplans(source), *documents][:1]
    return about[0].get("subject").word("reference") if about else ""


def in_part(one: Node) -> bool:
    """Tell whether a server sent only a part of a resource (meta.tag SUBSETTED, R4 search summaries)."""
    return any(tag.word("code") == "SUBSETTED" for tag in one.get("meta").items("tag"))


def meant(source: Source, one: Node, patient: Node | None, status: str, *, detail: bool) -> bool:
    """Tell whether an activity of a plan of this status is to be carried out now, by this person."""
    told = one.word("status")
    if detail:
        valid = told in {"not-started", "scheduled", "in-progress", "on-hold", "unknown", ""}
    else:
        valid = _current(told, status)
    if not valid:
        source.skip(one, "is not current")
        return False
    if not detail and one.kind == "ServiceRequest" and one.word("intent") not in _INSTRUCTIONS:
        source.skip(one, "is an option or a proposal, not an instruction")
        return False
    return detail or same_person(source, one, one.get("subject"), patient)


def _current(told: str, status: str) -> bool:
    return told == status or (
        status in {"draft", "active", "on-hold"} and told in {"draft", "active", "on-hold"}
    )
