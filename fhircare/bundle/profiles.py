"""Which of our own profiles a resource claims (``fhircare/profiles``): one table, asked as it is written.

============================  ==========================================================================
profile                       resource
============================  ==========================================================================
prosthetic-delivery-plan      CarePlan of our kind, with days and activities
prosthesis-component          Device: a part of a prosthesis, or a shrinker
break-in-session              ServiceRequest wear-session
limb-girth                    Observation girth, in a unit of length that the profile lists
limb-skin                     Observation limb-skin, with its day
sock-ply                      Observation ply-at-delivery or sock-ply, a whole number of ply
day-log-form                  Questionnaire day-log
============================  ==========================================================================

A claim is made only where the resource bears it out: what a plan may leave open (the days, a unit) is looked
at here. ``fhircare.check`` proves the rest on every bundle.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from fhircare.bundle.identity import BASE
from fhircare.spec import terms

if TYPE_CHECKING:
    from collections.abc import Mapping

PROFILES = f"{BASE}/StructureDefinition/"
_PARTS = {"socket", "liner", "suspension", "knee", "foot", "shrinker", "cover", "other"}
_LENGTHS = {"cm", "mm", "[in_i]"}
_CODED = {
    ("activity", "wear-session"): "break-in-session",
    ("observation", "girth"): "limb-girth",
    ("observation", "limb-skin"): "limb-skin",
    ("observation", "ply-at-delivery"): "sock-ply",
    ("measure", "sock-ply"): "sock-ply",
}


def profile_of(resource: Mapping[str, Any]) -> str:
    """Return the name of our profile that a resource written here keeps, "" for none."""
    kind = resource["resourceType"]
    if kind == "CarePlan":
        return "prosthetic-delivery-plan" if resource.get("period") and resource.get("activity") else ""
    if kind == "Device":
        return "prosthesis-component" if _code(resource["type"], "device-kind") in _PARTS else ""
    if kind == "Questionnaire":
        return "day-log-form" if resource.get("url") == f"{BASE}/Questionnaire/day-log" else ""
    if kind not in {"ServiceRequest", "Observation"}:
        return ""
    codings = resource.get("code", {}).get("coding", ())
    name = next((name for one in codings if (name := _coded().get((one.get("system"), one.get("code"))))), "")
    return name if _bears_out(resource, name) else ""


def claims(resource: Mapping[str, Any]) -> list[str]:
    """Return what a resource adds to ``meta.profile``: our profile that it keeps, in a list."""
    name = profile_of(resource)
    return [PROFILES + name] if name else []


@cache
def _coded() -> dict[tuple[str, str], str]:
    return {(terms.uri(system), code): name for (system, code), name in _CODED.items()}


def _code(concept: Mapping[str, Any], system: str) -> str:
    uri = terms.uri(system)
    return next((str(one.get("code")) for one in concept.get("coding", ()) if one.get("system") == uri), "")


def _bears_out(resource: Mapping[str, Any], name: str) -> bool:
    """Tell whether an observation has its day, and its number the unit that the profile asks for."""
    if resource["resourceType"] != "Observation":
        return True
    quantity = resource.get("valueQuantity", {})
    unit, value = quantity.get("code"), quantity.get("value")
    if name == "limb-girth" and unit not in _LENGTHS:
        return False
    if name == "sock-ply" and (unit != "{ply}" or value is None or value < 0 or value != int(value)):
        return False
    return bool(resource.get("effectiveDateTime"))
