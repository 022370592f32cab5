"""What to know, both ways.

=====================  =================================================================================
plan.care.advice[]     FHIR: one ServiceRequest of code advice, an orderDetail each
=====================  =================================================================================
code, text             the detail's code (ours) and text
why                    its parameter why
=====================  =================================================================================

One request holds all advice: sixty of them would bury the rest of a record. A CommunicationRequest in a
plan from elsewhere is read as advice, and so is anything that it says not to do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.located import Node, Read, made
from fhircare.bundle.request import activity, add_request, detail, parameter, string
from fhircare.plan import Advice
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.datatypes import Json
    from fhircare.bundle.draft import Draft


def write_advice(draft: Draft) -> list[Json]:
    """Add the advice; return a reference to it in a list, empty without advice."""
    advice = draft.plan.care.advice
    if not advice:
        return []
    code = fhir.term("activity", "advice", terms.coding("sct", "362978005"))
    rows = [("", one.text) for one in advice]
    told = [detail("advice", one.code, one.text, *_why(one.why)) for one in advice]
    text = " ".join(one.text for one in advice)
    return [
        add_request(draft, "advice", code, *rows, lasting=True, orderDetail=told, patientInstruction=text)
    ]


def _why(why: str) -> list[Json]:
    return [parameter("why", "String", why)] if why else []


# ---------------------------------------------------------------------------------------------- reading


def read_advice(activities: list[Node]) -> list[Read[Advice]]:
    """Read the advice among what the plan asks for, in its order."""
    found = []
    for one in activities:
        if activity(one) == "advice":
            found += [
                made(Advice, code=told.code_in("advice"), text=told.text("text"), why=string(told, "why"))
                for told in one.items("orderDetail")
                if told.text("text")
            ]
        if one.kind == "CommunicationRequest":
            why = one.first("reasonCode").said()
            found += [
                made(Advice, code=Read(""), text=text, why=why)
                for said in one.items("payload")
                if (text := said.text("contentString"))
            ]
    return found


def forbidden(one: Node) -> Read[Advice]:
    """Read what a plan says not to do as advice that says so: never as something to do."""
    code = one.get("code")
    text = code.said().or_else(one.text("description"))
    said = text.then(lambda words: f"Do not: {words}" if words else "Something this plan says not to do")
    return made(Advice, code=Read(""), text=said, why=one.first("note").text("text"))
