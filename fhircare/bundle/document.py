"""The same plan as a document, and a handout as a resource: what travels where no server takes a plan.

``as_document`` puts a Composition in front: the form in which FHIR hands over a file (by post, by e-mail,
into an archive). Everything in it is as it was in the bundle, with the same names. The Composition is
preliminary as long as the plan is a draft. Sections are those of the International Patient Summary, so that
a reader of summaries knows them; goals and instructions stand in the plan's own section.

``handout_entry`` wraps a rendered handout in a DocumentReference, the one resource that every US Core server
takes.
"""

from __future__ import annotations

import base64
import hashlib
import uuid
from typing import TYPE_CHECKING, Any

from fhircare.bundle import datatypes as fhir
from fhircare.bundle import us_core
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.identity import BASE, is_ours
from fhircare.bundle.in_force import the_careplan
from fhircare.bundle.located import Node
from fhircare.bundle.narrative import LANGUAGE, bullets, heading, narrative
from fhircare.bundle.source import Source
from fhircare.bundle.text import dump
from fhircare.errors import BundleError, Fault
from fhircare.spec import terms

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator, Mapping

_SECTIONS = (
    ("46264-8", "Devices", ("DeviceUseStatement", "Device")),
    ("104605-1", "Alerts", ("Flag",)),
    ("47420-5", "Functional status", ("Condition", "Observation")),
)


def as_document(bundle: Mapping[str, Any], *, at: dt.datetime | None = None) -> Json:
    """Return a bundle that holds a plan as a Bundle of type document.

    The same bundle gives the same document, byte for byte.

    Args:
        bundle: Our own bundle, or another that holds a CarePlan.
        at: When the document is made, with an offset; the plan's own time when left out.

    Raises:
        BundleError: When the bundle holds no CarePlan, or no time is told and the plan has none (bdl-10).
    """
    source = Source(bundle)
    careplan = the_careplan(source)
    when = at.isoformat() if at else (bundle.get("timestamp") or careplan.word("created"))
    if not when or "T" not in when:
        raise BundleError(Fault("CarePlan.created", "tells no time", "tell when the document is made"))
    names = _names(source)
    url = f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, f'{BASE}/document/{names[id(careplan.value)]}')}"
    composition = _composition(source, careplan, when, names)
    meta = {
        name: value for name, value in dict(bundle.get("meta") or {}).items() if name in {"tag", "security"}
    }
    return filled(
        {
            "resourceType": "Bundle",
            "meta": meta,
            "identifier": _identifier(bundle, careplan),
            "type": "document",
            "timestamp": when,
            "entry": [
                {"fullUrl": url, "resource": composition},
                *({"fullUrl": names[id(one.value)], "resource": one.value} for one in source.resources),
            ],
        }
    )


def _names(source: Source) -> dict[int, str]:
    """Return each resource's fullUrl by the resource itself; a document's entries must have one."""
    names = {}
    for entry in source.root.items("entry"):
        url = entry.word("fullUrl")
        if not url:
            raise BundleError(Fault(f"{entry.path}.fullUrl", "is missing", "give every entry its fullUrl"))
        names[id(entry.get("resource").value)] = url
    return names


def _identifier(bundle: Mapping[str, Any], careplan: Node) -> Json:
    """Return what names the document for good (bdl-9)."""
    for one in careplan.items("identifier"):
        if is_ours(one.word("system"), "plan"):
            return {
                "system": one.word("system").removesuffix("plan") + "document",
                "value": one.word("value"),
            }
    name = uuid.uuid5(uuid.NAMESPACE_URL, dump(dict(bundle)))
    return {"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{name}"}


def _composition(source: Source, careplan: Node, when: str, names: dict[int, str]) -> Json:
    plan = careplan.value
    authors = [plan["author"]] if "author" in plan else plan.get("contributor", [])
    sections = [_section(source, names, *one) for one in _SECTIONS]
    told = {entry["reference"] for section in sections if section for entry in section["entry"]}
    plan_section = {
        "title": "Plan of care",
        "code": _loinc("18776-5"),
        "text": plan.get("text") or narrative(heading("Plan of care")),
        "entry": [{"reference": name} for name in _rest(source, careplan, names, told)],
    }
    title = careplan.word("title") or "Plan of care"
    team = next((t for t in source.resources if t.kind == "CareTeam"), None)
    custodian = next(iter(team.items("managingOrganization")), None) if team else None
    meta = _labels(careplan)
    return filled(
        {
            "resourceType": "Composition",
            "meta": meta,
            "language": LANGUAGE,
            "text": narrative(heading(title)),
            "status": "preliminary" if careplan.word("status") == "draft" else "final",
            "type": _loinc("18776-5"),
            "subject": plan.get("subject"),
            "date": when,
            "author": authors or [{"display": "not stated"}],
            "title": title,
            "custodian": custodian.value if custodian else None,
            "section": [plan_section, *(section for section in sections if section)],
        }
    )


def _labels(careplan: Node) -> Json:
    labels = [label.value for label in careplan.get("meta").items("security")]
    return {"security": labels} if labels else {}


def _loinc(code: str) -> Json:
    return fhir.concept("", terms.coding("loinc", code))


def _section(
    source: Source, names: dict[int, str], code: str, title: str, kinds: tuple[str, ...]
) -> Json | None:
    found = [one for one in source.resources if one.kind in kinds]
    if not found:
        return None
    said = [text for one in found if (text := _title(one))]
    return {
        "title": title,
        "code": _loinc(code),
        "text": narrative(heading(title), bullets(said)),
        "entry": [{"reference": names[id(one.value)]} for one in found],
    }


def _title(one: Node) -> str:
    said = one.get("code").said() or one.first("deviceName").text("name") or one.get("type").said()
    return said.value


def _rest(source: Source, careplan: Node, names: dict[int, str], told: set[str]) -> list[str]:
    """Return the plan first, then whatever no section leads to: everything in a document must be led to."""
    first = names[id(careplan.value)]
    reached: set[str] = set()
    to_do = [first, *told]
    by_name = {name: one for one in source.resources if (name := names[id(one.value)])}
    while to_do:
        name = to_do.pop()
        if name in reached or name not in by_name:
            continue
        reached.add(name)
        to_do += [names[id(found.value)] for found in _pointed(source, by_name[name])]
    return [first, *(name for name in by_name if name not in reached)]


def _pointed(source: Source, node: Node) -> Iterator[Node]:
    if isinstance(node.value, dict):
        if node.word("reference") and (found := source.resolve(node)):
            yield found
        for name in node.value:
            yield from _pointed(source, node.get(name))
    elif isinstance(node.value, list):
        for index, value in enumerate(node.value):
            yield from _pointed(source, Node(value, f"{node.path}[{index}]", node.resource))


def with_handout(document: Mapping[str, Any], entry: Json) -> Json:
    """Return a document with a rendered handout in it, as a section of its own.

    Args:
        document: What ``as_document`` returned; it is not changed.
        entry: What ``handout_entry`` returned.
    """
    first, *others = document["entry"]
    title = entry["resource"]["content"][0]["attachment"]["title"]
    section = {
        "title": title,
        "text": narrative(heading(title)),
        "entry": [{"reference": entry["fullUrl"], "display": title}],
    }
    composition = {**first["resource"], "section": [*first["resource"]["section"], section]}
    return {**document, "entry": [{**first, "resource": composition}, *others, entry]}


def standing_alone(bundle: Mapping[str, Any], resource: Json) -> Json:
    """Return a resource as it can be filed without its bundle: it refers by identifier, not by ``urn:uuid``.

    Args:
        bundle: The bundle that its references lead into; what has no identifier there keeps its reference.
        resource: The resource; it is not changed.
    """
    source = Source(bundle)

    def alone(value: Any) -> Any:
        if isinstance(value, list):
            return [alone(item) for item in value]
        if not isinstance(value, dict):
            return value
        target = source.resolve(Node(value, "")) if "reference" in value else None
        number = target.first("identifier").value if target else None
        if target and number:
            return {"type": target.kind, "identifier": number, **filled({"display": value.get("display")})}
        return {key: alone(item) for key, item in value.items()}

    found: Json = alone(resource)
    return found


def handout_entry(
    bundle: Mapping[str, Any],
    content: bytes,
    content_type: str,
    *,
    title: str,
    language: str,
    at: dt.datetime,
) -> Json:
    """Return a Bundle entry with a DocumentReference that holds a rendered handout.

    Args:
        bundle: The bundle it was rendered from.
        content: The handout's bytes.
        content_type: Such as ``application/pdf``.
        title: What it is called.
        language: BCP 47 tag of its language.
        at: When it was made, with an offset.

    Raises:
        BundleError: When the bundle holds no CarePlan.
    """
    source = Source(bundle)
    careplan = the_careplan(source)
    own = careplan.first("identifier")
    key = f"handout/{language}/{content_type}"
    name = uuid.uuid5(uuid.NAMESPACE_URL, f"{BASE}/{own.word('system')}/{own.word('value')}/{key}")
    plan = careplan.value
    attachment = {
        "contentType": content_type,
        "language": language,
        "data": base64.b64encode(content).decode("ascii"),
        "size": len(content),
        "hash": base64.b64encode(hashlib.sha1(content, usedforsecurity=False).digest()).decode("ascii"),
        "title": title,
        "creation": at.isoformat(),
    }
    claims = us_core.claim("documentreference", us_core.version_of(bundle))
    meta = ({"profile": claims} if claims else {}) | _labels(careplan)
    resource = {
        "resourceType": "DocumentReference",
        "meta": meta,
        "language": LANGUAGE,
        "text": narrative(heading(title)),
        "identifier": [{"system": own.word("system"), "value": f"{own.word('value')}/{key}"}],
        "status": "current",
        "docStatus": "preliminary" if careplan.word("status") == "draft" else "final",
        "type": _loinc("18776-5"),
        "category": [fhir.concept("", terms.coding("documentreference-category", "clinical-note"))],
        "subject": plan.get("subject"),
        "date": at.isoformat(),
        "author": [plan["author"]] if "author" in plan else [],
        "content": [{"attachment": attachment}],
        "context": {"period": plan.get("period")},
    }
    entry = {"fullUrl": f"urn:uuid:{name}", "resource": filled(resource)}
    us_core.settle([entry], bundle.get("entry", ()))
    return entry
