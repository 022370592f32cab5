"""What the plan asks for, as ServiceRequests: the elements they share, and their details.

A detail is one ServiceRequest.orderDetail: a term, what it says to people, and named parameters. R5 has the
parameters as an element (ServiceRequest.orderDetail.parameter). HL7 publishes that element for R4 too, in its
cross-version package; but a server that validates and does not hold the package refuses a resource with that
address (seen with a current open-source server in November 2026), while an extension it does not know is let
pass. So they are written in an extension of our own, of the same shape, and read from either.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.bundle.datatypes import Json, concept, extension, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.identity import BASE
from fhircare.bundle.located import Node, Read
from fhircare.bundle.people import role_reference
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.plan import Plan

PARAMETER = f"{BASE}/StructureDefinition/order-parameter"
"""Ours, on ServiceRequest.orderDetail: ``code`` (CodeableConcept) and ``value`` (Quantity, boolean,
CodeableConcept, string or Period), as R5's ServiceRequest.orderDetail.parameter."""
PUBLISHED = "http://hl7.org/fhir/5.0/StructureDefinition/extension-ServiceRequest.orderDetail.parameter"
"""The same in HL7's package hl7.fhir.uv.xver-r5.r4 0.1.0: read, not written."""

_ORDER = (
    "extension",
    "identifier",
    "basedOn",
    "status",
    "intent",
    "category",
    "code",
    "orderDetail",
    "subject",
)


def add_request(
    draft: Draft,
    key: str,
    code: Json,
    *rows: tuple[str, str],
    lasting: bool = False,
    wear: bool = False,
    **body: Any,
) -> Json:
    """Add a request of the plan that the person carries out; return a reference to it.

    Args:
        draft: The bundle so far.
        key: What it is within the plan.
        code: What is asked for.
        rows: Names and values of its narrative.
        lasting: True when it lives on when the plan is revised.
        wear: True when it makes sense only while the prosthesis is worn: it then stands as the plan does. All
            else goes on while wear is stopped.
        body: Its further elements.
    """
    known = {
        "identifier": draft.own(key, lasting=lasting),
        "basedOn": draft.reference("order"),
        "status": draft.plan.status if wear or not goes_on(draft.plan) else "active",
        "intent": "plan",
        "category": [concept("", terms.coding("us-core-category", "functional-status"))],
        "code": code,
        "subject": draft.subject,
        "authoredOn": draft.plan.written_at and draft.plan.written_at.isoformat(),
        "requester": role_reference(draft, "prosthetist"),
        "performer": draft.reference("patient"),
        "reasonReference": draft.reference("limb"),
    }
    merged = known | body
    first = {name: merged.pop(name) for name in _ORDER if name in merged}
    profile = "servicerequest"
    text = says(code.get("text", ""), *rows)
    return draft.add("ServiceRequest", key, filled(first | merged), text=text, profile=profile)


def goes_on(plan: Plan) -> bool:
    """Tell whether wear alone is stopped, and all that needs no wear goes on."""
    return plan.stopped_since is not None and plan.status in ("draft", "active", "on-hold")


def detail(system: str, code: str, text: str, *parameters: Json) -> Json:
    """Return one orderDetail: a term (none for an empty code), what it says, its parameters."""
    coding = [terms.coding(system, code)] if code else []
    return filled({"extension": list(parameters), **concept(text, *coding)})


def parameter(code: str, kind: str, value: Any) -> Json:
    """Return one parameter of an orderDetail; ``kind`` is its type, such as Quantity or String."""
    return {
        "url": PARAMETER,
        "extension": [
            extension("code", "CodeableConcept", {"coding": [terms.coding("detail", code)]}),
            extension("value", kind, value),
        ],
    }


# ---------------------------------------------------------------------------------------------- reading


def activity(resource: Node) -> str:
    """Return which of our kinds of request it is, "" for none."""
    return resource.get("code").code_in("activity").value


def details(request: Node, system: str, code: str = "") -> list[Node]:
    """Return the details of a request whose term is in one of our systems, in order."""
    found = ((one, one.code_in(system).value) for one in request.items("orderDetail"))
    return [one for one, said in found if said and code in ("", said)]


def values(of: Node, code: str) -> list[Node]:
    """Return the ``value`` of every parameter with this code, in order."""
    return [
        one.extension("value")
        for one in (*of.extensions(PARAMETER), *of.extensions(PUBLISHED))
        if one.extension("code").get("valueCodeableConcept").code_in("detail").value == code
    ]


def value(of: Node, code: str) -> Node:
    """Return the ``value`` of the parameter with this code; it is empty when there is none."""
    return next(iter(values(of, code)), Node(None, ""))


def number(of: Node, code: str, unit: str) -> Read[int]:
    """Return a whole number in this unit, 0 when there is none."""
    found = value(of, code).get("valueQuantity")
    read = found.integer("value")
    return (
        Read(read.value, read.path) if read.value is not None and found.get("code").value == unit else Read(0)
    )


def string(of: Node, code: str) -> Read[str]:
    """Return a text, "" when there is none."""
    return value(of, code).text("valueString")


def term_in(of: Node, code: str, system: str) -> Read[str]:
    """Return a parameter's code in one of our systems, "" when it has none."""
    return value(of, code).get("valueCodeableConcept").code_in(system)
