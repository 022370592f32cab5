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
==============================  ========================================================================

A shrinker is no part of the prosthesis: it has no ``parent``. Socks and shoes are in ``socks``.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.clinic import read_identifiers
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.feature import (
    code_of,
    coded,
    device_kind,
    device_name,
    measured,
    named,
    number_of,
    quantity_of,
    write_device,
)
from fhircare.bundle.identity import BASE
from fhircare.bundle.limb import side_concept
from fhircare.bundle.located import Node, Read, choice, listed, made
from fhircare.plan import Component, PositiveQuantity, Prosthesis, Quantity
from fhircare.plan.device import ComponentKind, LinerKind, SuspensionKind
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.source import Source

WARRANTY = f"{BASE}/StructureDefinition/warranty-until"
"""Ours, on Device: R4 has no element for it, and Device.property holds no date."""


def write_devices(draft: Draft) -> list[Json]:
    """Add the prosthesis and its parts; return references in the plan's order."""
    plan = draft.plan
    added: list[Json] = []
    if plan.prosthesis:
        added.append(_write_prosthesis(draft, plan.prosthesis))
        added += [_write_component(draft, i, part) for i, part in enumerate(plan.prosthesis.components)]
        _write_use(draft, plan.prosthesis)
    return added


def _write_prosthesis(draft: Draft, prosthesis: Prosthesis) -> Json:
    limb = draft.plan.limb
    name = f"Prosthesis, {limb.side} leg, {limb.level.replace('-', ' ')}" if limb else "Leg prosthesis"
    given = fhir.identifiers([prosthesis.identifier] if prosthesis.identifier else [])
    features = [
        coded("fitting", "first" if prosthesis.first else "replacement"),
        coded("socket-state", "new-socket" if prosthesis.new_socket else "same-socket"),
        coded("suspension", prosthesis.suspension),
    ]
    return write_device(
        draft,
        "prosthesis",
        {
            "identifier": given + draft.own("prosthesis", lasting=True),
            "deviceName": named(name),
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
    return write_device(
        draft,
        f"component/{index}",
        {
            "extension": [fhir.extension(WARRANTY, "Date", warranty)] if warranty else [],
            "udiCarrier": [_udi(part.udi)] if part.udi else [],
            "manufacturer": part.manufacturer,
            "expirationDate": part.replace_by and part.replace_by.isoformat(),
            "lotNumber": part.lot,
            "serialNumber": part.serial,
            "deviceName": named(part.name),
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
        found.append(measured("count", part.count, "1"))
    if part.liner_kind:
        found.append(coded("liner-kind", part.liner_kind))
    if part.mass_limit:
        found.append(measured("mass-limit", part.mass_limit.value, part.mass_limit.unit))
    if part.heel_height:
        found.append(measured("heel-height", part.heel_height.value, part.heel_height.unit))
    if part.battery:
        found.append(coded("power", "battery"))
    if part.water_safe:
        found.append(coded("water", "water-safe"))
    return found


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


# ---------------------------------------------------------------------------------------------- reading


def read_prosthesis(source: Source, devices: list[Node], patient: Node | None) -> Read[Prosthesis | None]:
    """Read the prosthesis and its parts from the devices of the plan, and its use by the person."""
    for device in devices:
        if device_kind(device) != "prosthesis":
            continue
        use = next((one for one in _uses(source, device, patient)), Node(None, ""))
        delivered = use.get("timingPeriod").date("start").or_else(use.date("timingDateTime"))
        suspension = code_of(device, "suspension")
        fitting = code_of(device, "fitting")
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
            new_socket=code_of(device, "socket-state").then(lambda code: code != "same-socket"),
            suspension=suspension,
            components=listed(
                _read_component(part) for part in devices if device_kind(part) in get_args(ComponentKind)
            ),
        )
    return Read(None)


def _uses(source: Source, device: Node, patient: Node | None) -> list[Node]:
    return [
        use
        for use in source.of_type("DeviceUseStatement")
        if use.word("status") in {"active", "on-hold"}
        and source.points_to(use.get("device"), device)
        and (patient is None or source.points_to(use.get("subject"), patient))
    ]


def _below(parts: dict[str, str], head: str) -> dict[str, str]:
    return {place[len(head) :]: path for place, path in parts.items() if place.startswith(head)}


def _read_component(device: Node) -> Read[Component]:
    return made(
        Component,
        kind=device.get("type").code_in("device-kind"),
        name=device_name(device),
        count=number_of(device, "count", "1", 1),
        liner_kind=choice(code_of(device, "liner-kind"), get_args(LinerKind), None),
        manufacturer=device.text("manufacturer"),
        model=device.text("modelNumber"),
        serial=device.text("serialNumber"),
        lot=device.text("lotNumber"),
        udi=device.first("udiCarrier").text("carrierHRF"),
        hcpcs=device.get("type").code_in("hcpcs"),
        mass_limit=quantity_of(device, "mass-limit", PositiveQuantity),
        heel_height=quantity_of(device, "heel-height", Quantity),
        battery=code_of(device, "power").then(lambda code: code == "battery"),
        water_safe=code_of(device, "water").then(lambda code: code == "water-safe"),
        replace_by=device.date("expirationDate"),
        warranty_until=device.extension(WARRANTY).date("valueDate"),
    )
