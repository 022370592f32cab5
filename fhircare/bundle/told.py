"""Any element as something that can be said: text, a day, a number with its unit, a schedule.

For bundles that others wrote. The shape of the JSON tells the datatype, so that R4 and R5 and elements that
this house has no place for are told the same way. All of an element is told or nothing is: half a schedule,
or a number without its comparator, would be a wrong statement.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal, get_args

from fhircare.bundle.timing import CODES
from fhircare.plan import WEEKDAYS
from fhircare.plan.care import Frequency, PeriodUnit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.bundle.located import Node
    from fhircare.bundle.source import Source

Kind = Literal[
    "text", "code", "day", "moment", "span", "number", "quantity", "range", "truth", "schedule", "unsaid"
]


@dataclass(frozen=True)
class Measured:
    """A number with its unit and comparator, as the element gives them; "" for none."""

    number: Decimal
    unit: str = ""
    comparator: str = ""


@dataclass(frozen=True)
class Schedule:
    """All that a Timing says; what it leaves open is None or empty.

    Attributes: frequency: How often; None when only days, times or moments are told. days: Days of the week.
        times: Clock times. moments: Moments of the day, codes of R4's event-timing. minutes: How long each
        time. count: How often in all. first, last: The days between which it holds, both included.
        events: The very moments it names.
    """

    frequency: Frequency | None = None
    days: tuple[str, ...] = ()
    times: tuple[dt.time, ...] = ()
    moments: tuple[str, ...] = ()
    minutes: int | None = None
    count: int | None = None
    first: dt.date | None = None
    last: dt.date | None = None
    events: tuple[dt.date, ...] = ()


@dataclass(frozen=True)
class Told:
    """Something that an element says.

    Attributes:
        kind: What ``value`` is: ``text`` and ``code`` str, ``day`` date, ``moment`` datetime with offset,
            ``span`` a pair of Told or None, ``number`` Decimal, ``quantity`` Measured, ``range`` a pair of
            Measured or None, ``truth`` bool, ``schedule`` Schedule,
            ``unsaid`` None: a schedule is there that cannot be told.
        value: The value.
        path: The FHIRPath it is best known by.
        paths: The FHIRPath of every leaf that went into it.
        language: BCP 47 tag of its resource's language, "" where that is not told.
    """

    kind: Kind
    value: Any
    path: str
    paths: tuple[str, ...]
    language: str = ""


def tell(source: Source, node: Node) -> Told | None:
    """Return what an element says; None for what is absent, broken or cannot be told as a whole."""
    told = _tell(source, node)
    language = node.resource.word("language") if node.resource is not None else ""
    return replace(told, language=language) if told is not None and language else told


def _tell(source: Source, node: Node) -> Told | None:
    value = node.value
    if isinstance(value, str):
        return _tell_text(node)
    if isinstance(value, bool):
        return Told("truth", value, node.path, (node.path,))
    if isinstance(value, int | float | Decimal):
        number = _number(value)
        return None if number is None else Told("number", number, node.path, (node.path,))
    return _tell_object(source, node) if isinstance(value, dict) else None


def tell_name(source: Source, reference: Node) -> Told | None:
    """Return what a Reference's target is called, else its display; None when neither tells."""
    target = source.resolve(reference)
    if target is not None:
        named = name_of(source, target)
        if named is not None:
            return replace(named, paths=(*named.paths, *leaves(reference)))
    display = reference.text("display")
    return Told("text", display.value, display.path, leaves(reference)) if display else None


def name_of(source: Source, resource: Node) -> Told | None:
    """Return what a person, place or thing is called."""
    if resource.kind == "PractitionerRole":
        for element in ("practitioner", "organization"):
            behind = source.resolve(resource.get(element))
            if behind is not None and behind.kind == "PractitionerRole":
                return None  # no such thing, and it may lead in a circle
            if (told := tell_name(source, resource.get(element))) is not None:
                return told
        return None
    name = resource.get("name")
    if isinstance(name.value, str):
        return _tell_text(name)
    for one in resource.items("name"):
        if one.word("use") not in {"old", "maiden"} and (told := _tell_human_name(one)) is not None:
            return told
    if resource.kind in {"Patient", "Practitioner", "RelatedPerson", "Organization", "Location"}:
        return None
    for element in ("deviceName", "name"):
        for one in resource.items(element):
            word = one.get("name") or one.get("value")
            if (told := _tell_text(word)) is not None:
                return told
    for element in ("code", "description", "type", "title"):
        node = _only(resource, element)
        said = node.said() if isinstance(node.value, dict) else node.read()
        if said:
            return Told("text", " ".join(said.value.split()), said.path, leaves(node))
    return None


_PARTS = frozenset(
    {
        "id", "coding", "text", "system", "version", "code", "display", "userSelected", "value", "unit",
        "comparator", "start", "end", "low", "high", "reference", "type", "identifier", "use", "prefix",
        "given", "family", "suffix", "name", "repeat", "event", "boundsPeriod", "frequency", "period",
        "periodUnit", "dayOfWeek", "timeOfDay", "when", "duration", "durationUnit", "count", "concept",
        "language", "preferred", "rank", "status", "div",
    }
)  # fmt: skip
"""The elements of datatypes that are told; what else stands in one, such as an extension, is not."""


def leaves(node: Node) -> tuple[str, ...]:
    """Return the FHIRPath of every leaf of an element that a datatype is known to have."""
    return tuple(_leaves(node.value, node.path)) if node else ()


def strangers(value: Any, path: str) -> Iterator[str]:
    """Yield the FHIRPath of everything in an element that no datatype which is told is known to have."""
    if isinstance(value, dict):
        for name, below in value.items():
            if name in _PARTS:
                yield from strangers(below, f"{path}.{name}")
            else:
                yield f"{path}.{name}"
    elif isinstance(value, list):
        for index, below in enumerate(value):
            yield from strangers(below, f"{path}[{index}]")


def _leaves(value: Any, path: str) -> Iterator[str]:
    if isinstance(value, dict):
        for name, below in value.items():
            if name in _PARTS:
                yield from _leaves(below, f"{path}.{name}")
    elif isinstance(value, list):
        for index, below in enumerate(value):
            yield from _leaves(below, f"{path}[{index}]")
    else:
        yield path


def _only(resource: Node, element: str) -> Node:
    """Return an element, or the first of it where it repeats."""
    found = resource.get(element)
    return resource.first(element) if isinstance(found.value, list) else found


def _tell_text(node: Node) -> Told | None:
    text = " ".join(node.string().split())
    if not text:
        return None
    kind: Kind = "text"
    value: Any = text
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            kind, value = "day", dt.date.fromisoformat(text)
        elif re.fullmatch(r"\d{4}-\d\d-\d\dT\S+", text):
            moment = dt.datetime.fromisoformat(text)
            kind, value = ("moment", moment) if moment.tzinfo else ("text", text)
    except ValueError:
        kind, value = "text", text
    return Told(kind, value, node.path, (node.path,))


def _tell_human_name(name: Node) -> Told | None:
    whole = name.text("text")
    if whole:
        return Told("text", whole.value, whole.path, (whole.path,))
    words: list[str] = []
    for part in ("prefix", "given", "family", "suffix"):
        words += [name.word(part)] if name.word(part) else list(name.texts(part).value)
    told = [one for part in ("prefix", "given", "family", "suffix") for one in leaves(name.get(part))]
    return Told("text", " ".join(words), told[0], tuple(told)) if words else None


_CONCEPT = {"coding", "text", "id"}
_CODING = {"system", "version", "code", "display", "userSelected", "id"}
_QUANTITY = {"value", "unit", "system", "code", "comparator", "id"}
_PERIOD = {"start", "end", "id"}
_REFERENCE = {"reference", "display", "type", "identifier", "id"}
_ANNOTATION = {"text", "time", "authorString", "authorReference", "id"}


def _tell_object(source: Source, node: Node) -> Told | None:
    names = set(node.value)
    if names & {"concept"} or (names == {"reference"} and isinstance(node.value["reference"], dict)):
        return _tell_either(source, node)  # R5's CodeableReference
    if names & {"repeat", "event"} or isinstance(node.value.get("code"), dict):
        return tell_schedule(node)
    if names <= _CONCEPT:
        said = node.said()
        return Told("text", said.value, said.path, leaves(node)) if said else None
    if names & {"display", "code"} and names <= _CODING:
        said = node.text("display").or_else(node.text("code"))
        return Told("text", said.value, said.path, leaves(node)) if said else None
    if "value" in names and names <= _QUANTITY:
        number = _tell_quantity(node)
        return None if number is None else Told("quantity", number, node.get("value").path, leaves(node))
    if names <= {"low", "high", "id"}:
        return _tell_range(node)
    if names <= _PERIOD:
        return _tell_span(node)
    if names & {"reference", "display"} and names <= _REFERENCE:
        return tell_name(source, node)
    if names <= _ANNOTATION:
        text = node.text("text")
        return Told("text", text.value, text.path, (text.path,)) if text else None
    return None


def _tell_either(source: Source, node: Node) -> Told | None:
    concept = node.get("concept")
    return tell(source, concept) if concept else tell_name(source, node.get("reference"))


def _tell_quantity(node: Node) -> Measured | None:
    number = node.decimal("value").value
    if number is None:
        return None
    return Measured(number, node.word("unit") or node.word("code"), node.word("comparator"))


def _tell_range(node: Node) -> Told | None:
    ends = [_tell_quantity(node.get(name)) if node.get(name) else None for name in ("low", "high")]
    given = sum(bool(node.get(name)) for name in ("low", "high"))
    if not given or sum(end is not None for end in ends) != given:
        return None
    return Told("range", tuple(ends), node.path, leaves(node))


def _tell_span(node: Node) -> Told | None:
    ends = [_tell_text(node.get(name)) for name in ("start", "end")]
    given = sum(bool(node.get(name)) for name in ("start", "end"))
    if not given or sum(end is not None for end in ends) != given:
        return None
    return Told("span", tuple(ends), node.path, leaves(node))


def _number(value: Any) -> Decimal | None:
    number = Decimal(str(value))
    return number if number.is_finite() and abs(number.adjusted()) < 30 else None


# ------------------------------------------------------------------ schedules

_REPEAT = {
    "boundsPeriod", "frequency", "period", "periodUnit", "dayOfWeek", "timeOfDay", "when",
    "duration", "durationUnit", "count",
}  # fmt: skip
MOMENTS = (
    "MORN", "NOON", "AFT", "EVE", "NIGHT", "PHS", "HS", "WAKE", "C", "CM", "CD", "CV", "AC", "ACM", "ACD",
    "ACV", "PC", "PCM", "PCD", "PCV",
)  # fmt: skip
"""The moments of the day that a page has words for (R4, event-timing; the finer ones are left out)."""


def tell_schedule(timing: Node) -> Told | None:
    """Return all that a Timing says; its text when the rest cannot be told as a whole, else None."""
    if not isinstance(timing.value, dict):
        return None
    code = timing.get("code")
    known = set(timing.value) <= {"repeat", "event", "code", "id"}
    span = timing.get("repeat").get("boundsPeriod")
    if timing.value == {"repeat": {"boundsPeriod": span.value}} and isinstance(span.value, dict):
        return _tell_span(span)
    schedule = _schedule(timing) if known and not code else None
    if schedule is not None:
        return Told("schedule", schedule, timing.path, leaves(timing))
    known_code = CODES.get(code.first("coding").word("code")) if not code.get("text") else None
    if known_code and known_code[2] in get_args(PeriodUnit) and set(timing.value) <= {"code", "id"}:
        times, every, unit, moments = known_code
        frequency = Frequency(times=times, every=every, unit=unit)  # type: ignore[arg-type]
        return Told("schedule", Schedule(frequency, moments=moments), timing.path, leaves(timing))
    said = code.said()
    whole = not timing.get("repeat") and not timing.get("event")
    return Told("text", said.value, said.path, leaves(code)) if said and whole else None


def _schedule(timing: Node) -> Schedule | None:
    repeat = timing.get("repeat")
    events = timing.items("event")
    if events:
        days = [_tell_text(one) for one in events]
        if repeat or not all(day and day.kind == "day" for day in days):
            return None
        return Schedule(events=tuple(day.value for day in days if day))
    if not isinstance(repeat.value, dict) or not set(repeat.value) <= _REPEAT:
        return None
    limits = repeat.get("boundsPeriod")
    ends = {name: _tell_text(limits.get(name)) for name in ("start", "end")}
    if limits and any(limits.get(name) and (end is None or end.kind != "day") for name, end in ends.items()):
        return None
    first, last = (end.value if end else None for end in ends.values())
    return _every(repeat, first, last)


def _every(repeat: Node, first: dt.date | None, last: dt.date | None) -> Schedule | None:
    days, moments = repeat.texts("dayOfWeek").value, repeat.texts("when").value
    clock = repeat.texts("timeOfDay").value
    times = tuple(one for one in map(_clock, clock) if one)
    frequency = _frequency(repeat)
    minutes = _minutes(repeat)
    count = repeat.integer("count").value
    sayable = (
        set(days) <= set(WEEKDAYS) and set(moments) <= set(MOMENTS) and len(times) == len(clock)
        and (frequency is not None or not repeat.get("period"))
        and (minutes is not None or not repeat.get("duration"))
        and (count is not None or not repeat.get("count"))
        and (frequency is not None or days or times or moments or count)
        and not (frequency and frequency.times > 1 and len(times or moments) not in {0, frequency.times})
        and (frequency is not None or not repeat.get("frequency") or repeat.integer("frequency").value == 1)
    )  # fmt: skip
    if not sayable:
        return None
    return Schedule(frequency, days, times, moments, minutes, count, first, last)


def _frequency(repeat: Node) -> Frequency | None:
    unit, every = repeat.word("periodUnit"), repeat.integer("period").value
    times = repeat.integer("frequency").value if repeat.get("frequency") else 1
    if unit not in get_args(PeriodUnit) or not every or every < 1 or not times or times < 1:
        return None
    return Frequency(times=times, every=every, unit=unit)  # type: ignore[arg-type]


def _minutes(repeat: Node) -> int | None:
    length = repeat.decimal("duration").value
    factor = {"min": 1, "h": 60}.get(repeat.word("durationUnit"))
    if length is None or factor is None or length * factor != int(length * factor) or not 0 < length < 10**6:
        return None
    return int(length * factor)


def _clock(text: str) -> dt.time | None:
    try:
        return dt.time.fromisoformat(text)
    except ValueError:
        return None
