"""Papers: Composition, DocumentReference, Provenance, Questionnaire and its answers.

A Questionnaire's ``choice`` is R5's ``coding``, or the type of its options where those are no codings;
``open-choice`` says so by ``answerConstraint``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.releases.lens import Lens, listed, renamed

if TYPE_CHECKING:
    from fhircare.releases.table import Json

_RELATION = "http://hl7.org/fhir/document-relationship-type"
_ATTESTATION = "http://hl7.org/fhir/composition-attestation-mode"
_OFFICIAL = {"coding": [{"system": _ATTESTATION, "code": "official"}]}
_OPTION_TYPES = {
    "valueString": "string",
    "valueInteger": "integer",
    "valueDate": "date",
    "valueTime": "time",
    "valueReference": "reference",
}


def _concept(name: str, system: str) -> Lens:
    """Return the lens of a code that is a CodeableConcept in R5."""

    def there(part: Json) -> Json:
        value = part.get(name)
        return {name: {"coding": [{"system": system, "code": value}]}} if isinstance(value, str) else {}

    def back(part: Json) -> Json:
        coding = part[name]["coding"][0]
        return {name: coding["code"]} if coding.get("system") == system else {}

    return Lens((name,), (name,), there, back)


def _relations_there(part: Json) -> Json:
    made = []
    for one in listed(part.get("relatesTo")):
        target = one.get("targetReference") or {"identifier": one["targetIdentifier"]}
        made.append({"type": one["code"], "resourceReference": target})
    return {"relatesTo": made} if made else {}


def _relations_back(part: Json) -> Json:
    made = []
    for one in listed(part.get("relatesTo")):
        target = one["resourceReference"]
        if one["type"] not in {"replaces", "transforms", "signs", "appends"}:
            continue
        said = (
            {"targetIdentifier": target["identifier"]}
            if target.keys() == {"identifier"}
            else {"targetReference": target}
        )
        made.append({"code": one["type"], **said})
    return {"relatesTo": made} if made else {}


def _event_there(part: Json) -> Json:
    made = [{"concept": one} for one in listed(part.get("code"))]
    made += [{"reference": one} for one in listed(part.get("detail"))]
    return {"detail": made} if made else {}


def _event_back(part: Json) -> Json:
    found: dict[str, list[Any]] = {
        "code": [one["concept"] for one in listed(part.get("detail")) if "concept" in one],
        "detail": [one["reference"] for one in listed(part.get("detail")) if "reference" in one],
    }
    return {name: value for name, value in found.items() if value}


_CONTEXT = ("period", "facilityType", "practiceSetting")


def _context_there(part: Json) -> Json:
    context = part.get("context", {})
    made: Json = {name: context[name] for name in _CONTEXT if name in context}
    if context.get("encounter"):
        made["context"] = context["encounter"]
    if context.get("event"):
        made["event"] = [{"concept": one} for one in context["event"]]
    return made


def _context_back(part: Json) -> Json:
    context: Json = {name: part[name] for name in _CONTEXT if name in part}
    if part.get("context"):
        context["encounter"] = part["context"]
    events = [one["concept"] for one in listed(part.get("event")) if "concept" in one]
    if events:
        context["event"] = events
    return {"context": context} if context else {}


def _format_there(part: Json) -> Json:
    return {"profile": [{"valueCoding": part["format"]}]} if "format" in part else {}


def _format_back(part: Json) -> Json:
    found = [one["valueCoding"] for one in listed(part.get("profile")) if "valueCoding" in one]
    return {"format": found[0]} if found else {}


def _authenticator_there(part: Json) -> Json:
    return (
        {"attester": [{"mode": _OFFICIAL, "party": part["authenticator"]}]} if "authenticator" in part else {}
    )


def _authenticator_back(part: Json) -> Json:
    found = [one for one in listed(part.get("attester")) if one.get("mode") == _OFFICIAL and "party" in one]
    return {"authenticator": found[0]["party"]} if found else {}


def _authorization_there(part: Json) -> Json:
    made = [{"concept": one} for one in listed(part.get("reason"))]
    return {"authorization": made} if made else {}


def _authorization_back(part: Json) -> Json:
    made = [one["concept"] for one in listed(part.get("authorization")) if "concept" in one]
    return {"reason": made} if made else {}


_ITEM = ("type", "answerOption", "answerValueSet")


def _options(part: Json) -> str:
    """Return the R5 type of an item with options: theirs where they agree, ``coding`` otherwise."""
    kinds = {
        name
        for option in listed(part.get("answerOption"))
        for name in option
        if name.lstrip("_").startswith("value")
    }
    return _OPTION_TYPES.get(kinds.pop(), "coding") if len(kinds) == 1 else "coding"


def _item_there(part: Json) -> Json:
    kind = part.get("type")
    has_options = "answerOption" in part or "answerValueSet" in part
    if kind not in {"choice", "open-choice"}:
        return part
    made = part | {"type": _options(part)}
    if has_options and kind == "open-choice":
        made["answerConstraint"] = "optionsOrString"
    elif has_options and made["type"] != "coding":
        made["answerConstraint"] = "optionsOnly"
    return made


def _item_back(part: Json) -> Json:
    plain = {name: value for name, value in part.items() if name.lstrip("_") != "answerConstraint"}
    if part.get("type") == "coding" or part.get("answerConstraint"):
        free = part.get("answerConstraint") in {"optionsOrString", "optionsOrType"}
        return plain | {"type": "open-choice" if free else "choice"}
    return plain


NODES: dict[str, str] = {}

RULES: dict[str, tuple[Lens, ...]] = {
    "Composition": (Lens(("relatesTo",), ("relatesTo",), _relations_there, _relations_back),),
    "Composition.attester": (_concept("mode", _ATTESTATION),),
    "Composition.event": (Lens(("code", "detail"), ("detail",), _event_there, _event_back),),
    "DocumentReference": (
        Lens(("context",), ("context", "event", *_CONTEXT), _context_there, _context_back),
        Lens(("authenticator",), ("attester",), _authenticator_there, _authenticator_back),
    ),
    "DocumentReference.content": (Lens(("format",), ("profile",), _format_there, _format_back),),
    "DocumentReference.relatesTo": (_concept("code", _RELATION),),
    "ImplementationGuide.definition.page": (renamed("nameUrl", "name"),),
    "Provenance": (Lens(("reason",), ("authorization",), _authorization_there, _authorization_back),),
    "Questionnaire.item": (Lens(_ITEM, (*_ITEM, "answerConstraint"), _item_there, _item_back),),
}

CODES = {
    "Questionnaire.subjectType": {
        "DeviceUseStatement": "DeviceUsage",
        "RequestGroup": "RequestOrchestration",
    },
}

FILLS: dict[tuple[str, str], Json] = {}
