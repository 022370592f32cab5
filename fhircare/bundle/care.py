"""Daily care, both ways.

=====================================  =================================================================
plan.care                              FHIR
=====================================  =================================================================
tasks[] code, text                     ServiceRequest.code: ours, and text
tasks[].frequency, first, last         occurrenceTiming: frequency, period, when, dayOfWeek within boundsPeriod
a task without frequency               occurrencePeriod, and asNeededBoolean unless it follows wear
tasks[].after_each_wear                asNeededCodeableConcept after-wear
tasks[].why                            note
advice[] code, text                    CommunicationRequest: category (ours), payload
advice[].why                           reasonCode.text
sock_guide[]                           one ServiceRequest of code sock-guide, an orderDetail ``socks`` for each
                                       total: parameters total-ply, layer (in order), possible
=====================================  =================================================================

R4's Task cannot recur, and CommunicationRequest.occurrence is a moment or a Period: so a task is a
ServiceRequest that the person performs, and advice, which happens once, a CommunicationRequest.
"""

from __future__ import annotations

import datetime as dt
from typing import Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import Json, concept, detail, filled, parameter
from fhircare.bundle.draft import Draft, says
from fhircare.bundle.located import Node, Read, listed, made
from fhircare.bundle.source import Source
from fhircare.bundle.timing import bounds
from fhircare.bundle.wear import activity, add_request, request, values
from fhircare.plan import WEEKDAYS, Advice, CareTask, Frequency, Moment, SockLayers
from fhircare.plan.care import PeriodUnit
from fhircare.spec import terms

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
    return [_write_task(draft, index, task) for index, task in enumerate(draft.plan.care.tasks)]


def _write_task(draft: Draft, index: int, task: CareTask) -> Json:
    key = f"task/{index}"
    span = fhir.period(task.first, task.last)
    timing: dict[str, Any] = {"occurrencePeriod": span}
    if task.frequency:
        timing = {"occurrenceTiming": {"repeat": _repeat(task.frequency, span)}}
    if task.after_each_wear:
        timing["asNeededCodeableConcept"] = fhir.term("wear", "after-wear")
    elif not task.frequency:
        timing["asNeededBoolean"] = True
    how_often = said_frequency(task)
    body = request(
        draft,
        key,
        _coded("care-task", task.code, task.text),
        **timing,
        note=[{"text": task.why}] if task.why else [],
        patientInstruction=f"{task.text} ({how_often})",
    )
    until = f"{task.first}" + (f" to {task.last}" if task.last else " on")
    return add_request(
        draft, key, body, task.text, ("How often", how_often), ("From", until), ("Why", task.why)
    )


def _coded(system: str, code: str, text: str) -> Json:
    return concept(text, *([terms.coding(system, code)] if code else []))


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
    how = f"{'once' if often.times == 1 else f'{often.times} times'} {f'a {unit}' if often.every == 1 else f'every {often.every} {unit}s'}"
    more = [_MOMENTS[moment] for moment in often.moments] + ([f"on {', '.join(often.days)}"] if often.days else [])
    return ", ".join([how, *more, *([after] if task.after_each_wear else [])])


def write_advice(draft: Draft) -> list[Json]:
    """Add the advice; return references in order."""
    return [_write_advice(draft, index, one) for index, one in enumerate(draft.plan.care.advice)]


def _write_advice(draft: Draft, index: int, one: Advice) -> Json:
    key = f"advice/{index}"
    body = instruction(draft, key, [_coded("advice", one.code, "")] if one.code else [], one.text)
    if one.why:
        body["reasonCode"] = [concept(one.why)]
    return draft.add("CommunicationRequest", key, body, text=says("Advice", ("", one.text), ("Why", one.why)))


def instruction(draft: Draft, key: str, categories: list[Json], text: str) -> Json:
    """Return the elements of a CommunicationRequest that tells the person something."""
    return filled(
        {
            "identifier": draft.own(key),
            "status": draft.plan.status,
            "category": [concept("", terms.coding("communication-category", "instruction")), *categories],
            "subject": draft.subject,
            "payload": [{"contentString": text}],
            "authoredOn": draft.plan.written_at and draft.plan.written_at.isoformat(),
            "recipient": draft.reference("patient"),
            "sender": next(iter(draft.reference("role/0", "clinic")), None),
        }
    )


def write_sock_guide(draft: Draft) -> list[Json]:
    """Add the guide to the socks, when there is one; return a reference to it in a list."""
    guide = draft.plan.care.sock_guide
    if not guide:
        return []
    body = request(
        draft,
        "sock-guide",
        fhir.term("activity", "sock-guide"),
        orderDetail=[_write_layers(one) for one in guide],
        asNeededBoolean=True,
        patientInstruction="Change socks by one ply at a time. " + " ".join(f"{_layers(one)}." for one in guide),
    )
    rows = [("", _layers(one)) for one in guide]
    return [add_request(draft, "sock-guide", body, "Socks for each total ply", *rows)]


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
    return detail("wear", "socks", _layers(one), *amounts)


# ---------------------------------------------------------------------------------------------- reading


def read_tasks(source: Source, requests: list[Node], start: dt.date | None) -> Read[tuple[CareTask, ...]]:
    """Read the care tasks: every request of the plan that is not part of the schedule or the sock guide.

    Args:
        source: The bundle.
        requests: The plan's requests, in its order.
        start: First day for a task that tells none.
    """
    found: list[Read[Any]] = []
    for one in requests:
        if activity(one):
            continue
        code = one.get("code")
        text = code.text("text").or_else(one.text("patientInstruction")).or_else(code.said())
        task = read_task(source, one, one.get("occurrenceTiming"), one.get("occurrencePeriod"), start, text)
        if task is None:
            continue
        own = code.code_in("care-task")
        after = one.get("asNeededCodeableConcept").code_in("wear")
        found.append(
            made(
                CareTask,
                **(task | {"code": own}),
                after_each_wear=after.then(lambda said: said == "after-wear"),
                why=one.first("note").text("text"),
            )
        )
    return listed(found)


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


def read_advice(messages: list[Node]) -> Read[tuple[Advice, ...]]:
    """Read the advice among the messages to the person, in order."""
    return listed(
        made(
            Advice,
            code=own_category(one, "advice"),
            text=one.first("payload").text("contentString"),
            why=one.first("reasonCode").said(),
        )
        for one in messages
        if one.first("payload").text("contentString") and not own_category(one, "warning-sign")
    )


def own_category(one: Node, system: str) -> Read[str]:
    """Return the code that a category of the resource has in one of our systems, "" for none."""
    for category in one.items("category"):
        if code := category.code_in(system):
            return code
    return Read("")


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
        for told in one.items("orderDetail")
        for total in values(told, "total-ply")[:1]
    )


def _ply(value: Node) -> Read[int]:
    number = value.get("valueQuantity").integer("value")
    return Read(number.value or 0, number.path)


def _possible(told: Node) -> Read[bool]:
    for value in values(told, "possible"):
        said = value.boolean("valueBoolean")
        if said:
            return said
    return Read(True)  # noqa: FBT003
