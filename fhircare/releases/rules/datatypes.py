"""Data types: Attachment, Dosage, Meta, Reference, SampledData."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from fhircare.releases.lens import Lens, moved

if TYPE_CHECKING:
    from fhircare.releases.table import Json

CORE = "http://hl7.org/fhir/StructureDefinition/"


def _core_profiles(part: Json) -> Json:
    """Keep the profiles of the standard itself, which both releases have.

    A profile belongs to one release: US Core and our own describe R4, and an R5 resource cannot claim them.
    They are kept on the way, and claimed again when the resource comes home.
    """
    claimed = part.get("profile", [])
    core = [one for one in claimed if isinstance(one, str) and one.startswith(CORE)]
    return {"profile": core} if core and "_profile" not in part else {}


# integer64 is a string in JSON, so that no parser rounds it.
def _size_there(part: Json) -> Json:
    value = part.get("size")
    return part | ({"size": str(value)} if isinstance(value, int) else {})


def _size_back(part: Json) -> Json:
    value = part.get("size")
    return part | ({"size": int(value)} if isinstance(value, str) else {})


_RENAMED_TYPES = (("DeviceUseStatement", "DeviceUsage"), ("RequestGroup", "RequestOrchestration"))


def retyped(address: Any, *, to_r5: bool) -> Any:
    """Return a RESTful address (``DeviceUseStatement/1``) with the type's name in the other release."""
    if isinstance(address, str):
        for mine, theirs in _RENAMED_TYPES:
            before, after = (mine, theirs) if to_r5 else (theirs, mine)
            if before in address:
                return re.sub(rf"(^|/){before}(?=/|\?|$)", rf"\g<1>{after}", address)
    return address


def _address(name: str) -> Lens:
    def way(*, to_r5: bool) -> Any:
        return lambda part: part | {name: retyped(part.get(name), to_r5=to_r5)} if name in part else part

    return Lens((name,), (name,), way(to_r5=True), way(to_r5=False))


def _as_needed_there(part: Json) -> Json:
    found = moved(part, "asNeededBoolean", "asNeeded")
    if "asNeededCodeableConcept" in part:
        found["asNeededFor"] = [part["asNeededCodeableConcept"]]
    return found


def _as_needed_back(part: Json) -> Json:
    if part.get("asNeededFor"):
        return {"asNeededCodeableConcept": part["asNeededFor"][0]}
    return moved(part, "asNeeded", "asNeededBoolean")


def _period_there(part: Json) -> Json:
    found = moved(part, "period", "interval")
    return found | {"intervalUnit": "ms"} if found else {}


def _period_back(part: Json) -> Json:
    return moved(part, "interval", "period") if part.get("intervalUnit") == "ms" else {}


NODES: dict[str, str] = {}

RULES: dict[str, tuple[Lens, ...]] = {
    "Attachment": (Lens(("size",), ("size",), _size_there, _size_back),),
    "Bundle.entry": (_address("fullUrl"),),
    "Bundle.entry.request": (_address("url"),),
    "Bundle.entry.response": (_address("location"),),
    "Dosage": (
        Lens(
            ("asNeededBoolean", "asNeededCodeableConcept"),
            ("asNeeded", "asNeededFor"),
            _as_needed_there,
            _as_needed_back,
        ),
    ),
    "Meta": (Lens(("profile",), ("profile",), _core_profiles, _core_profiles),),
    "Reference": (_address("reference"), _address("type")),
    # SampledData.period is a number of milliseconds; R5 has interval and its unit.
    "SampledData": (Lens(("period",), ("interval", "intervalUnit"), _period_there, _period_back),),
}

CODES: dict[str, dict[str, str]] = {}

FILLS: dict[tuple[str, str], Json] = {}
