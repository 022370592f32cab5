"""Vital signs: R4 asks of every Observation with one of these LOINC codes what its vital-signs profiles ask.

https://hl7.org/fhir/R4/observation-vitalsigns.html; codes and units are those of the profiles ``bodyweight``,
``bodyheight``, ``bmi``, ``bp`` and so on in HL7's R4 package, and of their value sets
(``ucum-bodyweight`` ...). What is found is a warning: the resource need not claim the profile, and is a
valid Observation without it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.check.path import Path
    from fhircare.check.walk import Walk

PAGE = "https://hl7.org/fhir/R4/observation-vitalsigns.html"
LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
CATEGORY = ("http://terminology.hl7.org/CodeSystem/observation-category", "vital-signs")
_LENGTH, _PRESSURE = ("cm", "[in_i]"), ("mm[Hg]",)
# LOINC code: the units its value may have; () where it has no value of its own.
UNITS: dict[str, tuple[str, ...]] = {
    "29463-7": ("kg", "[lb_av]", "g"),
    "8302-2": _LENGTH,
    "9843-4": _LENGTH,
    "39156-5": ("kg/m2",),
    "8310-5": ("Cel", "[degF]"),
    "8867-4": ("/min",),
    "9279-1": ("/min",),
    "2708-6": ("%",),
    "8480-6": _PRESSURE,
    "8462-4": _PRESSURE,
    "85354-9": (),
    "85353-1": (),
}
_OF_COMPONENTS = frozenset({"8480-6", "8462-4"})

RULES = {
    "vital.category": "A vital sign has the category vital-signs.",
    "vital.subject": "A vital sign says whose it is.",
    "vital.effective": "A vital sign says when it was measured.",
    "vital.unit": "This vital sign has another unit.",
    "vs-1": "If a time is given, it must be at least to the day.",
    "vs-2": "A vital sign without components or members has a value or says why there is none.",
    "vs-3": "A component has a value or says why there is none.",
}


def observation_extra(o: dict[str, Any], p: Path, w: Walk) -> None:
    """Hold an Observation with a vital sign's code to R4's profile."""
    code = _vital(o)
    if not code or code in _OF_COMPONENTS:
        return
    for place, rule, mend in _missing(o, p, code):
        w.say(place, "warning", "business-rule", rule, RULES[rule], mend, PAGE)
    _unit(o, p, w, code)
    components = o.get("component")
    for index, part in enumerate(components if isinstance(components, list) else ()):
        if isinstance(part, dict):
            at = ((p, "component"), index)
            _unit(part, at, w, _vital(part))
            if not _has_value(part):
                w.say(
                    at,
                    "warning",
                    "business-rule",
                    "vs-3",
                    RULES["vs-3"],
                    "Add a value or dataAbsentReason.",
                    PAGE,
                )


def _vital(o: dict[str, Any]) -> str:
    """Return the LOINC code of a vital sign, "" when it is none."""
    concept = o.get("code")
    codings = concept.get("coding") if isinstance(concept, dict) else None
    for coding in codings if isinstance(codings, list) else ():
        if isinstance(coding, dict) and coding.get("system") == LOINC:
            code = coding.get("code")
            if isinstance(code, str) and code in UNITS:
                return code
    return ""


def _has_value(o: dict[str, Any]) -> bool:
    return any(key.startswith(("value", "_value", "dataAbsentReason")) for key in o)


def _missing(o: dict[str, Any], p: Path, code: str) -> Iterator[tuple[Path, str, str]]:
    """Yield place, rule and mend of what the profile asks and the Observation lacks."""
    categories = o.get("category")
    codings = [
        coding
        for category in (categories if isinstance(categories, list) else ())
        if isinstance(category, dict) and isinstance(category.get("coding"), list)
        for coding in category["coding"]
        if isinstance(coding, dict)
    ]
    if not any((coding.get("system"), coding.get("code")) == CATEGORY for coding in codings):
        yield (p, "category"), "vital.category", f"Add a category {CATEGORY[1]} of {CATEGORY[0]}."
    if "subject" not in o:
        yield (p, "subject"), "vital.subject", "Add subject."
    moment = o.get("effectiveDateTime")
    if moment is None and "effectivePeriod" not in o and "_effectiveDateTime" not in o:
        yield (p, "effective"), "vital.effective", "Add effectiveDateTime or effectivePeriod."
    elif isinstance(moment, str) and len(moment) < len("2026-01-01"):
        yield (p, "effectiveDateTime"), "vs-1", "Give the day."
    if code and "component" not in o and "hasMember" not in o and not _has_value(o):
        yield p, "vs-2", "Add a value, components, or dataAbsentReason."


def _unit(o: dict[str, Any], p: Path, w: Walk, code: str) -> None:
    """The value of a vital sign has one of the units of its profile."""
    value, allowed = o.get("valueQuantity"), UNITS.get(code, ())
    if not allowed or not isinstance(value, dict) or "value" not in value:
        return
    unit = value.get("code")
    if value.get("system") != UCUM or unit not in allowed:
        mend = f"One of these UCUM units: {', '.join(allowed)}."
        w.say(
            ((p, "valueQuantity"), "code"),
            "warning",
            "business-rule",
            "vital.unit",
            RULES["vital.unit"],
            mend,
            PAGE,
        )
