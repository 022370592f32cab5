"""The goals that are being worked on."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.render.said import Said, Sentence, Value
    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalView:
    """One goal, since when, and how we will know."""

    text: Value
    start: Sentence | None
    targets: tuple[tuple[Said, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldTarget:
    """A target in its author's words, because the plan has no measure for it. None where it is silent."""

    measure: Value | None
    detail: Value | None
    due: Value | None


def told_targets(reading: Readable, words: Words, place: str) -> Iterator[ToldTarget]:
    """Yield the targets of a goal that the plan could not take over, as the bundle says them.

    A therapist's "12 steps with one rail" is no number to compare, and is their target all the same.

    Args:
        reading: The plan and where it came from.
        words: The reader's words.
        place: The goal's place in the plan, such as ``goals[1]``.
    """
    goal = reading.source(f"{place}.text").removesuffix(".description.text")
    for unread in getattr(reading, "unread", ()):
        found = re.fullmatch(r"Bundle\.entry\[(\d+)\]\.resource\.target\[(\d+)\]", unread.path)
        if not found or not goal or not unread.path.startswith(f"{goal}.target["):
            continue
        target: Any = reading.bundle["entry"][int(found[1])]["resource"]["target"][int(found[2])]
        if not isinstance(target, dict):
            continue
        detail = target.get("detailCodeableConcept")
        yield ToldTarget(
            measure=_said(words, target.get("measure"), f"{unread.path}.measure"),
            detail=_said(words, detail, f"{unread.path}.detailCodeableConcept")
            or _typed(words, target.get("detailString"), f"{unread.path}.detailString")
            or _counted(words, target.get("detailQuantity"), f"{unread.path}.detailQuantity.value"),
            due=_day(words, target.get("dueDate"), f"{unread.path}.dueDate"),
        )


def _said(words: Words, concept: Any, path: str) -> Value | None:
    return _typed(words, concept.get("text"), f"{path}.text") if isinstance(concept, dict) else None


def _typed(words: Words, text: Any, path: str) -> Value | None:
    return words.text(text, path) if isinstance(text, str) and text.strip() else None


def _counted(words: Words, quantity: Any, path: str) -> Value | None:
    if not isinstance(quantity, dict) or not isinstance(quantity.get("value"), int | Decimal):
        return None
    parts = (quantity.get("comparator"), quantity["value"], quantity.get("unit") or quantity.get("code"))
    return words.text(" ".join(str(part) for part in parts if part is not None), path)


def _day(words: Words, text: Any, path: str) -> Value | None:
    try:
        return words.date(dt.date.fromisoformat(text), path, style="full")
    except (TypeError, ValueError):
        return None


def goals_view(reading: Readable, words: Words) -> tuple[GoalView, ...]:
    """The goals that are being worked on, in the plan's order."""
    found = []
    for index, goal in enumerate(reading.plan.goals):
        if goal.status in {"cancelled", "rejected"}:
            continue
        place = f"goals[{index}]"
        targets = []
        for number, target in enumerate(goal.targets):
            at = f"{place}.targets[{number}]"
            measure = words.coded("measure", target.measure, target.measure, reading.source(f"{at}.measure"))
            value = words.quantity(target.value, target.unit, reading.source(f"{at}.value"))
            line: list[Said] = [words.say(f"goal.target.{target.comparator}", measure=measure, value=value)]
            if target.due is not None:
                due = words.date(target.due, reading.source(f"{at}.due"), style="full")
                line.append(words.say("goal.due", day=due))
            targets.append(tuple(line))
        for told in told_targets(reading, words, place):
            said: list[Said] = [part for part in (told.measure, told.detail) if part is not None]
            if told.due is not None:
                said.append(words.say("goal.due", day=told.due))
            targets.append(tuple(said))
        start = None
        if goal.start is not None:
            day = words.date(goal.start, reading.source(f"{place}.start"), style="full")
            start = words.say("goal.start", day=day)
        text = words.text(goal.text, reading.source(f"{place}.text"))
        found.append(GoalView(text=text, start=start, targets=tuple(targets)))
    return tuple(found)
