"""What was delivered, both ways.

==============================  ========================================================================
plan                            FHIR
==============================  ========================================================================
prosthesis                      Device of our kind prosthesis (SNOMED CT limb prosthesis)
prosthesis.identifier           Device.identifier, our own left out
prosthesis.delivered_on         DeviceUseStatement.timingPeriod.start
first, new_socket, suspension   Device.property fitting, socket-state, suspension
components[]                    Device each, ``parent`` the prosthesis, in CarePlan.supportingInfo's order
component.kind, hcpcs           Device.type, our kind beside the HCPCS code
name, model, serial, lot, …     deviceName, modelNumber, serialNumber, lotNumber, manufacturer
udi                             udiCarrier.carrierHRF; a GS1 device identifier is taken out of it
replace_by                      Device.expirationDate
warranty_until                  our extension ``warranty-until``
count, liner_kind, mass_limit,  Device.property
heel_height, battery, water_safe
socks.socks[]                   Device of kind sock, with properties ply, count, material, band-color, worn
socks.ply_at_delivery           Observation ply-at-delivery
socks.adjust_at_ply             its referenceRange of type adjust-socket
shoes                           Device of kind shoes: deviceName, property heel-height
==============================  ========================================================================

A shrinker, a sock and a shoe are no part of the prosthesis: they have no ``parent``.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.clinic import read_identifiers
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.identity import BASE
from fhircare.bundle.limb import observation, side_concept
from fhircare.bundle.located import Node, Read, choice, find, listed, made
from fhircare.plan import Component, PositiveQuantity, Prosthesis, Quantity, Shoes, Sock, SockKit
from fhircare.plan.device import ComponentKind, LinerKind, SuspensionKind
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.source import Source

WARRANTY = f"{BASE}/StructureDefinition/warranty-until"
"""Ours, on Device: R4 has no element for it, and Device.property holds no date."""


def write_devices(draft: Draft) -> list[Json]:
    """Add the prosthesis, its parts, the socks and the shoes; return references in the plan's order."""
    plan = draft.plan
    added: list[Json] = []
    if plan.prosthesis:
        added.append(_write_prosthesis(draft, plan.prosthesis))
        added += [_write_component(draft, i, part) for i, part in enumerate(plan.prosthesis.components)]
        _write_use(draft, plan.prosthesis)
    if plan.socks:
        added += [_write_sock(draft, i, sock) for i, sock in enumerate(plan.socks.socks)]
        added.append(_write_ply(draft, plan.socks))
    if plan.shoes:
        added.append(_write_shoes(draft, plan.shoes))
    return added


def _device(draft: Draft, key: str, body: Json, title: str, *rows: tuple[str, str]) -> Json:
    elements = {
        "identifier": draft.own(key, lasting=True),
        "status": "active",
        **body,
        "patient": draft.subject if "reference" in draft.subject else None,
        "owner": draft.made.get("clinic"),
    }
    return draft.add("Device", key, filled(elements), text=says(title, *rows))


def _write_prosthesis(draft: Draft, prosthesis: Prosthesis) -> Json:
    limb = draft.plan.limb
    name = f"Prosthesis, {limb.side} leg, {limb.level.replace('-', ' ')}" if limb else "Leg prosthesis"
    given = fhir.identifiers([prosthesis.identifier] if prosthesis.identifier else [])
    features = [
        _coded("fitting", "first" if prosthesis.first else "replacement"),
        _coded("socket-state", "new-socket" if prosthesis.new_socket else "same-socket"),
        _coded("suspension", prosthesis.suspension),
    ]
    return _device(
        draft,
        "prosthesis",
        {
            "identifier": given + draft.own("prosthesis", lasting=True),
            "deviceName": [{"name": name, "type": "user-friendly-name"}],
            "type": fhir.term("device-kind", "prosthesis", terms.coding("sct", "74444006")),
            "property": features,
        },
        name,
        ("Delivered on", prosthesis.delivered_on.isoformat()),
        ("Suspension", terms.display("feature-value", prosthesis.suspension)),
        ("Parts", "; ".join(part.name for part in prosthesis.components)),
    )


def _write_component(draft: Draft, index: int, part: Component) -> Json:
    kind = terms.coding("device-kind", part.kind)
    codings = [kind, terms.coding("hcpcs", part.hcpcs)] if part.hcpcs else [kind]
    attached = part.kind != "shrinker"
    warranty = part.warranty_until and part.warranty_until.isoformat()
    return _device(
        draft,
        f"component/{index}",
        {
            "extension": [fhir.extension(WARRANTY, "Date", warranty)] if warranty else [],
            "udiCarrier": [_udi(part.udi)] if part.udi else [],
            "manufacturer": part.manufacturer,
            "expirationDate": part.replace_by and part.replace_by.isoformat(),
            "lotNumber": part.lot,
            "serialNumber": part.serial,
            "deviceName": [{"name": part.name, "type": "user-friendly-name"}],
            "modelNumber": part.model,
            "type": fhir.concept(terms.display("device-kind", part.kind), *codings),
            "property": _component_features(part),
            "parent": draft.made["prosthesis"] if attached else None,
        },
        part.name,
        ("Kind", terms.display("device-kind", part.kind)),
        ("How many", str(part.count) if part.count > 1 else ""),
        ("Maker and model", " ".join(word for word in (part.manufacturer, part.model) if word)),
        ("Serial number", part.serial),
        ("Lot", part.lot),
        ("Heaviest person", str(part.mass_limit or "")),
        ("Heel height", str(part.heel_height or "")),
        ("Expected to be worn out", str(part.replace_by or "")),
        ("Warranty until", str(part.warranty_until or "")),
    )


def _component_features(part: Component) -> list[Json]:
    found = []
    if part.count != 1:
        found.append(_measured("count", part.count, "1"))
    if part.liner_kind:
        found.append(_coded("liner-kind", part.liner_kind))
    if part.mass_limit:
        found.append(_measured("mass-limit", part.mass_limit.value, part.mass_limit.unit))
    if part.heel_height:
        found.append(_measured("heel-height", part.heel_height.value, part.heel_height.unit))
    if part.battery:
        found.append(_coded("power", "battery"))
    if part.water_safe:
        found.append(_coded("water", "water-safe"))
    return found


def _coded(feature: str, value: str) -> Json:
    return {"type": fhir.term("device-feature", feature), "valueCode": [fhir.term("feature-value", value)]}


def _said(feature: str, text: str) -> Json:
    return {"type": fhir.term("device-feature", feature), "valueCode": [fhir.concept(text)]}


def _measured(feature: str, value: Any, unit: str) -> Json:
    return {"type": fhir.term("device-feature", feature), "valueQuantity": [fhir.quantity(value, unit)]}


def _udi(carrier: str) -> Json:
    """Return a UdiCarrier; the GS1 device identifier is the 14 digits behind (01)."""
    gs1 = re.match(r"\(01\)(\d{14})(?!\d)", carrier)
    found = {"deviceIdentifier": gs1[1], "issuer": terms.uri("gs1")} if gs1 else {}
    return {**found, "carrierHRF": carrier}


def _write_use(draft: Draft, prosthesis: Prosthesis) -> None:
    day = prosthesis.delivered_on.isoformat()
    limb = draft.plan.limb
    draft.add(
        "DeviceUseStatement",
        "use",
        filled(
            {
                "identifier": draft.own("use", lasting=True),
                "basedOn": draft.reference("order"),
                "status": "active",
                "subject": draft.subject,
                "timingPeriod": {"start": day},
                "recordedOn": day,
                "source": next(iter(draft.reference("role/0", "patient")), None),
                "device": draft.made["prosthesis"],
                "bodySite": side_concept(limb.side) if limb else None,
            }
        ),
        text=says("Prosthesis in use", ("Since", day), ("Side", limb.side if limb else "")),
    )


def _write_sock(draft: Draft, index: int, sock: Sock) -> Json:
    worn = "over-liner" if sock.over_liner else "on-skin"
    features = [_measured("ply", sock.ply, "{ply}"), _measured("count", sock.count, "1")]
    if sock.material:
        features.append(_said("material", sock.material))
    if sock.band_color:
        features.append(_said("band-color", sock.band_color))
    return _device(
        draft,
        f"sock/{index}",
        {
            "deviceName": [{"name": f"Prosthetic sock, {sock.ply} ply", "type": "user-friendly-name"}],
            "type": fhir.term("device-kind", "sock"),
            "property": [*features, _coded("worn", worn)],
        },
        f"Prosthetic sock, {sock.ply} ply",
        ("How many", str(sock.count)),
        ("Material", sock.material),
        ("Color of the band", sock.band_color),
        ("Worn", terms.display("feature-value", worn)),
    )


def _write_ply(draft: Draft, socks: SockKit) -> Json:
    day = draft.plan.prosthesis.delivered_on if draft.plan.prosthesis else draft.written_on
    limit = {
        "low": fhir.quantity(socks.adjust_at_ply, "{ply}"),
        "type": fhir.term("observation", "adjust-socket"),
    }
    return draft.add(
        "Observation",
        "ply",
        observation(
            draft,
            "ply",
            "exam",
            fhir.term("observation", "ply-at-delivery"),
            day.isoformat() if day else "",
            valueQuantity=fhir.quantity(socks.ply_at_delivery, "{ply}"),
            referenceRange=[limit],
        ),
        text=says(
            "Total sock ply worn at delivery",
            ("Ply", str(socks.ply_at_delivery)),
            ("The socket needs adjusting from", f"{socks.adjust_at_ply} ply"),
        ),
        profile="simple-observation" if draft.plan.patient else "",
    )


def _write_shoes(draft: Draft, shoes: Shoes) -> Json:
    height = shoes.heel_height
    return _device(
        draft,
        "shoes",
        {
            "deviceName": [{"name": shoes.description, "type": "user-friendly-name"}]
            if shoes.description
            else [],
            "type": fhir.term("device-kind", "shoes"),
            "property": [_measured("heel-height", height.value, height.unit)] if height else [],
        },
        "Shoes the leg was set up with",
        ("Shoes", shoes.description),
        ("Heel height", str(height or "")),
    )


# ---------------------------------------------------------------------------------------------- reading


def _kind(device: Node) -> str:
    return device.get("type").code_in("device-kind").value


def _feature(device: Node, feature: str) -> Node:
    found = find(device.items("property"), lambda p: p.get("type").code_in("device-feature").value == feature)
    return next(iter(found), Node(None, ""))


def _code(device: Node, feature: str) -> Read[str]:
    return _feature(device, feature).first("valueCode").code_in("feature-value")


def _measure(device: Node, feature: str, kind: type[Quantity]) -> Read[Any]:
    return _feature(device, feature).first("valueQuantity").quantity(kind) or Read(None)


def _number(device: Node, feature: str, otherwise: int) -> Read[int]:
    found = _feature(device, feature).first("valueQuantity").integer("value")
    return Read(otherwise) if found.value is None else Read(found.value, found.path)


def read_prosthesis(source: Source, devices: list[Node]) -> Read[Prosthesis | None]:
    """Read the prosthesis and its parts from the devices that the plan refers to."""
    for device in devices:
        if _kind(device) != "prosthesis":
            continue
        uses = find(
            source.of_type("DeviceUseStatement"),
            lambda use, device=device: source.points_to(use.get("device"), device),  # type: ignore[misc]
        )
        use = next(iter(uses), Node(None, ""))
        delivered = use.get("timingPeriod").date("start").or_else(use.date("timingDateTime"))
        suspension = _code(device, "suspension")
        fitting = _code(device, "fitting")
        if not delivered or suspension.value not in get_args(SuspensionKind) or not fitting:
            source.skip(
                device, "does not say when it was delivered, how it is held or whether it is the first"
            )
            continue
        own = read_identifiers(device)
        return made(
            Prosthesis,
            delivered_on=delivered,
            identifier=Read(own.value[0], "", _below(own.parts, "[0].")) if own.value else Read(None),
            first=fitting.then(lambda code: code == "first"),
            new_socket=_code(device, "socket-state").then(lambda code: code != "same-socket"),
            suspension=suspension,
            components=listed(
                _read_component(part) for part in devices if _kind(part) in get_args(ComponentKind)
            ),
        )
    return Read(None)


def _below(parts: dict[str, str], head: str) -> dict[str, str]:
    return {place[len(head) :]: path for place, path in parts.items() if place.startswith(head)}


def _read_component(device: Node) -> Read[Component]:
    return made(
        Component,
        kind=device.get("type").code_in("device-kind"),
        name=_device_name(device),
        count=_number(device, "count", 1),
        liner_kind=choice(_code(device, "liner-kind"), get_args(LinerKind), None),
        manufacturer=device.text("manufacturer"),
        model=device.text("modelNumber"),
        serial=device.text("serialNumber"),
        lot=device.text("lotNumber"),
        udi=device.first("udiCarrier").text("carrierHRF"),
        hcpcs=device.get("type").code_in("hcpcs"),
        mass_limit=_measure(device, "mass-limit", PositiveQuantity),
        heel_height=_measure(device, "heel-height", Quantity),
        battery=_code(device, "power").then(lambda code: code == "battery"),
        water_safe=_code(device, "water").then(lambda code: code == "water-safe"),
        replace_by=device.date("expirationDate"),
        warranty_until=device.extension(WARRANTY).date("valueDate"),
    )


def _device_name(device: Node) -> Read[str]:
    return device.first("deviceName").text("name")


def read_socks(devices: list[Node], observations: list[Node]) -> Read[SockKit | None]:
    """Read the socks issued, and the ply worn at delivery."""
    for one in observations:
        if one.get("code").code_in("observation").value != "ply-at-delivery":
            continue
        limits = find(
            one.items("referenceRange"),
            lambda r: r.get("type").code_in("observation").value == "adjust-socket",
        )
        limit = next(iter(limits), Node(None, "")).get("low").integer("value")
        worn = one.get("valueQuantity").integer("value")
        fields: dict[str, Read[Any]] = {
            "socks": listed(_read_sock(device) for device in devices if _kind(device) == "sock"),
            "ply_at_delivery": worn or Read(0),
        }
        return made(SockKit, **fields, **({"adjust_at_ply": limit} if limit else {}))
    return Read(None)


def _read_sock(device: Node) -> Read[Sock]:
    return made(
        Sock,
        ply=_number(device, "ply", 0),
        count=_number(device, "count", 1),
        material=_feature(device, "material").first("valueCode").text("text"),
        band_color=_feature(device, "band-color").first("valueCode").text("text"),
        over_liner=_code(device, "worn").then(lambda code: code != "on-skin"),
    )


def read_shoes(devices: list[Node]) -> Read[Shoes | None]:
    """Read the shoes that the leg was set up with."""
    for device in devices:
        if _kind(device) == "shoes":
            return made(
                Shoes,
                heel_height=_measure(device, "heel-height", PositiveQuantity),
                description=_device_name(device),
            )
    return Read(None)
