"""An order → the start of a delivery record: what is known filled in, what is missing said in plain words.

The words for what is missing are the delivery record's own descriptions, so they never part from it. Nothing
is guessed: what only the clinic can know (the limb, the prosthesis, the person's day) stays open.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ruamel.yaml import YAML

from fhircare.delivery import delivery_schema

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.exchange.client import Resource
    from fhircare.exchange.orders import Referral

_ICD10 = "http://hl7.org/fhir/sid/icd-10-cm"
# ICD-10-CM Z89.61-: acquired absence of leg above knee; 1 right, 2 left (NCHS tabular list, April 2026).
_SIDES = {"Z89.611": "right", "Z89.612": "left"}
# SNOMED CT qualifiers, as FHIR's body-site examples use them: right 24028007, left 7771000.
_SIDE_WORDS = {"24028007": "right", "7771000": "left", "right": "right", "left": "left"}


@dataclass(frozen=True, slots=True)
class Intake:
    """The start of a delivery record."""

    record: dict[str, Any] = field(repr=False)
    """What is known, in the delivery record's own fields."""
    missing: tuple[tuple[str, str], ...] = ()
    """What has to be added: field, and what it is."""
    remarks: tuple[str, ...] = field(default=(), repr=False)
    """What else the order says that a person should look at."""

    def as_yaml(self) -> str:
        """Return the record as YAML, with comments that say what is missing and where it goes."""
        lines = ["# A delivery record begun from an order. What is missing is listed where it belongs;"]
        lines += ["# `fhircare schema` describes every field, and `fhircare plan` says what is still wrong."]
        lines += [f"# {remark}" for remark in self.remarks]
        for name in delivery_schema()["properties"]:
            wanting = [(f, what) for f, what in self.missing if f == name or re.match(rf"{name}[.\[]", f)]
            if name in self.record:
                lines += ["", _yaml({name: self.record[name]})]
            elif wanting:
                lines += ["", f"# {name}:"]
            lines += [f"# missing: {f} - {what}" for f, what in wanting]
        return "\n".join(lines) + "\n"

    def as_data(self) -> dict[str, Any]:
        """Return it as JSON data."""
        return {
            "record": self.record,
            "missing": [{"field": f, "what": what} for f, what in self.missing],
            "remarks": list(self.remarks),
        }


def intake(referral: Referral, *, written_at: str, clinic: dict[str, Any] | None = None) -> Intake:
    """Return the start of a delivery record from an order.

    Args:
        referral: The order and what belongs to it.
        written_at: When the record is begun, RFC 3339 with offset.
        clinic: The clinic's own part of the record, where it is known.
    """
    record: dict[str, Any] = {"written_at": written_at}
    if _is_test_data(referral.patient):
        record["synthetic"] = True
    if clinic:
        record["clinic"] = clinic
    record |= {"professionals": _professionals(referral), "patient": _patient(referral.patient)}
    diagnosis, others = _diagnoses(referral)
    record["order"] = _filled(
        {
            "identifier": _number(referral),
            "authored_on": str(referral.order.get("authoredOn", ""))[:10],
            "text": _ordered(referral.order),
            "diagnosis": diagnosis,
        }
    )
    side = _SIDES.get(str(diagnosis.get("code"))) or _side(referral)
    if side:
        record["limb"] = {"side": side}
    record = {key: value for key, value in record.items() if value not in ({}, [])}
    return Intake(record, tuple(missing(record)), tuple(_remarks(referral, others)))


def missing(record: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield what the delivery record's schema requires and the record lacks: field, and what it is."""
    schema = delivery_schema()
    yield from _missing(record, schema, schema, "")
    people = record.get("professionals") or []
    if people and not any(person.get("role") == "prosthetist" for person in people):
        yield "professionals", "The prosthetist: role, name."


def _missing(
    value: Any, here: dict[str, Any], schema: dict[str, Any], path: str
) -> Iterator[tuple[str, str]]:
    here = _resolved(here, schema)
    if isinstance(value, dict):
        for name, inner in here.get("properties", {}).items():
            field_path = f"{path}.{name}" if path else name
            if name in value:
                yield from _missing(value[name], inner, schema, field_path)
            elif name in here.get("required", ()):
                told = inner.get("description") or _resolved(inner, schema).get("description", "")
                yield field_path, " ".join(str(told).split())
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _missing(item, here.get("items", {}), schema, f"{path}[{index}]")


def _resolved(here: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    for option in here.get("anyOf", ()):
        if "$ref" in option:
            here = option
    while "$ref" in here:
        here = schema["$defs"][here["$ref"].rsplit("/", 1)[1]]
    return here


def _patient(resource: Resource) -> dict[str, Any]:
    names = resource.get("name") or [{}]
    name = next((n for n in names if n.get("use") in ("official", "usual")), names[0])
    birth = str(resource.get("birthDate", ""))
    return _filled(
        {
            "name": _filled({"given": name.get("given"), "family": name.get("family")}),
            "birth_date": birth if re.fullmatch(r"\d{4}-\d\d-\d\d", birth) else "",
            "gender": resource.get("gender"),
            "identifiers": _identifiers(resource),
            "language": _language(resource),
            "phone": _telecom(resource, "phone"),
            "email": _telecom(resource, "email"),
            "address": _address(resource),
        }
    )


def _professionals(referral: Referral) -> list[dict[str, Any]]:
    person, display = referral.requester, str((referral.order.get("requester") or {}).get("display", ""))
    if person is None and not display:
        return []
    name = ((person or {}).get("name") or [{}])[0]
    words = display.split()
    known: dict[str, Any] = (
        {"given": name.get("given"), "family": name.get("family")} if person else {"family": words[-1]}
    )
    if not person and len(words) > 1:
        known["given"] = words[:-1]
    physician = {
        "role": "physician",
        "name": _filled(known),
        "identifiers": _identifiers(person or {}),
        "phone": _telecom(person or {}, "phone"),
        "email": _telecom(person or {}, "email"),
        "organization": (referral.organization or {}).get("name"),
    }
    return [_filled(physician)]


def _number(referral: Referral) -> dict[str, str]:
    """The placer's own number, repeated unchanged in all we send back; else the order's address."""
    numbers = [n for n in referral.order.get("identifier") or [] if n.get("value")]
    placed = [
        n for n in numbers if "PLAC" in [c.get("code") for c in (n.get("type") or {}).get("coding") or []]
    ]
    for number in (*placed, *numbers):
        if number.get("system"):
            return {"system": str(number["system"]), "value": str(number["value"])}
    if referral.source and referral.order.get("id"):
        return {
            "system": f"{referral.source}/{referral.order['resourceType']}",
            "value": str(referral.order["id"]),
        }
    return {}


def _diagnoses(referral: Referral) -> tuple[dict[str, str], list[str]]:
    """Return the diagnosis the order was written for, and the other ICD-10-CM codes on file."""
    concepts = [
        *(referral.order.get("reasonCode") or []),
        *(c.get("code") or {} for c in referral.conditions),
    ]
    codes: dict[str, str] = {}
    for concept in concepts:
        for coding in concept.get("coding") or []:
            if coding.get("system") == _ICD10 and coding.get("code"):
                codes.setdefault(str(coding["code"]), str(coding.get("display") or concept.get("text") or ""))
    limb = [code for code in codes if code.startswith("Z89.6")]
    first = next(iter(limb or codes), "")
    if not first:
        return {}, []
    return _filled({"code": first, "display": codes[first]}), [
        f"{c} {w}".strip() for c, w in codes.items() if c != first
    ]


def _ordered(order: Resource) -> str:
    concept = order.get("code") or order.get("codeCodeableConcept") or {}
    coded = next((str(c["display"]) for c in concept.get("coding") or [] if c.get("display")), "")
    return str(concept.get("text") or coded)


def _side(referral: Referral) -> str:
    sites = [
        *(referral.order.get("bodySite") or []),
        *(s for c in referral.conditions for s in c.get("bodySite") or []),
    ]
    found = set()
    for site in sites:
        told = [str(coding.get("code", "")) for coding in site.get("coding") or []]
        words = re.findall(r"[a-z]+", str(site.get("text", "")).lower())
        found |= {_SIDE_WORDS[token] for token in (*told, *words) if token in _SIDE_WORDS}
    return found.pop() if len(found) == 1 else ""


def _remarks(referral: Referral, others: list[str]) -> Iterator[str]:
    yield f"Order: {referral.reference}" + (f" on {referral.source}" if referral.source else "")
    for note in referral.order.get("note") or []:
        yield "The order says: " + " ".join(str(note.get("text", "")).split())
    if others:
        yield "Also on file, think of `risks`: " + "; ".join(others)


def _identifiers(resource: Resource) -> list[dict[str, str]]:
    return [
        {"system": str(n["system"]), "value": str(n["value"])}
        for n in resource.get("identifier") or []
        if n.get("system") and n.get("value")
    ]


def _telecom(resource: Resource, system: str) -> str:
    found = [t for t in resource.get("telecom") or [] if t.get("system") == system and t.get("value")]
    return str(min(found, key=lambda t: t.get("rank", 99))["value"]) if found else ""


def _address(resource: Resource) -> dict[str, Any]:
    address: dict[str, Any] = next(
        (a for a in resource.get("address") or [] if a.get("line") and a.get("city")), {}
    )
    return _filled(
        {
            "lines": address.get("line"),
            "city": address.get("city"),
            "state": address.get("state"),
            "postal_code": address.get("postalCode"),
            "country": address.get("country"),
        }
    )


def _language(resource: Resource) -> str:
    spoken = resource.get("communication") or []
    first = next((c for c in spoken if c.get("preferred")), spoken[0] if spoken else {})
    codings = (first.get("language") or {}).get("coding") or []
    return next((str(c["code"]) for c in codings if c.get("code")), "")


def _is_test_data(resource: Resource) -> bool:
    return "HTEST" in [label.get("code") for label in (resource.get("meta") or {}).get("security") or []]


def _filled(data: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in data.items() if value not in (None, "", [], {})}


def _yaml(data: dict[str, Any]) -> str:
    yaml = YAML()
    yaml.default_flow_style = False
    yaml.width = 110
    yaml.allow_unicode = True
    stream = io.StringIO()
    yaml.dump(data, stream)
    return stream.getvalue().rstrip("\n")
