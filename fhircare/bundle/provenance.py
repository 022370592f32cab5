"""Where a plan comes from: who answers for it, and the record and order it was made from.

Written only; everything in it is read elsewhere. A plan without the time its record was written has none,
because Provenance.recorded is required.
"""

from __future__ import annotations

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.appointment import instant
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.spec import terms


def write_provenance(draft: Draft, targets: list[Json]) -> None:
    """Add the origin of the plan and of what it asks for."""
    written = draft.plan.written_at
    who = draft.reference("practitioner/0", "clinic")
    if written is None or not who:
        return
    by_person = "practitioner/0" in draft.made and "clinic" in draft.made
    agent = {
        "type": fhir.concept("", terms.coding("participant-type", "author")),
        "who": who[0],
        "onBehalfOf": draft.made["clinic"] if by_person else None,
    }
    record = {"system": draft.names.system("delivery-record"), "value": draft.plan.number}
    sources = [{"identifier": record, "display": "Delivery record"}, *draft.reference("order")]
    revised = draft.plan.revision > 1
    body = {
        "target": targets,
        "recorded": instant(written),
        "activity": fhir.concept("", terms.coding("data-operation", "UPDATE" if revised else "CREATE")),
        "agent": [filled(agent)],
        "entity": [
            *(
                [{"role": "revision", "what": {"identifier": draft.names.plan(draft.plan.revision - 1)}}]
                if revised
                else []
            ),
            *({"role": "source", "what": what} for what in sources),
        ],
    }
    said = says("Origin of this plan", ("Recorded", instant(written)), ("Made from", "the delivery record"))
    whole = "clinic" in draft.made
    draft.add("Provenance", "provenance", filled(body), text=said, profile="provenance" if whole else "")
