"""The residual limb, the risks and how the person lives, both ways.

======================================  ================================================================
plan                                    FHIR
======================================  ================================================================
limb.side                               Condition.bodySite (SNOMED CT left, right)
limb.level                              Condition.code, ours beside ICD-10-CM and SNOMED CT
limb.amputated_on                       Condition.onsetDateTime
limb.cause                              Condition, HL7's ``condition-dueTo`` extension
limb.skin                               Observation limb-skin, one component each
limb.protective_sensation               Observation protective-sensation; not tested is dataAbsentReason
limb.measurements[].on, .reference      Observation limb-measurement: effectiveDateTime, method.text
limb.measurements[].circumferences[]    Observation girth each, with component girth-height; hasMember
risks[]                                 Condition each, our code
circumstances[]                         Observation each (social history), valueBoolean true
======================================  ================================================================

ICD-10-CM Z89.61- excludes absence from birth, so neither it nor the SNOMED CT finding is claimed for that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import Json, filled
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.located import Node, Read, choice, listed, made
from fhircare.plan import Circumference, Circumstance, Limb, LimbMeasurement, PositiveQuantity, Quantity, Risk
from fhircare.plan.device import Cause, LimbLevel, LimbSkin, Sensation, Side
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.bundle.source import Source

DUE_TO = "http://hl7.org/fhir/StructureDefinition/condition-dueTo"
SIDES = {"left": "7771000", "right": "24028007"}
_ICD = {"left": "Z89.612", "right": "Z89.611"}


def side_concept(side: str) -> Json:
    """Return the side as a body site."""
    return fhir.concept(side.capitalize(), terms.coding("sct", SIDES[side]))


def write_conditions(draft: Draft) -> list[Json]:
    """Add the limb's condition and the risks; return references, the limb first."""
    added = []
    if draft.plan.limb:
        added.append(_write_limb(draft, draft.plan.limb))
    profile = "condition-problems-health-concerns"
    for risk in draft.plan.risks:
        key = draft.key("risk", risk)
        body = _condition(draft, key, fhir.term("risk", risk))
        added.append(
            draft.add("Condition", key, body, text=says(terms.display("risk", risk)), profile=profile)
        )
    return added


def _write_limb(draft: Draft, limb: Limb) -> Json:
    codings = [terms.coding("limb-level", limb.level)]
    if limb.level == "above-knee" and limb.cause != "congenital":
        codings += [terms.coding("icd10cm", _ICD[limb.side]), terms.coding("sct", "299647001")]
    level = terms.display("limb-level", limb.level).lower()
    return draft.add(
        "Condition",
        "limb",
        {
            "extension": [fhir.extension(DUE_TO, "CodeableConcept", fhir.term("limb-cause", limb.cause))],
            **_condition(draft, "limb", fhir.concept(f"Limb ends {level}, {limb.side}", *codings)),
            **filled(
                {
                    "bodySite": [side_concept(limb.side)],
                    "onsetDateTime": limb.amputated_on and limb.amputated_on.isoformat(),
                }
            ),
        },
        text=says(
            f"Residual limb, {limb.side}, {level}",
            ("Amputated on", limb.amputated_on.isoformat() if limb.amputated_on else ""),
            ("Cause", terms.display("limb-cause", limb.cause)),
        ),
        profile="condition-problems-health-concerns",
    )


def _condition(draft: Draft, key: str, code: Json) -> Json:
    return filled(
        {
            "identifier": draft.own(key, lasting=True),
            "clinicalStatus": fhir.concept("", terms.coding("condition-clinical", "active")),
            "verificationStatus": fhir.concept("", terms.coding("condition-ver-status", "confirmed")),
            "category": [fhir.concept("", terms.coding("condition-category", "problem-list-item"))],
            "code": code,
            "subject": draft.subject,
            "recordedDate": draft.written_on and draft.written_on.isoformat(),
        }
    )


def observation(draft: Draft, key: str, category: str, code: Json, on: str, **body: Any) -> Json:
    """Return the elements of an Observation about the person."""
    return filled(
        {
            "identifier": draft.own(key, lasting=True),
            "status": "final",
            "category": [fhir.concept("", terms.coding("observation-category", category))],
            "code": code,
            "subject": draft.subject,
            "effectiveDateTime": on,
            **body,
        }
    )


def write_observations(draft: Draft) -> list[Json]:
    """Add what was observed of the limb and of how the person lives; return references."""
    profile = "simple-observation"
    added: list[Json] = []
    if draft.plan.limb:
        added += [
            _write_skin(draft, draft.plan.limb, profile),
            _write_sensation(draft, draft.plan.limb, profile),
            *(_write_girths(draft, taken, draft.plan.limb.side) for taken in draft.plan.limb.measurements),
        ]
    for lives in draft.plan.circumstances:
        key = draft.key("circumstance", lives)
        code = fhir.term("circumstance", lives)
        body = observation(draft, key, "social-history", code, _seen_on(draft), valueBoolean=True)
        said = says(terms.display("circumstance", lives), ("Applies", "yes"))
        added.append(draft.add("Observation", key, body, text=said, profile=profile))
    return added


def _seen_on(draft: Draft) -> str:
    day = draft.plan.prosthesis.delivered_on if draft.plan.prosthesis else draft.written_on
    return day.isoformat() if day else ""


def _write_skin(draft: Draft, limb: Limb, profile: str) -> Json:
    found = [
        {"code": _code("limb-skin"), "valueCodeableConcept": fhir.term("limb-skin", skin)}
        for skin in limb.skin
    ]
    return draft.add(
        "Observation",
        "limb-skin",
        observation(
            draft,
            "limb-skin",
            "exam",
            _code("limb-skin"),
            _seen_on(draft),
            bodySite=side_concept(limb.side),
            component=found,
        ),
        text=says(
            "Skin of the residual limb", *(("", terms.display("limb-skin", skin)) for skin in limb.skin)
        ),
        profile=profile,
    )


def _write_sensation(draft: Draft, limb: Limb, profile: str) -> Json:
    felt = limb.protective_sensation
    if felt == "not-tested":
        value = {
            "dataAbsentReason": fhir.concept(
                "Not tested", terms.coding("data-absent-reason", "not-performed")
            )
        }
    else:
        value = {"valueCodeableConcept": fhir.term("protective-sensation", felt)}
    return draft.add(
        "Observation",
        "protective-sensation",
        observation(
            draft,
            "protective-sensation",
            "exam",
            _code("protective-sensation"),
            _seen_on(draft),
            **value,
            bodySite=side_concept(limb.side),
        ),
        text=says("Protective sensation of the residual limb", ("Found", felt)),
        profile=profile,
    )


def _write_girths(draft: Draft, taken: LimbMeasurement, side: str) -> Json:
    profile = "simple-observation"
    day = taken.on.isoformat()
    members = []
    for one in taken.circumferences:
        key = draft.key("girth", day, str(one.height.value))
        height = {
            "code": _code("girth-height"),
            "valueQuantity": fhir.quantity(one.height.value, one.height.unit),
        }
        body = observation(
            draft,
            key,
            "exam",
            _code("girth"),
            day,
            valueQuantity=fhir.quantity(one.girth.value, one.girth.unit),
            bodySite=side_concept(side),
            component=[height],
        )
        said = says(f"Circumference {one.girth}", ("Below the reference point", str(one.height)), ("On", day))
        members.append(draft.add("Observation", key, body, text=said, profile=profile))
    key = draft.key("limb-measurement", day)
    body = observation(
        draft,
        key,
        "exam",
        _code("limb-measurement"),
        day,
        bodySite=side_concept(side),
        method=fhir.concept(taken.reference),
        hasMember=members,
    )
    rows = ((f"{one.height} below", str(one.girth)) for one in taken.circumferences)
    said = says("Circumferences of the residual limb", ("On", day), ("Counted from", taken.reference), *rows)
    return draft.add("Observation", key, body, text=said, profile=profile)


def _code(code: str) -> Json:
    return fhir.term("observation", code)


# ---------------------------------------------------------------------------------------------- reading


def read_limb(source: Source, conditions: list[Node], observations: list[Node]) -> Read[Limb | None]:
    """Read the limb from the plan's conditions and the observations it refers to."""
    for condition in conditions:
        side = read_side(condition.first("bodySite")) if condition.get("bodySite") else _coded_side(condition)
        level = condition.get("code").code_in("limb-level") or _coded_level(condition)
        if side is None or level.value not in get_args(LimbLevel):
            continue
        cause = condition.extension(DUE_TO).get("valueCodeableConcept").code_in("limb-cause")
        return made(
            Limb,
            side=side,
            level=level,
            amputated_on=condition.date("onsetDateTime"),
            cause=choice(cause, get_args(Cause), "unknown"),
            skin=_read_skin(observations),
            protective_sensation=_read_sensation(observations),
            measurements=listed(
                _read_girths(source, one)
                for one in observations
                if _is(one, "limb-measurement") and one.date("effectiveDateTime")
            ),
        )
    return Read(None)


def _coded_level(condition: Node) -> Read[str]:
    """Return above-knee for a condition that only a public code tells."""
    code = condition.get("code")
    known = code.code_in("icd10cm")
    if known.value in _ICD.values():
        return Read("above-knee", known.path)
    found = code.code_in("sct")
    return Read("above-knee", found.path) if found.value == "299647001" else Read("")


def _coded_side(condition: Node) -> Read[Side] | None:
    known = condition.get("code").code_in("icd10cm")
    for side in get_args(Side):
        if known.value == _ICD[side]:
            return Read(side, known.path)
    return None


def read_side(site: Node) -> Read[Side] | None:
    """Return the side that a body site names, None when it names none."""
    found = site.code_in("sct")
    for side in get_args(Side):
        if found.value == SIDES[side]:
            return Read(side, found.path)
    return None


def _is(one: Node, code: str) -> bool:
    return one.get("code").code_in("observation").value == code


def _read_skin(observations: list[Node]) -> Read[tuple[LimbSkin, ...]]:
    return listed(
        choice(skin, get_args(LimbSkin), None)
        for one in observations
        if _is(one, "limb-skin")
        for part in one.items("component")
        if part.get("code").code_in("observation").value == "limb-skin"
        and (skin := part.get("valueCodeableConcept").code_in("limb-skin")).value in get_args(LimbSkin)
    )


def _read_sensation(observations: list[Node]) -> Read[Sensation]:
    for one in observations:
        if _is(one, "protective-sensation"):
            absent = one.get("dataAbsentReason").code_in("data-absent-reason")
            if absent.value == "not-performed":
                return Read("not-tested", absent.path)
            felt = one.get("valueCodeableConcept").code_in("protective-sensation")
            return choice(felt, get_args(Sensation), "not-tested")
    return Read("not-tested")


def _read_girths(source: Source, panel: Node) -> Read[LimbMeasurement]:
    members = [one for one in source.follow(panel.items("hasMember")) if _is(one, "girth")]
    return made(
        LimbMeasurement,
        on=panel.date("effectiveDateTime"),
        reference=panel.get("method").said(),
        circumferences=listed(girth for one in members if (girth := _read_girth(one))),
    )


def _read_girth(one: Node) -> Read[Circumference] | None:
    girth = one.get("valueQuantity").quantity(PositiveQuantity)
    heights = [
        height
        for part in one.items("component")
        if part.get("code").code_in("observation").value == "girth-height"
        and (height := part.get("valueQuantity").quantity(Quantity))
    ]
    return made(Circumference, height=heights[0], girth=girth) if girth and heights else None


def read_risks(conditions: list[Node]) -> Read[tuple[Risk, ...]]:
    """Read the risks among the plan's conditions, in order."""
    return listed(
        risk
        for condition in conditions
        if (risk := choice(condition.get("code").code_in("risk"), get_args(Risk), None))
    )


def read_circumstances(observations: list[Node]) -> Read[tuple[Circumstance, ...]]:
    """Read how the person lives, in order; what does not apply is left out."""
    return listed(
        lives
        for one in observations
        if one.get("valueBoolean").value is True
        and (lives := choice(one.get("code").code_in("circumstance"), get_args(Circumstance), None))
    )
