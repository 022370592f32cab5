"""The goals that are being worked on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fhircare.render.said import Said, Sentence, Value
    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalView:
    """One goal, since when, and how we will know."""

    text: Value
    start: Sentence | None
    targets: tuple[tuple[Said, ...], ...]


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
        start = None
        if goal.start is not None:
            day = words.date(goal.start, reading.source(f"{place}.start"), style="full")
            start = words.say("goal.start", day=day)
        text = words.text(goal.text, reading.source(f"{place}.text"))
        found.append(GoalView(text=text, start=start, targets=tuple(targets)))
    return tuple(found)
