"""What is true of this record, as short words that the tables of tasks, advice and signs choose by.

A fact is a word such as ``shrinker`` or ``risk=diabetes``. A row of a table applies when all its conditions
hold: ``"a|b"`` holds when either fact does, ``"!a"`` when the fact does not. Every word that may stand in a
table is listed here, so that a misspelt one is found when the table is read and not when it fails to apply.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, get_args

from fhircare.plan import Circumstance, Risk
from fhircare.plan.device import Cause, LimbSkin, LinerKind, Sensation, Side, SuspensionKind

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator, Mapping

    from fhircare.delivery import DeliveryRecord

Facts = frozenset[str]

_PLAIN: Final[Mapping[str, str]] = {
    "first": "a first prosthesis",
    "not-first": "prostheses were worn before",
    "new-socket": "a new socket",
    "first-with-swelling": "a first prosthesis with swelling",
    "after-break": "a long break from wear",
    "young-limb": "a limb that is not mature",
    "liner": "a liner",
    "two-liners": "two liners",
    "shrinker": "a shrinker",
    "battery": "a battery",
    "water-safe": "all parts are safe in water",
    "mass-limit": "a limit of body weight",
    "heel-height": "a known heel height",
    "socks": "socks",
    "socks-over-liner": "socks over the liner",
    "socks-on-skin": "socks on the skin",
    "therapist": "a physical therapist",
    "caregiver": "someone helps at home",
    "after-hours-phone": "an after-hours number",
}

_WORDS: Final[Mapping[str, str]] = {
    "sensation=reduced": "reduced protective sensation",
    "sensation=absent": "absent protective sensation",
    "sensation=not-tested": "protective sensation was not tested",
    "skin=fragile-scar": "a fragile scar",
    "skin=adherent-scar": "an adherent scar",
    "skin=skin-graft": "a skin graft",
    "skin=healed-wound": "a healed wound",
    "cause=diabetes": "amputation because of diabetes",
    "cause=vascular": "amputation because of vascular disease",
    "risk=vascular-disease": "vascular disease",
    "risk=kidney-disease": "kidney disease",
    "risk=falls": "falls",
    "risk=low-vision": "low vision",
    "risk=memory": "memory trouble",
    "risk=swelling": "swelling",
    "suspension=seal-in-suction": "suction with a seal-in liner",
    "suspension=skin-fit-suction": "suction on the skin",
    "suspension=elevated-vacuum": "elevated vacuum",
    "liner=locking-pin": "a locking pin",
    "liner=lanyard": "a lanyard",
}

KNOWN: Final[Facts] = frozenset(_PLAIN) | frozenset(
    f"{kind}={value}"
    for kind, values in {
        "risk": get_args(Risk),
        "lives": get_args(Circumstance),
        "side": get_args(Side),
        "cause": get_args(Cause),
        "skin": get_args(LimbSkin),
        "sensation": get_args(Sensation),
        "suspension": get_args(SuspensionKind),
        "liner": get_args(LinerKind),
    }.items()
    for value in values
)
"""Every fact there is."""


def facts_of(record: DeliveryRecord, starts_on: dt.date, *, return_days: int, mature_months: int) -> Facts:
    """Return what is true of a record on the first day of wear.

    Args:
        record: The record.
        starts_on: First day of wear.
        return_days: Days without any prosthesis from which it counts as a long break.
        mature_months: Months after amputation from which the limb counts as mature.
    """
    return frozenset(_of(record, starts_on, return_days, mature_months))


def _of(record: DeliveryRecord, starts_on: dt.date, return_days: int, mature_months: int) -> Iterator[str]:
    limb, prosthesis = record.limb, record.prosthesis
    yield from (f"risk={risk}" for risk in record.risks)
    yield from (f"lives={circumstance}" for circumstance in record.circumstances)
    yield from (f"skin={skin}" for skin in limb.skin)
    yield f"side={limb.side}"
    yield f"cause={limb.cause}"
    yield f"sensation={limb.protective_sensation}"
    yield f"suspension={prosthesis.suspension}"
    yield "first" if prosthesis.first else "not-first"
    if prosthesis.new_socket:
        yield "new-socket"
    if prosthesis.first and "swelling" in record.risks:
        yield "first-with-swelling"
    if record.wear.last_worn_on and (starts_on - record.wear.last_worn_on).days > return_days:
        yield "after-break"
    if limb.amputated_on and months_between(limb.amputated_on, starts_on) < mature_months:
        yield "young-limb"
    yield from _of_device(record)
    yield from _of_people(record)


def _of_device(record: DeliveryRecord) -> Iterator[str]:
    parts = record.prosthesis.components
    liners = [part for part in parts if part.kind == "liner"]
    yield from (f"liner={part.liner_kind}" for part in liners if part.liner_kind)
    worn = [part for part in parts if part.kind != "shrinker"]
    facts = {
        "liner": bool(liners),
        "two-liners": sum(part.count for part in liners) >= 2,
        "shrinker": any(part.kind == "shrinker" for part in parts),
        "battery": any(part.battery for part in parts),
        "water-safe": bool(worn) and all(part.water_safe for part in worn),
        "mass-limit": any(part.mass_limit for part in parts),
        "heel-height": bool(record.shoes and record.shoes.heel_height),
        "socks": bool(record.socks.socks),
        "socks-over-liner": bool(liners) and any(sock.over_liner for sock in record.socks.socks),
        "socks-on-skin": any(not sock.over_liner for sock in record.socks.socks),
    }
    yield from (fact for fact, holds in facts.items() if holds)


def _of_people(record: DeliveryRecord) -> Iterator[str]:
    if any(person.role == "physical-therapist" for person in record.professionals):
        yield "therapist"
    if record.patient.caregiver:
        yield "caregiver"
    if record.clinic.after_hours_phone:
        yield "after-hours-phone"


def months_between(earlier: dt.date, later: dt.date) -> int:
    """Return the whole months from one date to a later one."""
    months = (later.year - earlier.year) * 12 + later.month - earlier.month
    return months - (later.day < earlier.day)


def check_conditions(conditions: Iterable[str]) -> None:
    """Refuse conditions that name a fact nobody knows.

    Raises:
        ValueError: A defect of a packaged table.
    """
    for condition in conditions:
        for option in condition.split("|"):
            if option.removeprefix("!") not in KNOWN:
                raise ValueError(f"no such fact: {option}")


def holds(conditions: Iterable[str], facts: Facts) -> bool:
    """Return whether all conditions hold."""
    return all(any(_one(option, facts) for option in condition.split("|")) for condition in conditions)


def _one(option: str, facts: Facts) -> bool:
    return option[1:] not in facts if option.startswith("!") else option in facts


def because(conditions: Iterable[str], facts: Facts) -> str:
    """Return the facts that made the conditions hold, as a reader would say them."""
    held = [
        option
        for condition in conditions
        for option in condition.split("|")
        if not option.startswith("!") and option in facts
    ]
    return ", ".join(in_words(fact) for fact in held)


def in_words(fact: str) -> str:
    """Return a fact as a reader would say it."""
    return _PLAIN.get(fact) or _WORDS.get(fact) or fact.partition("=")[2].replace("-", " ")
