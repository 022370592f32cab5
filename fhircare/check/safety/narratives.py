"""The narrative says what the elements say: no number of its own, and nothing that matters left out.

A narrative travels where the elements are not read. That of the CarePlan is safe to read alone: every day and
session, every sign to stop for, and whom to call.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from fhircare.check.safety.raw import clock, hour, instruction, items, numbers, obj, text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.check.gather import ResourceScope
    from fhircare.check.safety.held import Held
    from fhircare.check.safety.raw import Json

_CELLS = re.compile(r"\s*<[^>]*>\s*")
# The html module would do this too, and cost a twentieth of the start-up.
_ENTITY = re.compile(r"&(amp|lt|gt|quot|apos|#[0-9]{1,7}|#[xX][0-9a-fA-F]{1,6});")
_NAMED = {"amp": "&", "lt": "<", "gt": ">", "quot": '"', "apos": "'"}
# What a narrative does not repeat: names for machines, and the narrative itself.
_UNTOLD = {"meta", "url", "system", "reference", "language", "text", "resourceType", "unit", "use", "fullUrl"}
# Strings of these names are told nevertheless: the text of a concept, the unit of an amount.
_TEXTS = {"text", "unit"}


def check_narratives(held: Held) -> None:
    """Check the narrative of every resource of the plan, and that of the CarePlan closely."""
    plan = _plain(_said(held.plan))
    _Words(held).check()
    _whom_to_call(held, plan)
    _when_to_stop(held, plan)
    _days(held, plan)
    _rest(held, plan)


def _said(one: ResourceScope) -> str:
    return text(obj(one.resource, "text"), "div")


def _plain(div: str) -> str:
    """Return what is inside a narrative: its tags hold no digit, and no text of the plan runs across one."""
    inside = div[div.find(">") + 1 :]
    return _ENTITY.sub(_letter, inside) if "&" in inside else inside


def _letter(entity: re.Match[str]) -> str:
    """Return what an entity of XML stands for; a narrative has no others (``check.narrative``)."""
    name = entity[1]
    if not name.startswith("#"):
        return _NAMED[name]
    number = int(f"0{name[1:]}", 16) if name[1] in "xX" else int(name[1:])
    return chr(number) if number < 0x110000 else ""


def _place(one: ResourceScope) -> Any:
    return ((one.path, "text"), "div")


_OF_DEVICES = {"Device", "DeviceUseStatement", "DeviceUsage"}


class _Words:
    """The narratives of all resources but the CarePlan, each against its own resource."""

    def __init__(self, held: Held) -> None:
        self._held = held
        self._known: dict[int, set[str]] = {}

    def check(self) -> None:
        """Check them all."""
        held = self._held
        for one in held.parts:
            said = _plain(_said(one))
            language = text(one.resource, "language")
            if not said:
                held.say("narrative.missing", (one.path, "text"))
                continue
            if language and f'lang="{language}"' not in _said(one):
                held.say("narrative.language", (one.path, "language"))
            if one is held.plan:
                continue
            parts = list(_parts(held, one))
            strange = set(numbers(said)).difference(numbers("\n".join(parts)))
            strange = strange and _unsaid(one.resource, strange)
            if strange and strange - self._around(one):
                held.say("narrative.number", _place(one))
            elif any(part not in said for part in parts):
                held.say("narrative.words", _place(one))

    def _tokens(self, one: ResourceScope) -> set[str]:
        known = self._known.get(id(one))
        if known is None:
            told = [_told(value) for name, value in one.resource.items() if name not in _UNTOLD]
            known = self._known[id(one)] = set(numbers("\n".join(told)))
        return known

    def _around(self, one: ResourceScope) -> set[str]:
        """Return the numbers of the resources that this one points to, and of those that they point to."""
        held = self._held
        near = list(held.pointed.get(id(one), ()))
        near += [second for first in near for second in held.pointed.get(id(first), ())]
        if one.type == "Device":  # a whole names its parts, which point to it
            near += [other for other in held.parts if other.type in _OF_DEVICES]
        return set().union(*map(self._tokens, near))


def _unsaid(resource: Json, strange: set[str]) -> set[str]:
    """Return the numbers that no element of a resource says; the end says most of what narratives tell."""
    for name, value in reversed(resource.items()):
        if name not in _UNTOLD:
            strange = strange.difference(numbers(_told(value)))
            if not strange:
                break
    return strange


def _told(element: Any) -> str:
    """Return the texts and numbers of an element that a narrative may tell, a line for each.

    So one search finds all their numbers: none runs across a line.
    """
    told: list[str] = []
    waiting = [element]
    while waiting:
        node = waiting.pop()
        kind = type(node)
        if kind is dict:
            for name, value in node.items():
                if type(value) is str:
                    if name not in _UNTOLD or name in _TEXTS:
                        told.append(value)
                elif name not in _UNTOLD:
                    waiting.append(value)
        elif kind is list:
            waiting += node
        elif kind is not bool and node is not None:
            told.append(str(node))
    return "\n".join(told)


def _parts(held: Held, one: ResourceScope) -> Iterator[str]:
    """Yield the texts of a resource that its narrative repeats word by word."""
    resource = one.resource
    if one.type == "ServiceRequest":
        yield from _request(held, one)
    elif one.type == "Appointment":
        for name in ("description", "status", "comment"):
            yield text(resource, name)
        yield f"{text(resource, 'start')[:16].replace('T', ' ')}, {resource.get('minutesDuration')}"
        for _, period in items(resource, "requestedPeriod"):
            yield f"{text(period, 'start')} and {text(period, 'end')}"
    elif one.type == "Flag":
        yield from text(obj(resource, "code"), "text").partition(": ")[2].split("; ")
    elif one.type == "Goal":
        yield text(obj(resource, "description"), "text")
        yield text(resource, "lifecycleStatus")
    elif one.type in {"Organization", "HealthcareService", "CareTeam"}:
        yield text(resource, "name")
        yield from (
            text(told, "value") for _, told in items(resource, "telecom") if told.get("system") == "phone"
        )
    elif one.type in {"Patient", "Practitioner", "RelatedPerson"}:
        yield from (text(name, "family") for _, name in items(resource, "name"))
        yield text(resource, "birthDate")
    elif one.type == "Observation":
        yield from (text(note, "text") for _, note in items(resource, "note"))


def _request(held: Held, one: ResourceScope) -> Iterator[str]:
    kind = held.kind_of(one)
    if kind in {"advice", "warning-signs", "sock-guide"}:
        yield from (detail.text for detail in held.details(one))
    elif kind == "":
        title = text(obj(one.resource, "code"), "text")
        yield title
        yield instruction(one)[len(title) + 2 : -1]
        yield from (text(note, "text") for _, note in items(one.resource, "note"))
    elif kind is not None:
        yield instruction(one)
        span = obj(one.resource, "occurrencePeriod") or obj(
            obj(obj(one.resource, "occurrenceTiming"), "repeat"), "boundsPeriod"
        )
        yield f"{text(span, 'start')} to {text(span, 'end')}"
        yield from (text(note, "text") for _, note in items(one.resource, "note"))
        yield from (
            part
            for detail in held.details(one)
            if detail.code in {"pace", "override"}
            for part in (detail.text, detail.string("value") if detail.code == "override" else "")
        )


def _whom_to_call(held: Held, said: str) -> None:
    clinic = held.clinic
    if clinic is None:
        return
    contacts = [
        text(told, "value")
        for _, contact in items(clinic.resource, "contact")
        for _, told in items(contact, "telecom")
        if told.get("system") == "phone"
    ]
    if any(number not in said for number in [*contacts, text(clinic.resource, "name")]):
        held.say("narrative.call", _place(held.plan))


def _when_to_stop(held: Held, said: str) -> None:
    """Every sign of the two gravest levels stands there, with what it means and whom to call."""
    cells = _CELLS.sub("\n", said).replace("\n\n", "\n")
    for request in held.of_kind("warning-signs"):
        for sign in held.details(request):
            if sign.term("level", "sign-level") not in {"stop", "emergency"}:
                continue
            row = [sign.text, *(_display(sign.values, name) for name in ("level", "call"))]
            if "\n".join(row) not in cells:
                held.say("narrative.stop", _place(held.plan))
                return


def _display(values: dict[str, list[Any]], name: str) -> str:
    concept = values[name][0].value if name in values else None
    return next((text(coding, "display") for _, coding in items(concept, "coding")), "")


def _days(held: Held, said: str) -> None:
    """The table of days is the schedule, session by session, with rest and redness before it."""
    schedule = held.schedule
    if schedule is None or schedule.settings is None or not schedule.days:
        return
    wanted = []
    for code in ("rest", "redness"):
        detail = held.detail(schedule.settings, code)
        wanted += numbers(str(detail.number(code))) if detail else []
    for day in schedule.days:
        rows = schedule.sessions.get(day, [])
        wanted += [day.isoformat()] if not rows else []
        for one in rows:
            split = held.detail(one.request, "split")
            parts = [split.number(name) for name in ("sitting", "standing", "walking")] if split else []
            wanted += [day.isoformat(), hour(one.start), str(one.minutes), *map(str, parts)]
    if f" {' '.join(wanted)} " not in f" {' '.join(numbers(said))} ":
        held.say("narrative.days", _place(held.plan))


def _rest(held: Held, said: str) -> None:
    """Tasks, visits, goals, number and status stand there too."""
    number = next(
        (
            text(one, "value")
            for _, one in items(held.plan.resource, "identifier")
            if text(one, "system").endswith("/fhircare/plan")
        ),
        "",
    ).rpartition("/r")
    wanted = [f"{number[0]}, revision {number[2]}", held.status]
    wanted += [instruction(one) for one in held.of_kind("")]
    wanted += [_visit(one.resource) for one in held.visits]
    wanted += [text(obj(one.resource, "description"), "text") for one in held.goals]
    if any(part not in said for part in wanted):
        held.say("narrative.plan", _place(held.plan))


def _visit(resource: Json) -> str:
    at = clock(text(resource, "start")[11:])
    kinds = [
        text(coding, "code") for _, one in items(resource, "reasonCode") for _, coding in items(one, "coding")
    ]
    return f"{text(resource, 'start')[:10]} {hour(at) if at is not None else ''}: {', '.join(kinds)}"
