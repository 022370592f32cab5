"""Whom to call: the clinic, when it is closed, in an emergency; and who is meant by "your prosthetist"."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from fhircare.check.safety.raw import code_of, items, obj, text
from fhircare.spec.telephone import can_be_dialed

if TYPE_CHECKING:
    from fhircare.check.gather import ResourceScope
    from fhircare.check.path import Path
    from fhircare.check.safety.held import Held

# What IANA's names of zones look like; whether one exists is for whoever computes with it.
_ZONE = re.compile(r"UTC|[A-Z][A-Za-z0-9_+-]+(?:/[A-Z][A-Za-z0-9_+-]+){1,2}")
_TAXONOMY = {"prosthetist": "224P00000X", "physical-therapist": "225100000X"}
_TIME_ZONE = "http://hl7.org/fhir/StructureDefinition/timezone"


def check_contacts(held: Held) -> None:
    """Check that the person can reach somebody at any hour, and that every number can be dialed."""
    clinic = held.clinic
    if clinic is None:
        held.missing("contact.clinic", (held.plan.path, "contributor"))
    else:
        _clinic(held, clinic)
    _hours(held, clinic)
    _prosthetist(held)
    for one in held.of_type("Organization", "PractitionerRole", "Practitioner", "Patient", "RelatedPerson"):
        for telecom, place in _telecoms(one):
            if telecom.get("system") == "phone" and not can_be_dialed(text(telecom, "value")):
                held.say("contact.phone-form", (place, "value"))


def _telecoms(one: ResourceScope) -> list[tuple[dict[str, Any], Path]]:
    own = items(one.resource, "telecom")
    found: list[tuple[dict[str, Any], Path]] = [(told, ((one.path, "telecom"), index)) for index, told in own]
    for index, contact in items(one.resource, "contact"):
        place = (((one.path, "contact"), index), "telecom")
        found += [(told, (place, inner)) for inner, told in items(contact, "telecom")]
    return found


def _clinic(held: Held, clinic: ResourceScope) -> None:
    place = (clinic.path, "contact")
    numbers: dict[str, list[tuple[str, Path]]] = {}
    for index, contact in items(clinic.resource, "contact"):
        purpose = code_of(contact.get("purpose"), "contact-purpose")
        inside = (((clinic.path, "contact"), index), "telecom")
        for inner, told in items(contact, "telecom"):
            numbers.setdefault(purpose, []).append((text(told, "value"), ((inside, inner), "value")))
    if "opening-hours" not in numbers:
        held.say("contact.phone", place)
    if "emergency" not in numbers:
        held.say("contact.emergency", place)
    codes = {
        one.code
        for request in held.of_kind("advice")
        for one in held.details(request)
        if one.system == "advice"
    }
    after = "after-hours" in numbers
    if not after and "call.no-after-hours" not in codes:
        held.missing("contact.after-hours", place)
    if after == ("call.no-after-hours" in codes) and codes:
        held.say("contact.after-hours-advice", place)
    _said_again(held, clinic, numbers)


def _said_again(held: Held, clinic: ResourceScope, numbers: dict[str, list[tuple[str, Path]]]) -> None:
    """The clinic's own phone and e-mail are those of its contacts."""
    for system, purpose in (("phone", "opening-hours"), ("email", "questions")):
        own = [
            (text(told, "value"), ((((clinic.path, "telecom"), index)), "value"))
            for index, told in items(clinic.resource, "telecom")
            if told.get("system") == system
        ]
        said = {value for value, _ in numbers.get(purpose, ())}
        for value, path in own:
            if value not in said:
                held.say("contact.differs", path)
        if said and not own:
            held.say("contact.differs", (clinic.path, "telecom"))


def _hours(held: Held, clinic: ResourceScope | None) -> None:
    zones: set[str] = set()
    for one in held.of_type("HealthcareService"):
        if clinic and text(one.resource, "name") != text(clinic.resource, "name"):
            held.say("contact.name", (one.path, "name"))
        for index, told in items(one.resource, "availableTime"):
            place = ((one.path, "availableTime"), index)
            for name in ("_availableStartTime", "_availableEndTime"):
                known = [
                    text(extension, "valueCode")
                    for _, extension in items(obj(told, name), "extension")
                    if extension.get("url") == _TIME_ZONE
                ]
                if not known or not _ZONE.fullmatch(known[0]) or zones - {known[0]}:
                    held.say("contact.time-zone", (place, name))
                zones |= set(known)
    if not zones and held.of_type("HealthcareService"):
        held.say("contact.time-zone", (held.of_type("HealthcareService")[0].path, "availableTime"))


def _prosthetist(held: Held) -> None:
    """A prosthetist with a name is in the team, and each member is there for what their role says."""
    teams = [one for _, told in items(held.plan.resource, "careTeam") if (one := held.resolve(told))]
    named = False
    for team in teams:
        for index, member in items(team.resource, "participant"):
            role = _role(items(member, "role"))
            person = held.resolve(member.get("member"))
            if person is None or person.type != "PractitionerRole":
                continue
            if _role(items(person.resource, "code")) != role or not _same_taxonomy(
                role, member, person.resource
            ):
                held.say("contact.role", ((((team.path, "participant"), index)), "role"))
            known = held.resolve(person.resource.get("practitioner"))
            names = items(known.resource, "name") if known else []
            named = named or (role == "prosthetist" and any(text(one, "family") for _, one in names))
    if not named:
        held.missing("contact.prosthetist", (held.plan.path, "careTeam"))


def _same_taxonomy(role: str, *nodes: dict[str, Any]) -> bool:
    """Tell whether NUCC's code beside ours, where there is one, means the same profession."""
    concepts = [one for node in nodes for name in ("role", "code") for _, one in items(node, name)]
    codings = [coding for one in concepts for _, coding in items(one, "coding")]
    said = {text(one, "code") for one in codings if one.get("system") == "http://nucc.org/provider-taxonomy"}
    return not said or role not in _TAXONOMY or said == {_TAXONOMY[role]}


def _role(concepts: list[tuple[int, dict[str, Any]]]) -> str:
    return next((code for _, one in concepts if (code := code_of(one, "professional-role"))), "")
