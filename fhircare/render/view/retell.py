"""What an element of another system says, in the reader's words: nothing added, nothing left out."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from fhircare.render.said import Said, Value, clean
from fhircare.render.view.care import frequency_words
from fhircare.render.view.people import weekday_names
from fhircare.render.view.record import joined

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable

    from fhircare.bundle.retold import Item
    from fhircare.bundle.told import Measured, Schedule, Told
    from fhircare.render.words import Words

LABELS = {
    "state": "status lifecycleStatus clinicalStatus",
    "certain": "verificationStatus",
    "intent": "intent",
    "state-why": "statusReason cancelationReason",
    "state-since": "statusDate",
    "what": "description",
    "how": "patientInstruction",
    "when": "scheduledTiming scheduledPeriod scheduledString occurrenceTiming occurrencePeriod period "
    "occurrenceDateTime executionPeriod timingPeriod timingDateTime timingTiming effectiveDateTime "
    "effectivePeriod requestedPeriod",
    "starts": "start startDate startCodeableConcept",
    "ends": "end",
    "length": "minutesDuration",
    "where": "location locationCode",
    "who": "performer participant owner author contributor requester",
    "wish": "expressedBy",
    "why": "reasonCode reasonReference addresses",
    "product": "productCodeableConcept productReference",
    "daily": "dailyAmount",
    "amount": "quantity quantityQuantity",
    "goal": "goal",
    "as-needed": "asNeededBoolean asNeededCodeableConcept",
    "body": "bodySite",
    "note": "note",
    "written": "authoredOn recordedDate created date",
    "kind": "type serviceType appointmentType specialty category",
    "achieved": "achievementStatus",
    "since": "onsetDateTime onsetPeriod onsetString onsetAge",
    "over": "abatementDateTime",
    "priority": "priority",
    "severity": "severity criticality",
    "value": "valueQuantity valueCodeableConcept valueString valueBoolean valueInteger valueRange "
    "valueDateTime valueTime valuePeriod detail",
    "means": "interpretation",
    "due": "dueDate",
    "maker": "manufacturer",
    "model": "modelNumber partNumber",
    "serial": "serialNumber",
    "lot": "lotNumber",
    "made": "manufactureDate",
    "expires": "expirationDate",
    "file": "title",
    "form": "contentType",
    "role": "role",
}
"""Label, and the elements that it stands before."""
_LABEL_OF = {element: label for label, elements in LABELS.items() for element in elements.split()}


def label(element: str, words: Words) -> Said:
    """What an element is called on the page."""
    known = _LABEL_OF.get(element)
    return words.say(f"guest.label.{known}") if known else words.text(element_words(element), lang="en")


def element_words(element: str) -> str:
    """An element's name as words: ``reasonReference`` is "reason reference"."""
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", element.lstrip("_")).lower()


def title_of(item: Item, words: Words) -> Said | None:
    """What an item is called, None where it is called nothing."""
    return told_words(item.title, words) if item.title is not None else None


def told_words(told: Told, words: Words, *, element: str = "") -> Said:
    """What was told, in words.

    Args:
        told: What was told.
        words: The words of the page.
        element: The element's name: some codes mean something else in another element, and
            ``minutesDuration`` is a length, though FHIR gives it as a number.
    """
    value, path = told.value, told.path
    match told.kind:
        case "code":
            return _code(value, path, element, words)
        case "day":
            return words.date(value, path, style="full")
        case "moment":
            return _moment(value, path, words)
        case "span":
            return _between((told_words(end, words) if end else None for end in value), words)
        case "number":
            length = element == "minutesDuration" and value == int(value) and value > 0
            return words.length(int(value), path) if length else words.number(value, path)
        case "quantity":
            return _quantity(value, path, words)
        case "range":
            ends = (_quantity(end, path, words) if end else None for end in value)
            return _between(ends, words, "guest.range")
        case "truth":
            return Value(str(words.say("guest.yes" if value else "guest.no")), path, "number")
        case "schedule":
            return _schedule(value, path, words)
        case "unsaid":
            return words.say("guest.unsaid")
        case _:
            return words.text(str(value), path, lang=told.language)


def _code(code: str, path: str, element: str, words: Words) -> Value:
    for key in (f"guest.code.{element}.{code}", f"guest.code.{code}"):
        if words.has(key):
            return Value(str(words.say(key)), path, "number", code)
    return words.text(code, path, lang="en")


def _moment(moment: dt.datetime, path: str, words: Words) -> Said:
    """A moment on the clock it was written with, which need not be the reader's: so the clock is named."""
    offset = moment.strftime("%z")
    zone = "UTC" if offset.startswith("+0000") else f"UTC{offset[:3]}:{offset[3:5]}"
    return words.say(
        "guest.moment",
        day=words.date(moment.date(), path, style="full"),
        time=words.time(moment.time(), path),
        zone=Value(zone),
    )


def _between(ends: Iterable[Said | None], words: Words, key: str = "guest.span") -> Said:
    low, high = ends
    if low is not None and high is not None:
        return words.say(f"{key}.from-to", first=low, last=high)
    if low is not None:
        return words.say(f"{key}.from", first=low)
    return words.say(f"{key}.to", last=high)


def _quantity(measured: Measured, path: str, words: Words) -> Said:
    value = words.quantity(measured.number, clean(measured.unit), path, least=False)
    names = {"<": "less", "<=": "at-most", ">=": "at-least", ">": "more"}
    if not measured.comparator:
        return value
    if measured.comparator not in names:
        return joined([words.text(measured.comparator, path), value], " ")
    return words.say(f"guest.compare.{names[measured.comparator]}", value=value)


def _schedule(schedule: Schedule, path: str, words: Words) -> Said:
    said: list[Said] = []
    if schedule.events:
        said.append(words.join([words.date(day, path, style="full") for day in schedule.events]))
    if schedule.frequency is not None:
        said.append(frequency_words(schedule.frequency, words, path))
    if schedule.days:
        said.append(words.say("guest.on-days", days=weekday_names(schedule.days, words, path)))  # type: ignore[arg-type]
    if schedule.times:
        said.append(words.say("guest.at", times=words.join([words.time(at, path) for at in schedule.times])))
    if schedule.moments:
        said.append(words.join([words.say(f"moment.{moment}") for moment in schedule.moments]))
    if schedule.minutes is not None:
        said.append(words.say("guest.for", length=words.length(schedule.minutes, path)))
    if schedule.count is not None:
        said.append(words.say("guest.count", n=words.number(schedule.count, path)))
    if schedule.first is not None or schedule.last is not None:
        ends = (schedule.first, schedule.last)
        said.append(_between((words.date(day, path, style="full") if day else None for day in ends), words))
    return joined(said, ", ")
