"""What is asked for and arranged: ServiceRequest, CommunicationRequest, Task, Appointment and the like.

**ServiceRequest.orderDetail** is a CodeableConcept in R4 and has parameters in R5. For R4 the parameters are
an extension: HL7's (``extension-ServiceRequest.orderDetail.parameter``), or ours of the same shape, which
servers that validate let pass. Both become R5's own element; the concept is then ``parameterFocus``. On the
way back a parameter with a code of ours gets our extension, any other HL7's. A detail that is a concept and
nothing else becomes the value of a parameter without a code, because R5 requires a parameter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.releases.lens import Lens, joined, listed, names_of, renamed

if TYPE_CHECKING:
    from fhircare.releases.table import Json

OURS = "https://fhircare.github.io/fhir/"
ORDER_PARAMETER = f"{OURS}StructureDefinition/order-parameter"
PUBLISHED_PARAMETER = (
    "http://hl7.org/fhir/5.0/StructureDefinition/extension-ServiceRequest.orderDetail.parameter"
)
_NO_CODE = {
    "extension": [
        {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unsupported"}
    ]
}
_CONCEPT = ("coding", "text", "_text")


def _detail_there(detail: Json) -> Json:
    parameters, others = [], []
    for one in detail.get("extension", ()):
        if one.get("url") in {ORDER_PARAMETER, PUBLISHED_PARAMETER}:
            parameters.append(_parameter(one))
        else:
            others.append(one)
    made = {"id": detail["id"]} if "id" in detail else {}
    made |= {"extension": others} if others else {}
    concept = {name: detail[name] for name in _CONCEPT if name in detail}
    if parameters:
        focus = {"parameterFocus": {"concept": concept}} if concept else {}
        return made | focus | {"parameter": parameters}
    return made | {"parameter": [{"code": _NO_CODE, "valueCodeableConcept": concept}]}


def _parameter(extension: Json) -> Json:
    made: Json = {"id": extension["id"]} if "id" in extension else {}
    for one in extension["extension"]:
        if one["url"] == "code":
            made["code"] = one["valueCodeableConcept"]
        elif one["url"] == "value":
            made |= {name: value for name, value in one.items() if name.lstrip("_").startswith("value")}
    return made


def _detail_back(detail: Json) -> Json:
    parameters = listed(detail.get("parameter"))
    focus = detail.get("parameterFocus", {})
    made: Json = {"id": detail["id"]} if "id" in detail else {}
    others = list(detail.get("extension", ()))
    concept: Json = focus.get("concept", {})
    if not focus and len(parameters) == 1 and parameters[0].get("code") == _NO_CODE:
        concept, parameters = parameters[0]["valueCodeableConcept"], []
    extensions = others + [_parameter_back(one) for one in parameters]
    return made | ({"extension": extensions} if extensions else {}) | concept


def _parameter_back(parameter: Json) -> Json:
    code = parameter["code"]
    ours = any(str(one.get("system", "")).startswith(OURS) for one in code.get("coding", ()))
    value = {name: one for name, one in parameter.items() if name.lstrip("_").startswith("value")}
    made: Json = {"id": parameter["id"]} if "id" in parameter else {}
    return made | {
        "url": ORDER_PARAMETER if ours else PUBLISHED_PARAMETER,
        "extension": [{"url": "code", "valueCodeableConcept": code}, {"url": "value", **value}],
    }


def _each(name: str, way: Any) -> Any:
    return lambda part: {name: [way(one) for one in listed(part.get(name))]} if name in part else {}


def _text_as(r4: str, r5: str, inner: str, *path: str) -> Lens:
    """Return the lens of a string that is a list of objects in R5, the text being ``inner`` in the first.

    Args:
        r4: The string's name in R4.
        r5: The list's name in R5.
        inner: The text's name there.
        path: What it stands in within the object, such as ``concept``.
    """

    def there(part: Json) -> Json:
        pairs = zip(names_of(r4), names_of(inner), strict=True)
        made = {new: part[old] for old, new in pairs if old in part}
        for step in reversed(path):
            made = {step: made}
        return {r5: [made]} if part else {}

    def back(part: Json) -> Json:
        body = listed(part.get(r5))[0]
        for step in path:
            body = body[step]
        pairs = zip(names_of(inner), names_of(r4), strict=True)
        return {new: body[old] for old, new in pairs if old in body}

    return Lens((r4,), (r5,), there, back)


# R5 asks only whether somebody must be there; "information only" is kept beside a plain no.
def _required_there(part: Json) -> Json:
    value = part.get("required")
    return {"required": value == "required"} if value in _NEEDED else {}


def _required_back(part: Json) -> Json:
    value = part.get("required")
    return {"required": "required" if value else "optional"} if isinstance(value, bool) else {}


_NEEDED = {"required", "optional", "information-only"}
_PAYLOAD = Lens(
    ("contentString",),
    ("contentCodeableConcept",),
    lambda part: {"contentCodeableConcept": _renamed(part, "contentString", "text")} if part else {},
    lambda part: _renamed(part["contentCodeableConcept"], "text", "contentString") if part else {},
)


def _renamed(body: Json, before: str, after: str) -> Json:
    pairs = zip(names_of(before), names_of(after), strict=True)
    return {new: body[old] for old, new in pairs if old in body}


def _one_in_list(r4: str, r5: str) -> Lens:
    return Lens(
        (r4,),
        (r5,),
        lambda part: {r5: [part[r4]]} if r4 in part else {},
        lambda part: {r4: part[r5][0]} if part.get(r5) else {},
    )


def _performer_there(part: Json) -> Json:
    kinds = [{"concept": one} for one in listed(part.get("performerType"))]
    return {"requestedPerformer": kinds} if kinds else {}


def _performer_back(part: Json) -> Json:
    kinds = [one["concept"] for one in listed(part.get("requestedPerformer")) if "concept" in one]
    return {"performerType": kinds} if kinds else {}


def _device_performer_there(part: Json) -> Json:
    made = {"concept": part["performerType"]} if "performerType" in part else {}
    made |= {"reference": part["performer"]} if "performer" in part else {}
    return {"performer": made} if made else {}


def _device_performer_back(part: Json) -> Json:
    one = part.get("performer", {})
    made = {"performerType": one["concept"]} if "concept" in one else {}
    return made | ({"performer": one["reference"]} if "reference" in one else {})


NODES = {"RequestGroup": "RequestOrchestration"}

RULES: dict[str, tuple[Lens, ...]] = {
    "ServiceRequest": (
        Lens(
            ("orderDetail",),
            ("orderDetail",),
            _each("orderDetail", _detail_there),
            _each("orderDetail", _detail_back),
        ),
        _text_as("patientInstruction", "patientInstruction", "instructionMarkdown"),
    ),
    "Appointment": (
        renamed("cancelationReason", "cancellationReason"),
        _text_as("comment", "note", "text"),
        _text_as("patientInstruction", "patientInstruction", "text", "concept"),
    ),
    "Appointment.participant": (Lens(("required",), ("required",), _required_there, _required_back),),
    "Communication.payload": (_PAYLOAD,),
    "CommunicationRequest": (_one_in_list("sender", "informationProvider"),),
    "CommunicationRequest.payload": (_PAYLOAD,),
    "Task": (
        Lens(("performerType",), ("requestedPerformer",), _performer_there, _performer_back),
        joined("reasonCode", "reasonReference", "reason", many_r4=False),
    ),
    "DeviceRequest": (
        renamed("priorRequest", "replaces"),
        Lens(
            ("performerType", "performer"),
            ("performer",),
            _device_performer_there,
            _device_performer_back,
        ),
    ),
}

CODES: dict[str, dict[str, str]] = {}

FILLS: dict[tuple[str, str], Json] = {("R5", "CommunicationRequest.intent"): {"intent": "plan"}}
