"""The socks issued and the shoes the leg was set up with, both ways.

==============================  ========================================================================
plan                            FHIR
==============================  ========================================================================
socks.socks[]                   Device of kind sock, with properties ply, count, material, band-color, worn
socks.ply_at_delivery           Observation ply-at-delivery
socks.adjust_at_ply             its referenceRange of type adjust-socket
shoes                           Device of kind shoes: deviceName, property heel-height
==============================  ========================================================================

They are no part of the prosthesis: they have no ``parent``. Without the Observation there is no sock kit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.feature import (
    code_of,
    coded,
    device_kind,
    device_name,
    in_unit,
    measured,
    named,
    number_of,
    quantity_of,
    text_of,
    told,
    write_device,
)
from fhircare.bundle.limb import observation
from fhircare.bundle.located import Node, Read, find, listed, made
from fhircare.plan import PositiveQuantity, Shoes, Sock, SockKit
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.datatypes import Json


def write_socks(draft: Draft) -> list[Json]:
    """Add the socks, the ply worn at delivery and the shoes; return references in the plan's order."""
    added: list[Json] = []
    if draft.plan.socks:
        added += [_write_sock(draft, i, sock) for i, sock in enumerate(draft.plan.socks.socks)]
        added.append(_write_ply(draft, draft.plan.socks))
    if draft.plan.shoes:
        added.append(_write_shoes(draft, draft.plan.shoes))
    return added


def _write_sock(draft: Draft, index: int, sock: Sock) -> Json:
    worn = "over-liner" if sock.over_liner else "on-skin"
    features = [measured("ply", sock.ply, "{ply}"), measured("count", sock.count, "1")]
    if sock.material:
        features.append(told("material", sock.material))
    if sock.band_color:
        features.append(told("band-color", sock.band_color))
    return write_device(
        draft,
        f"sock/{index}",
        {
            "deviceName": named(f"Prosthetic sock, {sock.ply} ply"),
            "type": fhir.term("device-kind", "sock"),
            "property": [*features, coded("worn", worn)],
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
        profile="simple-observation",
    )


def _write_shoes(draft: Draft, shoes: Shoes) -> Json:
    height = shoes.heel_height
    return write_device(
        draft,
        "shoes",
        {
            "deviceName": named(shoes.description),
            "type": fhir.term("device-kind", "shoes"),
            "property": [measured("heel-height", height.value, height.unit)] if height else [],
        },
        "Shoes the leg was set up with",
        ("Shoes", shoes.description),
        ("Heel height", str(height or "")),
    )


# ---------------------------------------------------------------------------------------------- reading


def read_socks(devices: list[Node], observations: list[Node]) -> Read[SockKit | None]:
    """Read the socks issued, and the ply worn at delivery."""
    for one in observations:
        if one.get("code").code_in("observation").value != "ply-at-delivery":
            continue
        limits = find(
            one.items("referenceRange"),
            lambda r: r.get("type").code_in("observation").value == "adjust-socket",
        )
        limit = in_unit(next(iter(limits), Node(None, "")).get("low"), "{ply}", 0)
        return made(
            SockKit,
            socks=listed(_read_sock(device) for device in devices if device_kind(device) == "sock"),
            ply_at_delivery=in_unit(one.get("valueQuantity"), "{ply}", 0),
            adjust_at_ply=limit or Read(SockKit().adjust_at_ply),
        )
    return Read(None)


def _read_sock(device: Node) -> Read[Sock]:
    return made(
        Sock,
        ply=number_of(device, "ply", "{ply}", 0),
        count=number_of(device, "count", "1", 1),
        material=text_of(device, "material"),
        band_color=text_of(device, "band-color"),
        over_liner=code_of(device, "worn").then(lambda code: code != "on-skin"),
    )


def read_shoes(devices: list[Node]) -> Read[Shoes | None]:
    """Read the shoes that the leg was set up with."""
    for device in devices:
        if device_kind(device) == "shoes":
            return made(
                Shoes,
                heel_height=quantity_of(device, "heel-height", PositiveQuantity),
                description=device_name(device),
            )
    return Read(None)
