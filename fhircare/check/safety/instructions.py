"""What a request says to the person is what its timing and details say.

Times, dates and numbers are compared, not wording, so that a better sentence is no fault; texts of the plan
are compared word by word where they are repeated.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from fhircare.check.safety.raw import clock, code_of, hour, instruction, items, numbers, obj, text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.check.gather import ResourceScope
    from fhircare.check.safety.held import Detail, Held
    from fhircare.check.safety.raw import Json

_MOMENTS = {
    "WAKE": "on waking",
    "MORN": "in the morning",
    "AFT": "in the afternoon",
    "EVE": "in the evening",
    "HS": "before sleep",
}
_UNITS = {"d": "day", "wk": "week", "mo": "month", "a": "year"}
_UNIT = re.compile(r"\b(day|week|month|year)s?\b")
_WEEKDAY = re.compile(r"\b(?:mon|tue|wed|thu|fri|sat|sun)\b")
_AFTER_WEAR = "after each time the prosthesis is worn"


def check_instructions(held: Held) -> None:
    """Check what each request says to the person against what it asks for."""
    for one in held.of_kind("wear-session"):
        _session(held, one)
    for one in held.of_kind("no-wear"):
        if numbers(instruction(one)):
            _differs(held, one)
    for one in held.of_kind("wear-schedule"):
        _settings(held, one)
    for one in held.of_kind("sock-guide"):
        _socks(held, one)
    for one in held.requests:
        if one.resource.get("asNeededBoolean") is False:
            held.say("twice.as-needed", (one.path, "asNeededBoolean"))
    for one in held.of_kind("advice"):
        if instruction(one) != " ".join(detail.text for detail in held.details(one)):
            _differs(held, one)
    for one in held.of_kind("warning-signs"):
        _signs(held, one)
    for one in held.of_kind(""):
        _task(held, one)


def _differs(held: Held, one: ResourceScope) -> None:
    held.say("twice.instruction", (one.path, "patientInstruction"))


def _shown(amounts: Iterable[float | int | None]) -> list[str]:
    return [token for amount in amounts for token in numbers(str(amount))]


def _session(held: Held, one: ResourceScope) -> None:
    split = held.detail(one, "split")
    if split is None:
        return
    parts = _shown(split.number(name) for name in ("sitting", "standing", "walking"))
    if numbers(split.text) != parts:
        held.say("twice.detail", (split.path, "text"))
    repeat = obj(obj(one.resource, "occurrenceTiming"), "repeat")
    times = repeat.get("timeOfDay")
    start = clock(times[0]) if isinstance(times, list) and times else None
    all_day = any(value.value is True for value in split.values.get("all-day", ()))
    length = [] if all_day else numbers(str(repeat.get("duration")))
    if start is not None and numbers(instruction(one)) != [hour(start), *length, *parts]:
        _differs(held, one)
    if split.text not in instruction(one):
        _differs(held, one)
    for extension in one.resource.get("extension") or ():
        if text(extension, "url").endswith("resource-pertainsToGoal"):
            goal = held.resolve(extension.get("valueReference"))
            if goal is None or goal not in held.goals:
                held.say("twice.goal", (one.path, "extension"))


def _settings(held: Held, one: ResourceScope) -> None:
    waking = held.detail(one, "waking-day")
    ends = [clock(waking.string(name)) for name in ("wakes", "sleeps")] if waking else []
    hours = [hour(end) for end in ends if end is not None]
    found: list[str] = []
    for code in ("rest", "redness"):
        detail = held.detail(one, code)
        said = _shown([detail.number(code)]) if detail else []
        if detail and numbers(detail.text) != said:
            held.say("twice.detail", (detail.path, "text"))
        found += said
    if waking and numbers(waking.text) != hours:
        held.say("twice.detail", (waking.path, "text"))
    if numbers(instruction(one)) != [*hours, *found]:
        _differs(held, one)
    for detail in held.details(one):
        if detail.code == "busy" and detail.system == "detail":
            _busy(held, detail)


def _busy(held: Held, detail: Detail) -> None:
    days = [value.value for value in detail.values.get("weekday", ())]
    ends = [clock(detail.string(name)) for name in ("starts", "ends")]
    head, _, what = detail.text.rpartition(": ")
    if (
        _WEEKDAY.findall(head) != days
        or numbers(head) != [hour(end) for end in ends if end is not None]
        or what != detail.string("what")
    ):
        held.say("twice.detail", (detail.path, "text"))


def _socks(held: Held, one: ResourceScope) -> None:
    texts = []
    for detail in held.details(one):
        layers = [
            value.value.get("value")
            for value in detail.values.get("layer", ())
            if isinstance(value.value, dict)
        ]
        if numbers(detail.text) != _shown([detail.number("total-ply"), *layers]):
            held.say("twice.detail", (detail.path, "text"))
        texts.append(f"{detail.text}.")
    if not instruction(one).endswith(" ".join(texts)):
        _differs(held, one)


def _signs(held: Held, one: ResourceScope) -> None:
    said = []
    for detail in held.details(one):
        level = detail.values.get("level")
        concept: Json = level[0].value if level and isinstance(level[0].value, dict) else {}
        displays = [text(coding, "display") for _, coding in items(concept, "coding")]
        said.append(f"{displays[0] if displays else ''}: {detail.text}.")
    if instruction(one) != " ".join(said):
        _differs(held, one)


def _task(held: Held, one: ResourceScope) -> None:
    """A task says itself, and how often in brackets."""
    code = obj(one.resource, "code")
    if not code_of(code, "care-task"):
        return
    head, how_often = instruction(one)[: len(text(code, "text"))], instruction(one)[len(text(code, "text")) :]
    if head != text(code, "text") or not (how_often.startswith(" (") and how_often.endswith(")")):
        _differs(held, one)
        return
    repeat = obj(obj(one.resource, "occurrenceTiming"), "repeat")
    after = code_of(one.resource.get("asNeededCodeableConcept"), "detail") == "after-wear"
    agrees = (_AFTER_WEAR in how_often) == after
    if repeat:
        agrees = agrees and _how_often(repeat, how_often.replace(_AFTER_WEAR, ""))
    if not agrees:
        _differs(held, one)


def _how_often(repeat: Json, said: str) -> bool:
    """Tell whether words such as ``twice a day, in the morning`` are what a Timing says."""
    amounts = [repeat.get("frequency", 1), repeat.get("period", 1)]
    if numbers(said) != _shown(amount for amount in amounts if amount != 1):
        return False
    if set(_UNIT.findall(said)) != {_UNITS.get(text(repeat, "periodUnit"))}:
        return False
    when, days = repeat.get("when") or [], repeat.get("dayOfWeek") or []
    return _WEEKDAY.findall(said) == days and all(
        (phrase in said) == (code in when) for code, phrase in _MOMENTS.items()
    )
