"""Socks: the guide adds up, uses only what was issued, and the limit is one number."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from fhircare.check.safety.raw import amount, code_of, items, obj

if TYPE_CHECKING:
    from fhircare.check.gather import ResourceScope
    from fhircare.check.safety.held import Detail, Held


def check_socks(held: Held) -> None:
    """Check the sock guide against the socks issued, and the ply worn against its limit."""
    issued = _issued(held)
    for request in held.of_kind("sock-guide"):
        guide = [one for one in held.details(request) if one.system == "detail" and one.code == "socks"]
        totals = [one.number("total-ply") for one in guide]
        for one in guide:
            _layers(held, one, issued)
        known = [total for total in totals if total is not None]
        if known != sorted(set(known)) or len(known) < len(totals):
            held.say("socks.order", (request.path, "orderDetail"))
    limit = _ply(held)
    for request in held.of_kind("warning-signs"):
        for one in held.details(request):
            if one.code == "ply-at-limit" and limit is not None and one.number("limit") != limit:
                held.say("socks.limit-differs", one.place("limit"))


def _issued(held: Held) -> Counter[float | int]:
    found: Counter[float | int] = Counter()
    for one in held.support:
        if one.type != "Device" or code_of(one.resource.get("type"), "device-kind") != "sock":
            continue
        ply, count = _property(one, "ply"), _property(one, "count")
        if ply is not None and count is not None:
            found[ply] += int(count)
    return found


def _property(device: ResourceScope, code: str) -> float | int | None:
    for _, one in items(device.resource, "property"):
        if code_of(one.get("type"), "device-feature") == code:
            for _, quantity in items(one, "valueQuantity"):
                return amount(quantity)
            return amount(obj(one, "valueQuantity"))
    return None


def _layers(held: Held, one: Detail, issued: Counter[float | int]) -> None:
    total = one.number("total-ply")
    layers = [amount(layer.value) for layer in one.values.get("layer", ()) if isinstance(layer.value, dict)]
    known = [layer for layer in layers if layer is not None]
    possible = not any(value.value is False for value in one.values.get("possible", ()))
    if (
        possible == (not known and total != 0)
        or (possible and sum(known) != total)
        or len(known) < len(layers)
    ):
        held.say("socks.sum", one.place("total-ply"))
    if Counter(known) - issued:
        held.say("socks.issued", one.path)


def _ply(held: Held) -> Any:
    """Return the ply from which the socket needs adjusting, as the observation at delivery says it."""
    for one in held.support:
        if code_of(one.resource.get("code"), "observation") != "ply-at-delivery":
            continue
        worn = amount(obj(one.resource, "valueQuantity"))
        for index, told in items(one.resource, "referenceRange"):
            limit = amount(obj(told, "low"))
            if worn is None or limit is None or worn < 0:
                held.say("socks.ply", one.path)
            elif worn >= limit:
                held.say("socks.limit", ((((one.path, "referenceRange"), index)), "low"))
            return limit
        held.say("socks.ply", one.path)
    return None
