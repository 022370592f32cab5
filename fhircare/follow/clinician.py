"""Which clinician answers for something: one of the care team, or one that is added with who they are.

Nothing here proves who typed a name. It says who is said to have decided, so that the record can be followed
up; signing people in is for the system that calls.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from fhircare.errors import Fault, LogError, PlanningError
from fhircare.plan import Identifier, Name, Plan, Professional, Role
from fhircare.plan.team import members
from fhircare.spec.luhn import npi_ok

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fhircare.log import LogEntry

NPI = "http://hl7.org/fhir/sid/us-npi"
_CLINICIANS = ("clinic", "physical-therapist")


def of_team(plan: Plan, told: str) -> int:
    """Return the place of the professional who is meant.

    Args:
        plan: The plan, with its care team.
        told: A name, or an identifier such as an NPI.

    Raises:
        PlanningError: When nobody in the care team is meant, or more than one may be.
    """
    _refuse_false_npi(told)
    found = members(plan.professionals, told)
    if len(found) == 1:
        return found[0]
    if found:
        raise PlanningError("This name fits several in the plan's care team", "give the identifier instead")
    raise PlanningError(
        "This is nobody in the plan's care team",
        "write the name or the identifier as the plan has it; or add the person with --new, --role and --npi",
    )


def added(told: str, role: Role, *, npi: str = "", identifier: str = "", phone: str = "") -> Professional:
    """Return a professional who is not in the care team yet.

    Args:
        told: The name: given names, then the family name.
        role: What they are.
        npi: US National Provider Identifier, checked by its check digit.
        identifier: Another identifier: system, a bar, value.
        phone: Where to reach them.

    Raises:
        PlanningError: Without an identifier, or with one that cannot be.
    """
    *given, family = told.split() or [""]
    found = []
    if npi:
        if not npi_ok(npi):
            raise PlanningError("This is no National Provider Identifier", "check its ten digits")
        found.append(Identifier(system=NPI, value=npi))
    if identifier:
        system, bar, value = identifier.rpartition("|")
        if not (system and bar and value):
            raise PlanningError(
                "This is no identifier", "write its system, a bar and its value: SYSTEM|VALUE"
            )
        found.append(Identifier(system=system, value=value))
    if not (found and given):
        raise PlanningError(
            "Somebody who is not in the care team needs a whole name and an identifier",
            "give given and family name, and --npi or --identifier",
        )
    return Professional(
        role=role, name=Name(family=family, given=tuple(given)), identifiers=tuple(found), phone=phone
    )


def named(plan: Plan, entries: Sequence[LogEntry]) -> tuple[LogEntry, ...]:
    """Return log entries with the clinician who wrote each under the name that the plan has.

    Raises:
        LogError: When a name is nobody's in the care team, or stands with an entry of the person or a helper.
    """
    faults = [fault for entry in entries for fault in _faults(plan, entry)]
    if faults:
        raise LogError(faults)
    return tuple(_named(plan, entry) for entry in entries)


def _named(plan: Plan, entry: LogEntry) -> LogEntry:
    if not entry.by:
        return entry
    return replace(entry, by=str(plan.professionals[of_team(plan, entry.by)].name))


def _faults(plan: Plan, entry: LogEntry) -> Iterator[Fault]:
    if not entry.by:
        return
    at = f"on {entry.on.isoformat()}: by"
    if entry.author not in _CLINICIANS:
        yield Fault(
            at, "goes with an entry of the clinic or the therapist", "remove it, or correct the author"
        )
        return
    try:
        of_team(plan, entry.by)
    except PlanningError as error:
        yield Fault(at, "is nobody in the plan's care team, or fits several", error.nearest)


def _refuse_false_npi(told: str) -> None:
    value = told.strip().removeprefix(f"{NPI}|")
    looks_like_one = value.isdigit() and len(value) == 10
    if looks_like_one and not npi_ok(value):
        raise PlanningError("This is no National Provider Identifier", "check its ten digits")
