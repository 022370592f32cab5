"""The log sheet as a FHIR Questionnaire, and its answers as log entries.

=====================  =================================================================================
log                    FHIR Questionnaire, QuestionnaireResponse
=====================  =================================================================================
a field of the day     item, its linkId the field's name, its code ours
sessions[]             repeating group ``sessions``, its items ``sessions.minutes`` and on
written_at             QuestionnaireResponse.authored
author                 QuestionnaireResponse.source, by its type; an item ``author`` goes first
=====================  =================================================================================

Shaped as HL7's Structured Data Capture asks where that helps a form filler: bounds, units, repeating groups,
closed lists. Answers are found by linkId; those of another form by the code of its items, when the form comes
along (contained) or is given.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.bundle.datatypes import Json, extension, filled
from fhircare.bundle.identity import BASE
from fhircare.bundle.narrative import bullets, heading, narrative
from fhircare.errors import Fault, LogError
from fhircare.log import entry_from
from fhircare.spec import terms

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from fhircare.bundle.draft import Draft
    from fhircare.log import LogEntry

URL = f"{BASE}/Questionnaire/day-log"
_CORE = "http://hl7.org/fhir/StructureDefinition"
_MANY = "sessions"
_PLIES = {"ply_morning": "Total ply in the morning", "ply_evening": "Total ply in the evening"}
_AUTHOR_OF = {
    "Patient": "patient", "RelatedPerson": "caregiver", "Practitioner": "clinic",
    "PractitionerRole": "clinic", "Organization": "clinic",
}  # fmt: skip


class _Item(NamedTuple):
    """One question: its field, what it asks, the type of its answer, and what it is bound by."""

    field: str
    text: str
    kind: str
    most: int = 0
    unit: str = ""
    system: str = ""
    options: tuple[str, ...] = ()


_SESSION = (
    _Item("minutes", "Minutes worn", "integer", 1440, "min"),
    _Item("sitting", "Of it sitting", "integer", 1440, "min"),
    _Item("standing", "Of it standing", "integer", 1440, "min"),
    _Item("walking", "Of it walking", "integer", 1440, "min"),
    _Item("skin", "What did you see on the skin afterwards?", "choice", system="skin-finding"),
    _Item("faded_after", "Minutes until redness had gone", "integer", 1440, "min"),
    _Item("site", "Where on the limb?", "string"),
)
_DAY = (
    _Item("pain", "Worst pain of the day, 0 to 10", "integer", 10),
    _Item("ply_morning", _PLIES["ply_morning"], "integer", 30),
    _Item("ply_evening", _PLIES["ply_evening"], "integer", 30),
    _Item("sweating", "Sweat under the liner or socket", "choice", options=("none", "some", "heavy")),
    _Item("swelling", "Swelling of the limb", "choice", options=("none", "some", "sudden")),
    _Item("falls", "How many falls?", "integer", 50),
    _Item("fall_hurt", "Did a fall hurt you?", "boolean"),
    _Item("damage", "A new noise, a loose part or damage?", "boolean"),
    _Item("new_shoes", "Did you wear other shoes?", "boolean"),
    _Item("liner", "Which liner did you wear?", "string"),
    _Item("released", "A clinician lets wear begin again (clinic only)", "boolean"),
    _Item("comment", "Anything else?", "text"),
)
_CODES = {"minutes": "wear-session", "faded_after": "faded-after", "fall_hurt": "fall-hurt",
          "new_shoes": "new-shoes"}  # fmt: skip
_MEASURES = {"pain": "pain", "ply_morning": "sock-ply", "ply_evening": "sock-ply"}


def write_questionnaire(draft: Draft) -> Json:
    """Add the log sheet; return a reference to it."""
    signs = [(sign.code, sign.text) for sign in draft.plan.care.signs if sign.level != "carry-on"]
    body = {
        "url": URL,
        "identifier": draft.own("log-questionnaire", lasting=True),
        "version": "1",
        "name": "DayLog",
        "title": "What happened today",
        "status": "active",
        "subjectType": ["Patient"],
        "item": list(_items(signs)),
    }
    said = [item.text for item in (*_SESSION, *_DAY)]
    text = narrative(heading("What happened today"), bullets(said))
    return draft.add("Questionnaire", "log-questionnaire", filled(body), text=text)


def _items(signs: list[tuple[str, str]]) -> Iterator[Json]:
    yield {"linkId": "on", "text": "Which day?", "type": "date", "required": True}
    session = [_item(f"{_MANY}.{one.field}", one) for one in _SESSION]
    session[0]["required"] = True
    yield {
        "linkId": _MANY,
        "code": [terms.coding("log", "wear-session")],
        "text": "Each time you wore the prosthesis",
        "type": "group",
        "repeats": True,
        "item": session,
    }
    for one in _DAY:
        yield _item(one.field, one)
    options = [
        {"valueCoding": {**terms.coding("warning-sign", code), "display": text}}
        for code, text in signs
        if code  # a sign from elsewhere may have none, and cannot be answered by code
    ]
    if options:
        yield {
            "linkId": "signs",
            "code": [terms.coding("log", "sign")],
            "text": "Did you see one of these?",
            "type": "choice",
            "repeats": True,
            "answerOption": options,
        }


def _item(link: str, one: _Item) -> Json:
    bounds = [
        extension(f"{_CORE}/minValue", "Integer", 0),
        extension(f"{_CORE}/maxValue", "Integer", one.most),
    ]
    unit = extension(
        f"{_CORE}/questionnaire-unit",
        "Coding",
        {"system": terms.uri("ucum"), "code": one.unit, "display": one.unit},
    )
    system = one.system and terms.systems()[one.system]["codes"]
    options: list[Json] = [{"valueCoding": terms.coding(one.system, code)} for code in system or ()]
    options += [{"valueString": option} for option in one.options]
    return filled(
        {
            "extension": [*(bounds if one.most else []), *([unit] if one.unit else [])],
            "linkId": link,
            "code": _codes(one.field),
            "text": one.text,
            "type": one.kind,
            "answerOption": options,
        }
    )


def _codes(field: str) -> list[Json]:
    if field in _MEASURES:
        return [terms.coding("measure", _MEASURES[field])]
    code = _CODES.get(field, field)
    return [terms.coding("log", code)] if code in terms.systems()["log"]["codes"] else []


# ---------------------------------------------------------------------------------------------- reading


def read_response(response: Mapping[str, Any], form: Mapping[str, Any] | None = None) -> LogEntry:
    """Return the entry that a QuestionnaireResponse holds, from any form filler.

    Args:
        response: The QuestionnaireResponse, as a dict.
        form: The Questionnaire it answers; None for ours, or for the one it contains.

    Raises:
        LogError: When it is not completed, has no time of writing or no day, or an answer cannot be used.
    """
    if response.get("status") not in ("completed", "amended"):
        raise LogError(Fault("status", "is not completed", "finish and sign the form first"))
    names = _names(form or _contained(response))
    data: dict[str, Any] = {"sessions": []}
    _collect(response.get("item"), names, data, None)
    _author(response, data)
    data.setdefault("written_at", response.get("authored"))
    return entry_from({name: value for name, value in data.items() if value is not None})


def _contained(response: Mapping[str, Any]) -> Mapping[str, Any] | None:
    inside = [one for one in response.get("contained") or [] if isinstance(one, dict)]
    return next((one for one in inside if one.get("resourceType") == "Questionnaire"), None)


def _author(response: Mapping[str, Any], data: dict[str, Any]) -> None:
    source = response.get("source")
    if "author" in data or not isinstance(source, dict):
        return
    kind = str(source.get("type") or str(source.get("reference", "")).rpartition("/")[0].rpartition("/")[2])
    if kind in _AUTHOR_OF:
        data["author"] = _AUTHOR_OF[kind]


def _names(form: Mapping[str, Any] | None) -> dict[str, str]:
    """Return linkId → field: our own linkIds, and those of a form by the codes of its items."""
    names = {one.field: one.field for one in _DAY} | {"on": "on", "signs": "signs", "author": "author"}
    names |= {f"{_MANY}.{one.field}": f"{_MANY}.{one.field}" for one in _SESSION} | {_MANY: _MANY}
    for item in _flat((form or {}).get("item")):
        field = _field(item)
        if field and item.get("linkId") not in names:
            names[str(item["linkId"])] = field
    return names


def _flat(items: Any) -> Iterator[Mapping[str, Any]]:
    for item in items if isinstance(items, list) else []:
        if isinstance(item, dict) and "linkId" in item:
            yield item
            yield from _flat(item.get("item"))


def _field(item: Mapping[str, Any]) -> str:
    """Return the field that an item of another form asks for, by its codes; "" for none."""
    uris = {terms.uri(system): system for system in ("log", "measure", "loinc")}
    inside = {
        code: f"{_MANY}.{field}"
        for field, code in ((f.field, _CODES.get(f.field, f.field)) for f in _SESSION)
    }
    days = {_CODES.get(one.field, one.field): one.field for one in _DAY} | {"sign": "signs", "day-log": "on"}
    for coding in item.get("code") or []:
        system, code = uris.get(coding.get("system")), coding.get("code")
        if system == "log" and code == "wear-session":
            return _MANY if item.get("type") == "group" else f"{_MANY}.minutes"
        if system == "log" and code in inside:
            return inside[code]
        if system == "log" and code in days:
            return days[code]
        if (system, code) in (("measure", "pain"), ("loinc", "72514-3")):
            return "pain"
        if (system, code) == ("measure", "sock-ply"):
            return "ply_evening" if "evening" in str(item.get("text", "")).lower() else "ply_morning"
    return ""


def _collect(
    items: Any, names: Mapping[str, str], data: dict[str, Any], session: dict[str, Any] | None
) -> None:
    for item in items if isinstance(items, list) else []:
        if not isinstance(item, dict):
            continue
        field = names.get(str(item.get("linkId")), "")
        answers = [one for one in item.get("answer") or [] if isinstance(one, dict)]
        inner = session
        if field == _MANY:
            inner = {}
            data["sessions"].append(inner)
        elif field and answers:
            _put(field, answers, data, session)
        _collect(item.get("item"), names, data, inner)
        for answer in answers:
            _collect(answer.get("item"), names, data, inner)


def _put(field: str, answers: list[Any], data: dict[str, Any], session: dict[str, Any] | None) -> None:
    values = [_value(answer) for answer in answers]
    head, _, own = field.partition(".")
    if head == _MANY:
        if session is None:
            session = data["sessions"][-1] if data["sessions"] and own not in data["sessions"][-1] else {}
            if session not in data["sessions"] or not session:
                data["sessions"].append(session)
        session[own] = values[0]
    else:
        data[field] = values if field == "signs" else values[0]


def _value(answer: Mapping[str, Any]) -> Any:
    """Return an answer's plain value; an amount of time in minutes."""
    kind = next((name for name in answer if name.startswith("value")), "")
    value = answer.get(kind)
    if kind == "valueCoding" and isinstance(value, dict):
        return value.get("code")
    if kind == "valueQuantity" and isinstance(value, dict):
        number = value.get("value")
        hours = value.get("code", value.get("unit")) == "h"
        value = number * 60 if hours and isinstance(number, int | float | Decimal) else number
    if kind == "valueDateTime" and isinstance(value, str):
        return dt.datetime.fromisoformat(value).date() if "T" in value else value
    if isinstance(value, float | Decimal) and value == int(value):
        return int(value)
    return value
