"""What to watch for, both ways.

=====================  =================================================================================
plan.care.signs[]      FHIR
=====================  =================================================================================
level stop, emergency  Flag, category safety: an alert that every reader of the record shows
level carry-on, watch  CommunicationRequest: it is told to the person, and is no alert
level                  category, ours; a Flag repeats it in HL7's ``flag-priority`` (PM, PH)
code, text             Flag.code; CommunicationRequest.category (ours) and payload
call                   category, ours
limit, limit_unit      our extension ``sign-limit``
=====================  =================================================================================

All of them stand in CarePlan.supportingInfo, in the plan's order.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.care import instruction, own_category
from fhircare.bundle.datatypes import Json, concept, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.identity import BASE
from fhircare.bundle.located import Node, Read, choice, listed, made
from fhircare.bundle.source import Source
from fhircare.plan import Call, Level, WarningSign
from fhircare.spec import terms

PRIORITY = "http://hl7.org/fhir/StructureDefinition/flag-priority"
LIMIT = f"{BASE}/StructureDefinition/sign-limit"
"""Ours, on Flag and CommunicationRequest: neither has a place for the number that a sign is told by."""

_PRIORITY_OF = {"stop": "PM", "emergency": "PH"}


def write_signs(draft: Draft) -> list[Json]:
    """Add the warning signs; return references in order."""
    return [_write_sign(draft, index, sign) for index, sign in enumerate(draft.plan.care.signs)]


def _write_sign(draft: Draft, index: int, sign: WarningSign) -> Json:
    key = f"sign/{index}"
    coding = [terms.coding("warning-sign", sign.code)] if sign.code else []
    meaning = [fhir.term("sign-level", sign.level), fhir.term("call", sign.call)]
    limit = []
    if sign.limit is not None:
        limit = [fhir.extension(LIMIT, "Quantity", fhir.quantity(sign.limit, sign.limit_unit))]
    said = says(
        sign.text,
        ("What it means", terms.display("sign-level", sign.level)),
        ("Whom to call", terms.display("call", sign.call)),
    )
    if sign.level not in _PRIORITY_OF:
        categories = [concept("", *coding)] if coding else []
        body = {"extension": limit, **instruction(draft, key, [*categories, *meaning], sign.text)}
        return draft.add("CommunicationRequest", key, filled(body), text=said)
    priority = concept("", terms.coding("flag-priority", _PRIORITY_OF[sign.level]))
    over = draft.plan.status in {"revoked", "completed"}
    body = {
        "extension": [fhir.extension(PRIORITY, "CodeableConcept", priority), *limit],
        "identifier": draft.own(key),
        "status": "inactive" if over else "active",
        "category": [concept("", terms.coding("flag-category", "safety")), *meaning],
        "code": concept(sign.text, *coding),
        "subject": draft.subject,
        "author": next(iter(draft.reference("role/0", "clinic")), None),
    }
    return draft.add("Flag", key, filled(body), text=said)


# ---------------------------------------------------------------------------------------------- reading


def read_signs(source: Source, resources: list[Node]) -> Read[tuple[WarningSign, ...]]:
    """Read the warning signs among what the plan refers to, in order.

    A safety flag from elsewhere, without our level, is read as a reason to stop: never milder than it may be.
    """
    found: list[Read[Any]] = []
    for one in resources:
        if one.type == "Flag":
            if not _is_safety(one):
                continue
            code, text = one.get("code").code_in("warning-sign"), one.get("code").said()
        elif one.type == "CommunicationRequest" and own_category(one, "warning-sign").or_else(
            own_category(one, "sign-level")
        ):
            code, text = own_category(one, "warning-sign"), one.first("payload").text("contentString")
        else:
            continue
        if not text:
            source.skip(one, "is a sign that says nothing")
            continue
        limit = one.extension(LIMIT).get("valueQuantity")
        found.append(
            made(
                WarningSign,
                code=code,
                text=text,
                level=_read_level(one),
                call=_read_call(one),
                limit=limit.decimal("value"),
                limit_unit=limit.text("code"),
            )
        )
    return listed(found)


def _is_safety(flag: Node) -> bool:
    return bool(own_category(flag, "sign-level")) or own_category(flag, "flag-category").value == "safety"


def _read_level(one: Node) -> Read[Any]:
    level = choice(own_category(one, "sign-level"), get_args(Level), None)
    if level.value is not None:
        return level
    priority = one.extension(PRIORITY).get("valueCodeableConcept").code_in("flag-priority")
    known = {code: name for name, code in _PRIORITY_OF.items()}
    return Read(known.get(priority.value, "stop"), priority.path)


def _read_call(one: Node) -> Read[Any]:
    call = choice(own_category(one, "call"), get_args(Call), None)
    if call.value is not None:
        return call
    return Read("none" if one.type == "CommunicationRequest" else "same-day")


__all__ = ["LIMIT", "Decimal", "read_signs", "write_signs"]
