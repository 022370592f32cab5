"""Devices and their use: Device, DeviceUseStatement (R5: DeviceUsage).

R5's Device has no patient; who wears it is a DeviceAssociation, another resource (``whole``). Where that
cannot be, ``patient`` is kept.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.releases.lens import Lens, joined, listed, renamed, wrapped

if TYPE_CHECKING:
    from fhircare.releases.table import Json


def _value_there(part: Json) -> Json:
    """Return the first value: R5 has one a property, R4 any number."""
    quantities, codes = listed(part.get("valueQuantity")), listed(part.get("valueCode"))
    if quantities:
        return {"valueQuantity": quantities[0]}
    return {"valueCodeableConcept": codes[0]} if codes else {}


def _value_back(part: Json) -> Json:
    if "valueQuantity" in part:
        return {"valueQuantity": [part["valueQuantity"]]}
    return {"valueCode": [part["valueCodeableConcept"]]} if "valueCodeableConcept" in part else {}


NODES = {
    "DeviceUseStatement": "DeviceUsage",
    "Device.deviceName": "Device.name",
    "Device.specialization": "Device.conformsTo",
}

RULES: dict[str, tuple[Lens, ...]] = {
    "Device": (renamed("deviceName", "name"), renamed("specialization", "conformsTo")),
    "Device.deviceName": (renamed("name", "value"),),
    "Device.specialization": (renamed("systemType", "specification"),),
    "Device.property": (
        Lens(
            ("valueQuantity", "valueCode"),
            ("valueQuantity", "valueCodeableConcept"),
            _value_there,
            _value_back,
        ),
    ),
    "DeviceUseStatement": (
        renamed("subject", "patient"),
        renamed("recordedOn", "dateAsserted"),
        renamed("source", "informationSource"),
        wrapped("device", "device", "reference", many_r4=False, many_r5=False),
        joined("reasonCode", "reasonReference", "reason"),
    ),
}

CODES = {
    "Device.deviceName.type": {
        # The first of those that share an R5 code is what that code comes home as.
        "manufacturer-name": "registered-name",
        "udi-label-name": "registered-name",
        "user-friendly-name": "user-friendly-name",
        "model-name": "user-friendly-name",
        "other": "user-friendly-name",
    },
}

FILLS: dict[tuple[str, str], Json] = {}
