"""The physician's order, both ways.

==================  ====================================================================================
plan.order          FHIR
==================  ====================================================================================
identifier          ServiceRequest.identifier of type PLAC, unchanged
authored_on         ServiceRequest.authoredOn
text                ServiceRequest.code.text
diagnosis           ServiceRequest.reasonCode (ICD-10-CM)
==================  ====================================================================================
"""

from __future__ import annotations

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.located import Node, Read, made
from fhircare.bundle.people import role_reference
from fhircare.plan import Diagnosis, Identifier, Order
from fhircare.spec import terms


def write_order(draft: Draft, limb: list[Json]) -> list[Json]:
    """Add the order that the delivery answers; return a reference to it in a list, empty without an order."""
    order = draft.plan.order
    if order is None:
        return []
    why = order.diagnosis
    placer = {"type": fhir.concept("", terms.coding("identifier-type", "PLAC"))}
    reason = {"system": terms.uri("icd10cm"), "code": why.code, "display": why.display}
    body = {
        "identifier": [placer | fhir.identifiers([order.identifier])[0]],
        "status": "active",
        "intent": "order",
        "code": fhir.concept(order.text),
        "subject": draft.subject,
        "authoredOn": order.authored_on.isoformat(),
        "requester": role_reference(draft, "physician"),
        "performer": [found] if (found := role_reference(draft, "prosthetist")) else [],
        "reasonCode": [fhir.concept("", reason)],
        "reasonReference": limb,
    }
    said = says(
        "Order",
        ("Ordered", order.text),
        ("On", order.authored_on.isoformat()),
        ("For", f"{why.code} {why.display}"),
    )
    profile = "servicerequest"
    return [draft.add("ServiceRequest", "order", filled(body), text=said, profile=profile)]


# ---------------------------------------------------------------------------------------------- reading


def read_order(requests: list[Node]) -> Read[Order | None]:
    """Read the order among the requests that the plan rests on."""
    for request in requests:
        if request.get("intent").value != "order" or request.get("status").value == "entered-in-error":
            continue
        numbers = [
            n for n in request.items("identifier") if n.get("type").code_in("identifier-type").value == "PLAC"
        ]
        codings = [c for reason in request.items("reasonCode") for c in reason.items("coding")]
        authored = request.date("authoredOn")
        why = [c for c in codings if c.get("system").value == terms.uri("icd10cm")]
        if not (numbers and authored and why):
            continue
        return made(
            Order,
            identifier=made(Identifier, system=numbers[0].text("system"), value=numbers[0].text("value")),
            authored_on=authored,
            text=request.get("code").said(),
            diagnosis=made(Diagnosis, code=why[0].text("code"), display=why[0].text("display")),
        )
    return Read(None)
