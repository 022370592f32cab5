"""The person, who helps at home, and the professionals, both ways.

============================  ==========================================================================
plan                          FHIR
============================  ==========================================================================
patient.name, birth_date …    Patient.name, .birthDate, .gender, .identifier, .telecom, .address
patient.language              Patient.communication.language (BCP 47), preferred
patient.large_print           Flag, category contact, code large-print; no Flag means no
patient.caregiver             RelatedPerson.name, .relationship.text, .telecom
professionals[].name, …       Practitioner.name, .identifier
professionals[].role          PractitionerRole.code, ours beside NUCC's
professionals[].phone, email  PractitionerRole.telecom
professionals[].organization  PractitionerRole.organization → an Organization of its own; else the clinic
professionals' order          CareTeam.participant, one role each
============================  ==========================================================================

The clinic is Patient.managingOrganization and CareTeam.managingOrganization. US Core wants an identifier of
every Patient and a telecom of every PractitionerRole: where the plan has none, one stands there whose system
and value say ``data-absent-reason`` unknown, and is read as none.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.clinic import read_address, read_identifiers
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.located import Node, Read, choice, find, listed, made
from fhircare.plan import Caregiver, Name, Patient, Professional, Role
from fhircare.plan.people import Gender
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.source import Source

_NUCC = {"prosthetist": "224P00000X", "physical-therapist": "225100000X"}


def write_patient(draft: Draft) -> None:
    """Add the person and who helps at home."""
    patient = draft.plan.patient
    if patient is None:
        return
    draft.subject = draft.add(
        "Patient",
        "patient",
        filled(
            {
                "identifier": fhir.identifiers(patient.identifiers) or [fhir.unknown("system", "value")],
                "active": True,
                "name": fhir.human_name(patient.name),
                "telecom": fhir.telecom("phone", patient.phone) + fhir.telecom("email", patient.email),
                "gender": patient.gender,
                "birthDate": patient.birth_date and patient.birth_date.isoformat(),
                "address": fhir.address(patient.address),
                "communication": [
                    {"language": {"coding": [terms.coding("language", patient.language)]}, "preferred": True}
                ],
                "managingOrganization": draft.made.get("clinic"),
            }
        ),
        text=says(
            str(patient.name),
            ("Born", patient.birth_date.isoformat() if patient.birth_date else ""),
            ("Gender", patient.gender),
            ("Language", patient.language),
            ("Phone", patient.phone),
            ("E-mail", patient.email),
        ),
        profile="patient",
    )
    if patient.caregiver:
        _write_caregiver(draft, patient.caregiver)


def _write_caregiver(draft: Draft, caregiver: Caregiver) -> None:
    draft.add(
        "RelatedPerson",
        "caregiver",
        filled(
            {
                "identifier": draft.own("caregiver", lasting=True),
                "active": True,
                "patient": draft.subject,
                "relationship": [fhir.concept(caregiver.relationship)] if caregiver.relationship else [],
                "name": fhir.human_name(caregiver.name),
                "telecom": fhir.telecom("phone", caregiver.phone),
            }
        ),
        text=says(
            str(caregiver.name),
            ("Helps at home", caregiver.relationship or "yes"),
            ("Phone", caregiver.phone),
        ),
        profile="relatedperson",
    )


def write_large_print(draft: Draft) -> Json | None:
    """Add the wish for large print as a Flag, when there is one."""
    if draft.plan.patient is None or not draft.plan.patient.large_print:
        return None
    return draft.add(
        "Flag",
        "large-print",
        {
            "identifier": draft.own("large-print", lasting=True),
            "status": "active",
            "category": [fhir.concept("", terms.coding("flag-category", "contact"))],
            "code": fhir.term("preference", "large-print"),
            "subject": draft.subject,
        },
        text=says("Large print", ("What it means", "Give this person everything to read in large print.")),
    )


def write_professionals(draft: Draft) -> None:
    """Add the professionals, their roles and the care team."""
    for index, person in enumerate(draft.plan.professionals):
        _write_professional(draft, index, person)
    _write_team(draft)


def _write_professional(draft: Draft, index: int, person: Professional) -> None:
    practitioner = draft.add(
        "Practitioner",
        f"practitioner/{index}",
        filled(
            {
                "identifier": fhir.identifiers(person.identifiers)
                or [{"system": draft.names.system("part"), "value": _slug(person)}],
                "active": True,
                "name": fhir.human_name(person.name),
            }
        ),
        text=says(str(person.name)),
        profile="practitioner",
    )
    workplace = draft.made.get("clinic")
    if person.organization:
        workplace = draft.add(
            "Organization",
            f"workplace/{index}",
            {
                "identifier": draft.own(f"workplace/{index}", lasting=True),
                "active": True,
                "name": person.organization,
            },
            text=says(person.organization),
            profile="organization",
        )
    contact = fhir.telecom("phone", person.phone, "work") + fhir.telecom("email", person.email, "work")
    draft.add(
        "PractitionerRole",
        f"role/{index}",
        filled(
            {
                "identifier": draft.own(f"role/{index}", lasting=True),
                "active": True,
                "practitioner": practitioner,
                "organization": workplace,
                "code": [_role_concept(person.role)],
                "telecom": contact or [{"system": "other", **fhir.unknown("value")}],
            }
        ),
        text=says(
            f"{person.name}, {terms.display('professional-role', person.role)}",
            ("Works at", person.organization),
            ("Phone", person.phone),
            ("E-mail", person.email),
        ),
        profile="practitionerrole",
    )


def _slug(person: Professional) -> str:
    """Return a name for somebody who came without identifiers; never a made-up number of a register."""
    words = re.sub(r"\W+", "-", f"{person.role} {person.name}".casefold()).strip("-")
    return f"practitioner/{words}"


def _role_concept(role: str) -> Json:
    more = [terms.coding("nucc", _NUCC[role])] if role in _NUCC else []
    if role == "physician":
        more = [terms.coding("practitioner-role", "doctor")]
    return fhir.term("professional-role", role, *more)


def _write_team(draft: Draft) -> None:
    plan = draft.plan
    participants = [
        {"role": [_role_concept(person.role)], "member": draft.made[f"role/{index}"]}
        for index, person in enumerate(plan.professionals)
    ]
    for key, role in (("caregiver", "caregiver"), ("patient", "patient"), ("clinic", "clinic")):
        if key in draft.made:
            participants.append({"role": [fhir.term("professional-role", role)], "member": draft.made[key]})
    draft.add(
        "CareTeam",
        "team",
        filled(
            {
                "identifier": draft.own("team", lasting=True),
                "status": "active",
                "name": "Prosthetic care team",
                "subject": draft.subject,
                "period": fhir.period(
                    plan.prosthesis.delivered_on if plan.prosthesis else draft.written_on, None
                ),
                "participant": participants,
                "managingOrganization": draft.reference("clinic"),
            }
        ),
        text=says(
            "Prosthetic care team",
            *((terms.display("professional-role", p.role), str(p.name)) for p in plan.professionals),
        ),
        profile="careteam" if participants else "",
    )


def role_reference(draft: Draft, role: str) -> Json | None:
    """Return a reference to the first professional in a role, None when there is none."""
    for index, person in enumerate(draft.plan.professionals):
        if person.role == role:
            return draft.made[f"role/{index}"]
    return None


# ---------------------------------------------------------------------------------------------- reading


def read_patient(source: Source, patient: Node | None) -> Read[Patient | None]:
    """Read the person from a Patient, with the caregiver and the wish for large print."""
    if patient is None:
        return Read(None)
    language = Read("")
    for spoken in patient.items("communication"):
        if not language or spoken.get("preferred").value is True:
            language = spoken.get("language").first("coding").text("code")
    flags = find(
        source.of_type("Flag"),
        lambda flag: (
            flag.get("code").code_in("preference").value == "large-print"
            and flag.get("status").value == "active"
            and source.points_to(flag.get("subject"), patient)
        ),
    )
    large = next(iter(flags), None)
    return made(
        Patient,
        name=read_name(patient),
        birth_date=patient.date("birthDate"),
        gender=choice(patient.text("gender"), get_args(Gender), "unknown"),
        identifiers=read_identifiers(patient),
        language=language or Read("en"),
        large_print=Read(True, large.get("code").path) if large else Read(False),  # noqa: FBT003
        phone=patient.telecom("phone"),
        email=patient.telecom("email"),
        address=read_address(patient),
        caregiver=_read_caregiver(source, patient),
    )


def _read_caregiver(source: Source, patient: Node) -> Read[Caregiver | None]:
    for person in source.of_type("RelatedPerson"):
        if person.get("active").value is not False and source.points_to(person.get("patient"), patient):
            return made(
                Caregiver,
                name=read_name(person),
                relationship=person.first("relationship").said(),
                phone=person.telecom("phone"),
            )
    return Read(None)


def read_name(resource: Node) -> Read[Name]:
    """Read the first name that is not an old one; a name given only as text is taken whole."""
    names = [name for name in resource.items("name") if name.word("use") not in {"old", "maiden"}]
    name = names[0] if names else Node(None, "")
    return made(Name, family=name.text("family").or_else(name.text("text")), given=name.texts("given"))


def read_professionals(
    source: Source, team: Node | None, clinic: Node | None
) -> Read[tuple[Professional, ...]]:
    """Read the professionals from the care team, in its order."""
    found: list[Read[Any]] = []
    for participant in team.items("participant") if team else []:
        member = source.resolve(participant.get("member"))
        if member is None or member.kind not in {"Practitioner", "PractitionerRole"}:
            continue
        person = _read_professional(source, participant, member, clinic)
        if person is None:
            source.skip(participant, "is not active, or has a role that this plan has no place for")
        else:
            found.append(person)
    return listed(found)


def _read_professional(
    source: Source, participant: Node, member: Node, clinic: Node | None
) -> Read[Professional] | None:
    role = read_role([*participant.items("role"), *member.items("code")])
    if role is None:
        return None
    practitioner: Node | None = member
    workplace = None
    if member.kind == "PractitionerRole":
        practitioner = source.resolve(member.get("practitioner"))
        workplace = source.resolve(member.get("organization"))
    person = practitioner or Node(None, "")
    if member.get("active").value is False or person.get("active").value is False:
        return None
    elsewhere = workplace is not None and (clinic is None or workplace.value is not clinic.value)
    return made(
        Professional,
        role=role,
        name=read_name(person),
        identifiers=read_identifiers(person),
        phone=member.telecom("phone").or_else(person.telecom("phone")),
        email=member.telecom("email").or_else(person.telecom("email")),
        organization=workplace.text("name") if workplace and elsewhere else Read(""),
    )


def read_role(concepts: list[Node]) -> Read[Role] | None:
    """Return the role that a concept names by code, else in our very words; None when none does."""
    nucc = {code: role for role, code in _NUCC.items()}
    for concept in concepts:
        ours = concept.code_in("professional-role")
        if ours.value in get_args(Role):
            return choice(ours, get_args(Role), None)
        theirs = concept.code_in("nucc")
        if theirs.value in nucc:
            return Read(nucc[theirs.value], theirs.path)  # type: ignore[arg-type]
        doctor = concept.code_in("practitioner-role")
        if doctor.value == "doctor":
            return Read("physician", doctor.path)
    said = [concept.said() for concept in concepts]
    for role in get_args(Role):
        for text in said:
            if text.value.casefold() == terms.display("professional-role", role).casefold():
                return Read(role, text.path)
    return None
