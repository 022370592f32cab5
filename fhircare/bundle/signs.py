"""What to watch for, both ways.

=====================  =================================================================================
plan.care.signs[]      FHIR: one ServiceRequest of code warning-signs, an orderDetail each, in order
=====================  =================================================================================
code, text             the detail's code (ours) and text
level, call            its parameters level and call
limit, limit_unit      its parameter limit (Quantity)
stop and emergency     a safety Flag for each of the two levels (HL7's flag-priority PM, PH) says them again
                       as one sentence, and point to the request (``flag-detail``): the alert that every
                       reader of the record shows
=====================  =================================================================================

plan.stopped_since is a safety Flag of code wear-stopped, its period from that day on: whoever opens the
record sees that wear is stopped, also while the plan that is to begin it again waits for approval.

A safety Flag from elsewhere is read as a reason to stop: never milder than it may be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import Json, concept, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.located import Node, Read, choice, listed, made
from fhircare.bundle.request import activity, add_request, detail, parameter, term_in, value
from fhircare.plan import Call, Level, WarningSign
from fhircare.spec import terms

if TYPE_CHECKING:
    import datetime as dt

    from fhircare.bundle.source import Source

PRIORITY = "http://hl7.org/fhir/StructureDefinition/flag-priority"
DETAIL = "http://hl7.org/fhir/StructureDefinition/flag-detail"

_PRIORITY_OF = {"stop": "PM", "emergency": "PH"}
_SENTENCE = {
    "stop": "Take the prosthesis off, do not wear it, and call the clinic for any of these",
    "emergency": "Call the emergency number for any of these",
}


def write_signs(draft: Draft) -> list[Json]:
    """Add the warning signs; return a reference to them in a list, empty without signs."""
    signs = draft.plan.care.signs
    if not signs:
        return []
    rows = [(sign.text, f"{_level(sign)}. {terms.display('call', sign.call)}") for sign in signs]
    text = " ".join(f"{_level(sign)}: {sign.text}." for sign in signs)
    added = add_request(
        draft,
        "warning-signs",
        fhir.term("activity", "warning-signs"),
        *rows,
        lasting=True,
        orderDetail=[_write_sign(sign) for sign in signs],
        patientInstruction=text,
    )
    return [added]


def _level(sign: WarningSign) -> str:
    return terms.display("sign-level", sign.level)


def _write_sign(sign: WarningSign) -> Json:
    told = [
        parameter("level", "CodeableConcept", fhir.term("sign-level", sign.level)),
        parameter("call", "CodeableConcept", fhir.term("call", sign.call)),
    ]
    if sign.limit is not None:
        told.append(parameter("limit", "Quantity", fhir.quantity(sign.limit, sign.limit_unit)))
    return detail("warning-sign", sign.code, sign.text, *told)


def write_flags(draft: Draft) -> list[Json]:
    """Add the flags for a stop, for the signs to stop for and for the emergencies; return references."""
    return [*_write_stopped(draft), *(flag for level in _PRIORITY_OF for flag in _write_flag(draft, level))]


def _write_stopped(draft: Draft) -> list[Json]:
    since = draft.plan.stopped_since
    if since is None:
        return []
    named = terms.display("plan-state", "wear-stopped")
    do = "Do not wear the prosthesis until a clinician has approved a plan with wear in it"
    key = f"flag/stopped/{since.isoformat()}"
    body = {
        "extension": [
            fhir.extension(
                PRIORITY,
                "CodeableConcept",
                concept("", terms.coding("flag-priority", _PRIORITY_OF["emergency"])),
            )
        ],
        "identifier": draft.own(key, lasting=True),
        "status": "inactive" if draft.plan.status in {"revoked", "completed"} else "active",
        "category": [concept("", terms.coding("flag-category", "safety"))],
        "code": concept(f"{named}: {do}", terms.coding("plan-state", "wear-stopped")),
        "subject": draft.subject,
        "period": fhir.period(since, None),
        "author": next(iter(draft.reference("role/0", "clinic")), None),
    }
    said = says(named, ("Since", since.isoformat()), ("What to do", do))
    return [draft.add("Flag", key, filled(body), text=said)]


def _write_flag(draft: Draft, level: str) -> list[Json]:
    signs = [sign for sign in draft.plan.care.signs if sign.level == level]
    if not signs:
        return []
    wear = draft.plan.wear
    text = f"{_SENTENCE[level]}: " + "; ".join(sign.text for sign in signs)
    priority = concept("", terms.coding("flag-priority", _PRIORITY_OF[level]))
    body = {
        "extension": [
            fhir.extension(PRIORITY, "CodeableConcept", priority),
            fhir.extension(DETAIL, "Reference", draft.made["warning-signs"]),
        ],
        "identifier": draft.own(f"flag/{level}", lasting=True),
        "status": "inactive" if draft.plan.status in {"revoked", "completed"} else "active",
        "category": [concept("", terms.coding("flag-category", "safety"))],
        "code": concept(text, terms.coding("sign-level", level)),
        "subject": draft.subject,
        "period": fhir.period(wear.days[0].on, None) if wear else None,
        "author": next(iter(draft.reference("role/0", "clinic")), None),
    }
    said = says(_SENTENCE[level], *(("", sign.text) for sign in signs))
    return [draft.add("Flag", f"flag/{level}", filled(body), text=said)]


# ---------------------------------------------------------------------------------------------- reading


def read_signs(source: Source, requests: list[Node], flags: list[Node]) -> Read[tuple[WarningSign, ...]]:
    """Read the warning signs, in order: those that are requests, then the safety flags of others."""
    found: list[Read[Any]] = []
    for one in requests:
        if activity(one) == "warning-signs":
            found += [_read_sign(told) for told in one.items("orderDetail") if told.text("text")]
    ours = bool(found)
    for flag in flags:
        code = flag.get("code")
        if code.code_in("plan-state") or (ours and code.code_in("sign-level")):
            continue  # says that wear is stopped, or again what the signs say
        if not any(
            category.code_in("flag-category").value == "safety" for category in flag.items("category")
        ):
            continue
        if not code.said():
            source.skip(flag, "is a safety flag that says nothing")
            continue
        priority = flag.extension(PRIORITY).get("valueCodeableConcept").code_in("flag-priority")
        level: Read[Any] = Read("emergency" if priority.value == "PH" else "stop", priority.path)
        call: Read[Any] = Read("emergency-number" if priority.value == "PH" else "same-day")
        found.append(made(WarningSign, code=Read(""), text=code.said(), level=level, call=call))
    return listed(found)


def read_stopped(flags: list[Node]) -> Read[dt.date | None]:
    """Return the day from which wear is stopped, None when no flag says that it is."""
    for flag in flags:
        if flag.get("code").code_in("plan-state").value == "wear-stopped":
            return flag.get("period").date("start")
    return Read(None)


def _read_sign(told: Node) -> Read[WarningSign]:
    limit = value(told, "limit").get("valueQuantity")
    return made(
        WarningSign,
        code=told.code_in("warning-sign"),
        text=told.text("text"),
        level=choice(term_in(told, "level", "sign-level"), get_args(Level), "stop"),
        call=choice(term_in(told, "call", "call"), get_args(Call), "same-day"),
        limit=limit.decimal("value"),
        limit_unit=limit.text("code"),
    )
