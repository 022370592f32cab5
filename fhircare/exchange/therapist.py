"""Goals on a therapist's server: those of one patient, and who set them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.errors import Fault, InputError
from fhircare.exchange.client import place
from fhircare.exchange.entries import ACTORS, entries, patient_of, references
from fhircare.exchange.speech import heard

if TYPE_CHECKING:
    from typing import Any

    from fhircare.exchange.client import FhirServer, Resource

_OF_A_GOAL = ("expressedBy", "addresses", "note")
_KINDS = ACTORS | {"Condition"}
_MOST = 100
"""Resources read along with the goals; a plan has a handful."""


def goals_at(server: FhirServer, bundle: dict[str, Any]) -> list[Resource]:
    """Return the goals a server holds for the plan's patient, the patient, who set the goals, and why.

    Searched by patient alone, the one search for goals every US Core server has; each row is checked again,
    because a server that does not know a parameter answers with everybody's goals.

    Raises:
        InputError: When the server does not know the patient by any number in the bundle.
        ServerRefused, ServerUnavailable: As ``FhirServer``.
    """
    patient = heard(server, _patient(server, bundle))
    name = f"Patient/{patient['id']}"
    goals = [
        heard(server, row)
        for row in server.search("Goal", {"patient": name}).matches
        if row.get("resourceType") == "Goal"
        and place(str((row.get("subject") or {}).get("reference", "")).removeprefix(f"{server.base}/"))
        == name
    ]
    with_it: dict[str, Resource] = {}
    for reference in (r for goal in goals for element in _OF_A_GOAL for r in references(goal.get(element))):
        target = str(reference["reference"]).removeprefix(f"{server.base}/")
        if target in with_it or place(target) != target or len(with_it) >= _MOST:
            continue
        stored = server.read(target) if target.partition("/")[0] in _KINDS else None
        if stored is not None:
            with_it[target] = heard(server, stored.resource)
    return [*goals, patient, *with_it.values()]


def _patient(server: FhirServer, bundle: dict[str, Any]) -> Resource:
    for number in patient_of(entries(bundle)).resource.get("identifier") or []:
        if number.get("system") and number.get("value"):
            row = server.find("Patient", number["system"], number["value"])
            if row is not None:
                return row
    raise InputError(
        Fault("Patient.identifier", "is not known there", "add the number their system knows the patient by")
    )
