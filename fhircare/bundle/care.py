"""What to do again and again, and the guide to the socks, both ways.

=====================================  =================================================================
plan.care                              FHIR
=====================================  =================================================================
tasks[] code, text                     ServiceRequest.code: ours, and text
tasks[].frequency, first, last         occurrenceTiming: frequency, period, when, dayOfWeek in boundsPeriod
a task without frequency               occurrencePeriod, and asNeededBoolean unless it follows wear
tasks[].after_each_wear                asNeededCodeableConcept after-wear
tasks[].why                            note
tasks[].on_hold                        status on-hold; the others are active while wear is stopped
sock_guide[]                           one ServiceRequest of code sock-guide, an orderDetail ``socks`` for
                                       each total: parameters total-ply, layer (in order), possible
=====================================  =================================================================

R4's Task cannot recur, so a task is a ServiceRequest that the person performs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import Json, concept, filled
from fhircare.bundle.identity import is_ours
from fhircare.bundle.located import Node, Read, listed, made
from fhircare.bundle.request import (
    activity,
    add_request,
    detail,
    details,
    goes_on,
    parameter,
    value,
    values,
)
from fhircare.bundle.timing import bounds
from fhircare.plan import WEEKDAYS, CareTask, Frequency, Moment, SockLayers
from fhircare.plan.care import PeriodUnit
from fhircare.spec import terms

if TYPE_CHECKING:
    import datetime as dt

    from fhircare.bundle.draft import Draft
    from fhircare.bundle.source import Source

_UNITS = {"d": "day", "wk": "week", "mo": "month", "a": "year"}
_MOMENTS = {
    "WAKE": "on waking",
    "MORN": "in the morning",
    "AFT": "in the afternoon",
    "EVE": "in the evening",
    "HS": "before sleep",
}


def write_tasks(draft: Draft) -> list[Json]:
    """Add the care tasks; return references in order."""
    return [_write_task(draft, task) for task in draft.plan.care.tasks]


def _write_task(draft: Draft, task: CareTask) -> Json:
    key = draft.key("task", task.code or "other")
    span = fhir.period(task.first, task.last)
    timing: dict[str, Any] = {"occurrencePeriod": span}
    if task.frequency:
        timing = {"occurrenceTiming": {"repeat": _repeat(task.frequency, span)}}
    if task.after_each_wear:
        timing["asNeededCodeableConcept"] = fhir.term("detail", "after-wear")
    elif not task.frequency:
        timing["asNeededBoolean"] = True
    if task.on_hold and goes_on(draft.plan):
        timing["status"] = "on-hold"
    how_often = said_frequency(task)
    until = f"{task.first}" + (f" to {task.last}" if task.last else " on")
    coding = [terms.coding("care-task", task.code)] if task.code else []
    return add_request(
        draft,
        key,
        concept(task.text, *coding),
        ("How often", how_often),
        ("From", until),
        ("Why", task.why),
        lasting=True,
        **timing,
        note=[{"text": task.why}] if task.why else [],
        patientInstruction=f"{task.text} ({how_often})",
    )


def _repeat(frequency: Frequency, span: Json) -> Json:
    return filled(
        {
            "boundsPeriod": span,
            "frequency": frequency.times,
            "period": frequency.every,
            "periodUnit": frequency.unit,
            "dayOfWeek": list(frequency.days),
            "when": list(frequency.moments),
        }
    )


def said_frequency(task: CareTask) -> str:
    """Return how often a task is to be done, in plain English."""
    after = "after each time the prosthesis is worn"
    often = task.frequency
    if often is None:
        return after if task.after_each_wear else "when it is needed"
    unit = _UNITS[often.unit]
    times = "once" if often.times == 1 else f"{often.times} times"
    how = f"{times} a {unit}" if often.every == 1 else f"{times} every {often.every} {unit}s"
    more = [_MOMENTS[moment] for moment in often.moments] + (
        [f"on {', '.join(often.days)}"] if often.days else []
    )
    return ", ".join([how, *more, *([after] if task.after_each_wear else [])])


def write_sock_guide(draft: Draft) -> list[Json]:
    """Add the guide to the socks, when there is one; return a reference to it in a list."""
    guide = draft.plan.care.sock_guide
    if not guide:
        return []
    said = [_layers(one) for one in guide]
    added = add_request(
        draft,
        "sock-guide",
        fhir.term("activity", "sock-guide"),
        *(("", line) for line in said),
        lasting=True,
        wear=True,
        orderDetail=[_write_layers(one) for one in guide],
        asNeededBoolean=True,
        patientInstruction="Change socks by one ply at a time. " + " ".join(f"{line}." for line in said),
    )
    return [added]


def _layers(one: SockLayers) -> str:
    if not one.possible:
        return f"{one.ply} ply: cannot be made from the socks issued"
    made_of = " + ".join(f"{layer}-ply" for layer in one.layers) or "no sock"
    return f"{one.ply} ply: {made_of}"


def _write_layers(one: SockLayers) -> Json:
    amounts = [parameter("total-ply", "Quantity", fhir.quantity(one.ply, "{ply}"))]
    amounts += [parameter("layer", "Quantity", fhir.quantity(layer, "{ply}")) for layer in one.layers]
    if not one.possible:
        amounts.append(parameter("possible", "Boolean", False))  # noqa: FBT003
    return detail("detail", "socks", _layers(one), *amounts)


# ---------------------------------------------------------------------------------------------- reading


def read_tasks(
    source: Source, requests: list[Node], start: dt.date | None, *, stopped: bool = False
) -> list[Read[CareTask]]:
    """Read the care tasks: every request of the plan that is none of our other kinds.

    Args:
        source: The bundle.
        requests: The plan's requests, in its order.
        start: First day for a task that tells none.
        stopped: Whether wear is stopped: only then some tasks are on hold and others are not.
    """
    found: list[Read[Any]] = []
    for one in requests:
        if activity(one):
            continue
        code = one.get("code")
        own = code.code_in("care-task")
        said = code.text("text").or_else(one.text("patientInstruction")).or_else(code.said())
        text = said if _is_ours(one) else one.text("patientInstruction").or_else(said)
        task = read_task(source, one, one.get("occurrenceTiming"), one.get("occurrencePeriod"), start, text)
        if task is None:
            continue
        after = one.get("asNeededCodeableConcept").code_in("detail")
        found.append(
            made(
                CareTask,
                **(task | {"code": own}),
                after_each_wear=after.then(lambda said: said == "after-wear"),
                why=one.first("note").text("text"),
                on_hold=one.text("status").then(lambda told: told == "on-hold") if stopped else Read(False),  # noqa: FBT003
            )
        )
    return found


def _is_ours(one: Node) -> bool:
    return any(is_ours(number.word("system"), "part") for number in one.items("identifier"))


def read_task(
    source: Source, one: Node, timing: Node, span: Node, start: dt.date | None, text: Read[str]
) -> dict[str, Read[Any]] | None:
    """Return text, frequency, first and last day of a task, None when it says nothing or has no first day."""
    repeat = timing.get("repeat")
    limits = repeat.get("boundsPeriod") or span
    told = bounds(repeat, start) if repeat else (span.date("start").value or start, span.date("end").value)
    first = limits.date("start").or_else(one.date("occurrenceDateTime"))
    if first.value is None and told[0] is not None:
        first = Read(told[0], one.path)
    last = limits.date("end")
    if last.value is None and told[1] is not None:
        last = Read(told[1], repeat.path)
    if not text or first.value is None:
        source.skip(one, "says nothing, or has no first day")
        return None
    return {"text": text, "frequency": _read_frequency(source, repeat), "first": first, "last": last}


def _read_frequency(source: Source, repeat: Node) -> Read[Frequency | None]:
    if not repeat:
        return Read(None)
    unit = repeat.text("periodUnit")
    every = repeat.integer("period")
    if unit.value not in get_args(PeriodUnit) or not every.value or every.value < 1:
        source.skip(repeat, "repeats in a way that the plan cannot tell")
        return Read(None)
    moments = repeat.texts("when")
    days = repeat.texts("dayOfWeek")
    if not set(moments.value) <= set(get_args(Moment)) or not set(days.value) <= set(WEEKDAYS):
        source.skip(repeat, "is tied to a moment of the day that the plan cannot tell")
        return Read(None)
    return made(
        Frequency,
        times=repeat.integer("frequency") if repeat.integer("frequency").value else Read(1),
        every=every,
        unit=unit,
        moments=moments,
        days=days,
    )


def read_sock_guide(requests: list[Node]) -> Read[tuple[SockLayers, ...]]:
    """Read the guide to the socks, in order."""
    return listed(
        made(
            SockLayers,
            ply=_ply(total),
            layers=listed(_ply(layer) for layer in values(told, "layer")),
            possible=_possible(told),
        )
        for one in requests
        if activity(one) == "sock-guide"
        for told in details(one, "detail", "socks")
        for total in values(told, "total-ply")[:1]
    )


def _ply(told: Node) -> Read[int]:
    number = told.get("valueQuantity").integer("value")
    return Read(number.value or 0, number.path)


def _possible(told: Node) -> Read[bool]:
    said = value(told, "possible").boolean("valueBoolean")
    return said or Read(True)  # noqa: FBT003 - a value, not a switch
