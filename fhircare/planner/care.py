"""Daily care and what to know, chosen for one person from the tables tasks.toml and advice.toml."""

from __future__ import annotations

import difflib
import functools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from fhircare.errors import DeliveryError, Fault
from fhircare.plan import Advice, CareTask, Frequency, Override
from fhircare.planner.facts import because, check_conditions, holds
from fhircare.planner.rules import LEAVE_OUT, read_table

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Mapping

    from fhircare.delivery import DeliveryRecord
    from fhircare.planner.facts import Facts
    from fhircare.planner.rules import Settings

ALWAYS_KEPT: Final = ("caution.", "call.")
"""Advice whose code begins so can be left out by nobody."""


@dataclass(frozen=True, slots=True)
class TaskRow:
    """One row of tasks.toml; the file explains the fields."""

    code: str
    when: tuple[str, ...]
    text: str
    why: str
    source: str
    frequency: Frequency | None
    after_wear: bool
    until: str
    worn: bool


@dataclass(frozen=True, slots=True)
class AdviceRow:
    """One row of advice.toml; the file explains the fields."""

    code: str
    when: tuple[str, ...]
    text: str
    why: str
    source: str


@functools.cache
def task_rows() -> tuple[TaskRow, ...]:
    """Return the table of tasks, read once.

    Raises:
        ValueError: When the packaged table is wrong.
    """
    return tuple(_task_row(row) for row in read_table("tasks.toml")["task"])


@functools.cache
def advice_rows() -> tuple[AdviceRow, ...]:
    """Return the table of advice, read once.

    Raises:
        ValueError: When the packaged table is wrong.
    """
    return tuple(_advice_row(row) for row in read_table("advice.toml")["advice"])


def _task_row(row: Mapping[str, Any]) -> TaskRow:
    check_conditions(row["when"])
    until = row.get("until", "")
    if until not in ("", "break-in", "young-limb"):
        raise ValueError(f"tasks.toml: {row['code']}: no such end: {until}")
    frequency = None
    if "times" in row:
        frequency = Frequency(
            times=row["times"],
            every=row["every"],
            unit=row["unit"],
            moments=tuple(row.get("moments", ())),
            days=tuple(row.get("days", ())),
        )
        if frequency.moments and len(frequency.moments) != frequency.times:
            raise ValueError(f"tasks.toml: {row['code']}: moments do not number times")
    return TaskRow(
        code=row["code"],
        when=tuple(row["when"]),
        text=row["text"],
        why=row["why"],
        source=row["source"],
        frequency=frequency,
        after_wear=row.get("after_wear", False),
        until=until,
        worn=row.get("worn", False),
    )


def with_wear(tasks: Iterable[CareTask], *, worn: bool) -> tuple[CareTask, ...]:
    """Return the tasks as they are while the prosthesis is worn, or while wear is stopped.

    What makes sense only with wear is then on hold: the table says which, and for a task that is not in it,
    whether it follows each session.
    """
    known = {row.code: row.worn for row in task_rows()}
    return tuple(
        replace(task, on_hold=not worn and known.get(task.code, task.after_each_wear)) for task in tasks
    )


def _advice_row(row: Mapping[str, Any]) -> AdviceRow:
    check_conditions(row["when"])
    source = row.get("source", "common practice, no source")
    return AdviceRow(row["code"], tuple(row["when"]), row["text"], row["why"], source)


def care_tasks(
    facts: Facts, *, first: dt.date, break_in_ends: dt.date, limb_matures: dt.date | None
) -> tuple[CareTask, ...]:
    """Return the tasks that apply, in the table's order.

    Args:
        facts: What is true of the record.
        first: First day of wear.
        break_in_ends: Last day of the schedule.
        limb_matures: The day from which the limb counts as mature, None when unknown or past.
    """
    ends = {"": None, "break-in": break_in_ends, "young-limb": limb_matures}
    return tuple(
        CareTask(
            code=row.code,
            text=row.text,
            frequency=row.frequency,
            after_each_wear=row.after_wear,
            first=first,
            last=ends[row.until],
            why=row.why.format(because=because(row.when, facts)),
        )
        for row in task_rows()
        if holds(row.when, facts)
    )


def advice_for(facts: Facts, words: Mapping[str, str], left_out: Iterable[str] = ()) -> tuple[Advice, ...]:
    """Return the advice that applies, in the table's order, without what the clinician left out.

    Args:
        facts: What is true of the record.
        words: What stands in the places of the texts, such as redness_minutes.
        left_out: Codes that the clinician left out.
    """
    gone = frozenset(left_out)
    return tuple(
        Advice(
            code=row.code,
            text=row.text.format(**words),
            why=row.why.format(because=because(row.when, facts), **words),
        )
        for row in advice_rows()
        if row.code not in gone and holds(row.when, facts)
    )


def advice_words(record: DeliveryRecord, settings: Settings) -> dict[str, str]:
    """Return what stands in the places of the advice's texts."""
    heel = record.shoes.heel_height if record.shoes else None
    limits = [part.mass_limit for part in record.prosthesis.components if part.mass_limit]
    in_kg = {"kg": 1, "g": 0.001, "[lb_av]": 0.45359237}
    lightest = min(limits, key=lambda q: float(q.value) * in_kg[q.unit], default=None)
    spoken = {"[lb_av]": "lb", "[in_i]": "in"}
    return {
        "redness_minutes": str(settings["redness_minutes"]),
        "weight_change_kg": str(settings["weight_change_kg"]),
        "mature_months": str(settings["mature_months"]),
        "adjust_at_ply": str(record.socks.adjust_at_ply),
        "heel_height": f"{heel.value} {spoken.get(heel.unit, heel.unit)}" if heel else "",
        "mass_limit": f"{lightest.value} {spoken.get(lightest.unit, lightest.unit)}" if lightest else "",
        "emergency_phone": record.clinic.emergency_phone,
    }


def left_out(record: DeliveryRecord) -> tuple[Override, ...]:
    """Return the topics the clinician leaves out, to be recorded among the plan's overrides.

    Raises:
        DeliveryError: When a code is unknown, or is a caution or a contact, which nobody can leave out.
    """
    known = [row.code for row in advice_rows()]
    faults = []
    for index, topic in enumerate(record.leave_out):
        field = f"leave_out[{index}].code"
        if topic.code.startswith(ALWAYS_KEPT):
            mend = "cautions and contacts always stay; remove this entry"
            faults.append(Fault(field, "cannot be left out", mend))
        elif topic.code not in known:
            near = difflib.get_close_matches(topic.code, known, n=1, cutoff=0.5)
            mend = f"did you mean {near[0]}?" if near else "use the code of a piece of advice"
            faults.append(Fault(field, "is not the code of any advice", mend))
    if faults:
        raise DeliveryError(faults)
    return tuple(
        Override(setting=LEAVE_OUT, value=topic.code, usual="included", reason=topic.reason, by=topic.by)
        for topic in record.leave_out
    )
