"""What every Device of the plan has, and its features: Device.property, both ways.

A feature is a term of ours with a code (``valueCode``), a text (``valueCode.text``) or a number
(``valueQuantity``); R4's Device.property holds nothing else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.located import Node, Read, find
from fhircare.plan import Quantity

if TYPE_CHECKING:
    from decimal import Decimal

Q = TypeVar("Q", bound=Quantity)


def write_device(draft: Draft, key: str, body: Json, title: str, *rows: tuple[str, str]) -> Json:
    """Add a Device of the person and return a reference to it."""
    elements = {
        "identifier": draft.own(key, lasting=True),
        "status": "active",
        **body,
        "patient": draft.subject if "reference" in draft.subject else None,
        "owner": draft.made.get("clinic"),
    }
    # US Core asks for the device identifier of a UDI, and not every barcode shows where it begins.
    known = all(one.get("deviceIdentifier") for one in body.get("udiCarrier") or ())
    return draft.add(
        "Device", key, filled(elements), text=says(title, *rows), profile="device" if known else ""
    )


def named(name: str) -> list[Json]:
    """Return Device.deviceName, empty for no name."""
    return [{"name": name, "type": "user-friendly-name"}] if name else []


def coded(feature: str, code: str) -> Json:
    """Return a feature whose value is a code of ours."""
    return {"type": fhir.term("device-feature", feature), "valueCode": [fhir.term("feature-value", code)]}


def told(feature: str, text: str) -> Json:
    """Return a feature whose value is a text."""
    return {"type": fhir.term("device-feature", feature), "valueCode": [fhir.concept(text)]}


def measured(feature: str, value: Decimal | int, unit: str) -> Json:
    """Return a feature whose value is a number."""
    return {"type": fhir.term("device-feature", feature), "valueQuantity": [fhir.quantity(value, unit)]}


# ---------------------------------------------------------------------------------------------- reading


def device_kind(device: Node) -> str:
    """Return which part of a delivery a Device is, "" for none of ours."""
    return device.get("type").code_in("device-kind").value


def device_name(device: Node) -> Read[str]:
    """Return what a Device is called, "" for no name."""
    return device.first("deviceName").text("name")


def code_of(device: Node, feature: str) -> Read[str]:
    """Return the code of a feature, "" when there is none."""
    return _feature(device, feature).first("valueCode").code_in("feature-value")


def text_of(device: Node, feature: str) -> Read[str]:
    """Return the text of a feature, "" when there is none."""
    return _feature(device, feature).first("valueCode").text("text")


def quantity_of(device: Node, feature: str, kind: type[Q]) -> Read[Any]:
    """Return the quantity of a feature, None when there is none."""
    return _feature(device, feature).first("valueQuantity").quantity(kind) or Read(None)


def number_of(device: Node, feature: str, unit: str, otherwise: int) -> Read[int]:
    """Return the whole number of a feature in this unit, ``otherwise`` when there is none."""
    return in_unit(_feature(device, feature).first("valueQuantity"), unit, otherwise)


def in_unit(quantity: Node, unit: str, otherwise: int) -> Read[int]:
    """Return a whole number in this unit, ``otherwise`` when it is none or in another unit."""
    found = quantity.integer("value")
    if found.value is None or quantity.get("code").value != unit:
        return Read(otherwise)
    return Read(found.value, found.path)


def _feature(device: Node, feature: str) -> Node:
    found = find(device.items("property"), lambda p: p.get("type").code_in("device-feature").value == feature)
    return next(iter(found), Node(None, ""))
