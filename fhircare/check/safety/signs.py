"""Warning signs: all there, each where it belongs or graver, with whom to call; and the two flags."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.check.safety.raw import OURS, code_of, date, items, numbers, obj, text
from fhircare.check.safety.rules import BOUNDS, CALLS, EVERYBODY, FLOOR, LEVELS

if TYPE_CHECKING:
    from fhircare.check.gather import ResourceScope
    from fhircare.check.path import Path
    from fhircare.check.safety.held import Detail, Held

_PRIORITY = {"stop": "PM", "emergency": "PH"}
_CATEGORY = "http://terminology.hl7.org/CodeSystem/flag-category"
_ENDED = {"revoked", "completed", "entered-in-error"}


def check_signs(held: Held) -> None:
    """Check the warning signs of a plan and the flags that repeat them."""
    requests = held.of_kind("warning-signs")
    if not requests:
        held.missing("sign.none", (held.plan.path, "activity"))
        return
    if len(requests) > 1:
        held.say("sign.two-lists", requests[1].path)
    signs = [one for one in held.details(requests[0]) if one.system == "warning-sign"]
    place: Path = (requests[0].path, "orderDetail")
    _present(held, signs, place)
    for one in signs:
        _one(held, one)
    _redness(held, signs)
    _flags(held, requests[0], signs)
    _form(held, {one.code: one.text for one in signs})


def _present(held: Held, signs: list[Detail], place: Path) -> None:
    codes = {one.code for one in signs}
    for code in EVERYBODY:
        if code not in codes:
            held.say("sign.missing", place, sign=code)
    levels = {one.term("level", "sign-level") for one in signs}
    for level in LEVELS:
        if level not in levels:
            held.say("sign.level-missing", place, level=level)
    seen: set[str] = set()
    for one in signs:
        if one.code in seen:
            held.say("sign.twice", one.path, sign=one.code)
        seen.add(one.code)


def _one(held: Held, one: Detail) -> None:
    """One sign: its level is known and no milder than its floor, and the call goes with it."""
    level, call = one.term("level", "sign-level"), one.term("call", "call")
    floor = FLOOR.get(one.code)
    if not one.text:
        held.say("sign.text", one.path)
    if level not in LEVELS:
        held.say("sign.level", one.place("level"))
        return
    if floor and LEVELS.index(level) < LEVELS.index(floor):
        held.say("sign.milder", one.place("level"), sign=one.code, floor=floor)
    if call not in CALLS[level]:
        held.say("sign.call", one.place("call"), level=level)
    limit = one.number("limit")
    if "limit" in one.values:
        shown = numbers(str(limit))[:1]
        if limit is None or not set(shown) <= set(numbers(one.text)):
            held.say("sign.limit", one.place("limit"))
    if one.code == "fever" and not (
        limit is not None and BOUNDS["fever_low"] <= limit <= BOUNDS["fever_high"]
    ):
        held.say("sign.fever", one.place("limit"))


def _redness(held: Held, signs: list[Detail]) -> None:
    """The minutes in which redness must go are one number wherever they stand."""
    settings = next(iter(held.of_kind("wear-schedule")), None)
    said = held.detail(settings, "redness") if settings else None
    minutes = said.number("redness") if said else None
    if settings is None:
        return
    if said is None or minutes is None or not BOUNDS["redness_low"] <= minutes <= BOUNDS["redness_high"]:
        held.say("redness.limit", said.place("redness") if said else (settings.path, "orderDetail"))
    for one in signs:
        if one.code in {"redness-fades", "redness-stays"} and one.number("limit") != minutes:
            held.say("redness.differs", one.place("limit"))


def _flags(held: Held, request: ResourceScope, signs: list[Detail]) -> None:
    flags = [one for one in held.support if one.type == "Flag"]
    for level, priority in _PRIORITY.items():
        mine = [one for one in flags if code_of(one.resource.get("code"), "sign-level") == level]
        if not mine:
            held.missing("flag.missing", (held.plan.path, "supportingInfo"), level=level)
        for one in mine:
            _flag(held, one, request, [sign.text for sign in signs if _level(sign) == level], priority)


def _level(sign: Detail) -> str:
    return sign.term("level", "sign-level")


def _flag(held: Held, flag: ResourceScope, request: ResourceScope, texts: list[str], priority: str) -> None:
    ended = held.status in _ENDED
    period = obj(flag.resource, "period")
    if (text(flag.resource, "status") == "active") == ended or (not ended and "end" in period):
        held.say("flag.status", (flag.path, "status"))
    said = text(obj(flag.resource, "code"), "text")
    head, _, rest = said.partition(": ")
    if rest != "; ".join(texts) or numbers(head):
        held.say("flag.text", ((flag.path, "code"), "text"))
    start = obj(held.plan.resource, "period").get("start")
    if period and date(period.get("start")) != date(start):
        held.say("flag.period", ((flag.path, "period"), "start"))
    known = {
        text(one, "url").rpartition("/")[2]: (index, one) for index, one in items(flag.resource, "extension")
    }
    place: Path = (flag.path, "extension")
    index, told = known.get("flag-detail", (0, {}))
    if held.resolve(told.get("valueReference")) is not request:
        held.say("flag.detail", (place, index) if told else place)
    index, told = known.get("flag-priority", (0, {}))
    codes = [
        (text(coding, "system"), text(coding, "code"))
        for _, coding in items(told.get("valueCodeableConcept"), "coding")
    ]
    if codes != [("http://hl7.org/fhir/flag-priority-code", priority)]:
        held.say("flag.priority", (place, index) if told else place)
    codings = [c for _, one in items(flag.resource, "category") for _, c in items(one, "coding")]
    if (_CATEGORY, "safety") not in {(text(c, "system"), text(c, "code")) for c in codings}:
        held.say("flag.category", (flag.path, "category"))


def _form(held: Held, signs: dict[str, str]) -> None:
    """The form for the daily log asks for the signs of this plan, in its words."""
    for one in held.of_type("Questionnaire"):
        for index, item in items(one.resource, "item"):
            for inner, option in items(item, "answerOption"):
                coding = obj(option, "valueCoding")
                if text(coding, "system") != OURS + "warning-sign":
                    continue
                if signs.get(text(coding, "code")) != text(coding, "display"):
                    held.say(
                        "sign.form", (((((one.path, "item"), index), "answerOption"), inner), "valueCoding")
                    )
