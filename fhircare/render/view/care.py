"""Daily care: tasks and when, and advice by topic."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fhircare.plan import WEEKDAYS, CareTask, Frequency, Weekday
from fhircare.render.view.people import ContactsView, weekday_names

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable
    from decimal import Decimal

    from fhircare.render.said import Said, Sentence, Value
    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words

SECTIONS = frozenset(
    {"liner-on", "put-on", "take-off", "socks", "break-in", "skin", "caution", "call", "follow-up"}
)
"""Topics that have a section of their own on the page; all others stand under "Living with the leg"."""
ORDER = (
    "sweat", "swelling", "shrinker", "limb-wash", "liner-care", "socks-care", "shrinker-care", "socket-care",
    "water", "damage", "battery", "shoes", "weight", "driving", "falls", "walking-aid", "wheelchair",
    "positions", "other-foot", "sitting", "pain", "smoking", "travel", "moving", "work", "school",
    "therapist", "support", "caregiver", "memory",
)  # fmt: skip
"""The order of topics on the page."""
CLEANING = ("limb-wash", "liner-care", "socks-care", "shrinker-care", "socket-care", "water")
"""Topics that stand beside the cleaning calendar."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskView:
    """One care task.

    Attributes:
        code: Its code.
        title: What it is.
        how: How it is done, where no advice says so; or None.
        often: When.
        boxes: For each day of the week, how many boxes to tick; empty where no day is fixed.
        once: True where no day is fixed but it comes round all the same: one box.
    """

    code: str
    title: Said
    how: Said | None
    often: Said
    boxes: tuple[int, ...]
    once: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TopicView:
    """Advice on one topic."""

    code: str
    title: Sentence
    lines: tuple[Said, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceView:
    """All advice, by where it stands on the page. Lines are one action each."""

    liner_on: tuple[Said, ...]
    sock_on: tuple[Said, ...]
    put_on: tuple[Said, ...]
    take_off: tuple[Said, ...]
    socks: tuple[Said, ...]
    break_in: tuple[Said, ...]
    skin: tuple[Said, ...]
    follow_up: tuple[Said, ...]
    cautions: tuple[Said, ...]
    calls: tuple[Said, ...]
    cleaning: tuple[TopicView, ...]
    topics: tuple[TopicView, ...]


def plan_values(reading: Readable, words: Words, contacts: ContactsView) -> dict[str, object]:
    """The values that sentences of advice and signs may name; only those that the plan has."""
    plan, source = reading.plan, reading.source
    values: dict[str, object] = {
        "clinic": contacts.clinic, "phone": contacts.phone, "emergency": contacts.emergency,
    }  # fmt: skip
    if contacts.has_after_hours:
        values["after_hours"] = contacts.after_hours
    if plan.wear is not None:
        values["redness"] = words.length(plan.wear.redness_minutes, source("wear.redness_minutes"))
    if plan.socks is not None and plan.socks.socks:
        values["ply_limit"] = words.number(plan.socks.adjust_at_ply, source("socks.adjust_at_ply"))
    heels: list[tuple[Decimal, str, str]] = []
    if plan.shoes is not None and plan.shoes.heel_height is not None:
        height = plan.shoes.heel_height
        heels.append((height.value, height.unit, "shoes.heel_height.value"))
    limits: list[tuple[Decimal, str, str]] = []
    for index, part in enumerate(plan.prosthesis.components if plan.prosthesis is not None else ()):
        if part.heel_height is not None and part.kind == "foot":
            heels.append(
                (
                    part.heel_height.value,
                    part.heel_height.unit,
                    f"prosthesis.components[{index}].heel_height.value",
                )
            )
        if part.mass_limit is not None:
            limits.append(
                (
                    part.mass_limit.value,
                    part.mass_limit.unit,
                    f"prosthesis.components[{index}].mass_limit.value",
                )
            )
    if heels:
        number, unit, place = heels[0]
        values["heel"] = words.quantity(number, unit, source(place))
    if limits:
        number, unit, place = min(limits)
        values["mass_limit"] = words.quantity(number, unit, source(place))
    for index, sign in enumerate(plan.care.signs):
        if sign.code == "weight-change" and sign.limit is not None:
            values["weight_change"] = words.quantity(
                sign.limit, sign.limit_unit, source(f"care.signs[{index}].limit")
            )
    return values


def tasks_view(reading: Readable, words: Words, values: dict[str, object]) -> tuple[TaskView, ...]:
    """The care tasks, in the plan's order; those that need wear are left out while it is stopped."""
    return tuple(
        _task(task, f"care.tasks[{index}]", reading, words, values)
        for index, task in enumerate(reading.plan.care.tasks)
        if not task.on_hold
    )


def _task(task: CareTask, place: str, reading: Readable, words: Words, values: dict[str, object]) -> TaskView:
    how = f"task.{task.code}.do"
    return TaskView(
        code=task.code,
        title=words.coded("task", task.code, task.text, reading.source(f"{place}.code")),
        how=words.say(how, **values) if words.has(how) and words.names(how) <= values.keys() else None,
        often=_often(task, place, reading, words),
        boxes=_boxes(task.frequency, words) if not task.after_each_wear else (),
        once=task.frequency is not None and not task.after_each_wear,
    )


def _often(task: CareTask, place: str, reading: Readable, words: Words) -> Said:
    source = reading.source(f"{place}.frequency.times")
    if task.after_each_wear:
        often: Said = words.say("often.after-each-wear")
    elif task.frequency is None:
        often = words.say("often.as-told")
    else:
        often = frequency_words(task.frequency, words, source)
    wear = reading.plan.wear
    start = wear.days[0].on if wear is not None else task.first
    later = task.first > start

    def day(on: dt.date, name: str) -> Value:
        style = "short" if on.year == start.year else "full"
        return words.date(on, reading.source(f"{place}.{name}"), style=style)

    if task.last is not None:
        key = "often.from-until" if later else "often.until"
        span = words.say(key, first=day(task.first, "first"), last=day(task.last, "last"))
    elif later:
        span = words.say("often.from", first=day(task.first, "first"))
    else:
        return often
    return words.say("often.with", often=often, moments=span)


def frequency_words(frequency: Frequency, words: Words, source: str) -> Sentence:
    """How often, in words: every day, in the evening."""
    times = words.number(frequency.times, source)
    every = words.number(frequency.every, source)
    if frequency.times == 1 or (frequency.moments and frequency.every == 1 and frequency.unit == "d"):
        key = "often.each" if frequency.every == 1 else "often.every"
    else:
        key = "often.times" if frequency.every == 1 else "often.times-every"
    often = replace(words.say(f"{key}.{frequency.unit}", times=times, n=every), source=source)
    if frequency.days:
        often = words.say("often.on", often=often, days=weekday_names(frequency.days, words, source))
    if frequency.moments:
        moments = words.join([words.say(f"moment.{moment}") for moment in frequency.moments])
        often = words.say("often.with", often=often, moments=moments)
    return often


def _boxes(frequency: Frequency | None, words: Words) -> tuple[int, ...]:
    """Boxes to tick on each day of the week, the first day as the reader's country counts it."""
    if frequency is None or frequency.every != 1:
        return ()
    days: tuple[Weekday, ...]
    if frequency.unit == "d":
        days = frequency.days or WEEKDAYS
    elif frequency.unit == "wk" and frequency.days:
        days = frequency.days
    else:
        return ()
    each = len(frequency.moments) or (frequency.times if frequency.unit == "d" else 1)
    first = words.locale.first_week_day
    order = WEEKDAYS[first:] + WEEKDAYS[:first]
    return tuple(min(each, 4) if day in days else 0 for day in order)


def advice_view(reading: Readable, words: Words, values: dict[str, object]) -> AdviceView:
    """The advice of the plan, each piece where it belongs; nothing that the plan does not hold."""
    by_code: dict[str, tuple[Said, ...]] = {}
    for index, advice in enumerate(reading.plan.care.advice):
        place = f"care.advice[{index}]"
        source = reading.source(f"{place}.code")
        lines: tuple[Said, ...] = tuple(
            replace(line, source=source) for line in words.lines(f"advice.{advice.code}", **values)
        )
        if not lines:
            lines = (words.text(advice.text, reading.source(f"{place}.text"), lang="en"),)
        by_code[advice.code] = by_code.get(advice.code, ()) + lines

    def of(*topics: str, codes: Iterable[str] | None = None) -> tuple[Said, ...]:
        return tuple(
            line
            for code, lines in by_code.items()
            if code.split(".")[0] in topics and (codes is None or code in codes)
            for line in lines
        )

    sock_on = ("socks.over-liner", "socks.on-skin", "socks.pin-hole", "socks.clear-of-seal")
    topics: dict[str, list[Said]] = {}
    for code, lines in by_code.items():
        topic = code.split(".")[0]
        if topic not in SECTIONS:
            topics.setdefault(topic if words.has(f"topic.{topic}") else "other", []).extend(lines)
    ordered = sorted(topics, key=lambda topic: ORDER.index(topic) if topic in ORDER else len(ORDER))
    views = [
        TopicView(code=topic, title=words.say(f"topic.{topic}"), lines=tuple(topics[topic]))
        for topic in ordered
    ]
    return AdviceView(
        liner_on=of("liner-on"),
        sock_on=of("socks", codes=sock_on),
        put_on=of("put-on"),
        take_off=of("take-off"),
        socks=of("socks", codes=[code for code in by_code if code not in sock_on]),
        break_in=of("break-in"),
        skin=of("skin"),
        follow_up=of("follow-up"),
        cautions=of("caution"),
        calls=of("call"),
        cleaning=tuple(view for view in views if view.code in CLEANING),
        topics=tuple(view for view in views if view.code not in CLEANING),
    )
