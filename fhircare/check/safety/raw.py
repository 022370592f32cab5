"""Raw JSON, taken for nothing: members, codes, amounts, dates, and the numbers of a text."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.check.gather import ResourceScope

OURS = "https://fhircare.github.io/fhir/CodeSystem/"
"""What the addresses of our code systems begin with."""
Json = dict[str, Any]


def text(node: Any, name: str) -> str:
    """Return a member that is a string, "" when it is none."""
    value = node.get(name) if isinstance(node, dict) else None
    return value if isinstance(value, str) else ""


def obj(node: Any, name: str) -> Json:
    """Return a member that is an object, an empty one when it is none."""
    value = node.get(name) if isinstance(node, dict) else None
    return value if isinstance(value, dict) else {}


def items(node: Any, name: str) -> list[tuple[int, Json]]:
    """Return the objects of a member that is an array, each with its index."""
    value = node.get(name) if isinstance(node, dict) else None
    if not isinstance(value, list):
        return []
    return [(index, one) for index, one in enumerate(value) if isinstance(one, dict)]


def codings(concept: Any) -> Iterator[tuple[str, str]]:
    """Yield system and code of each Coding of a CodeableConcept."""
    known = concept.get("coding") if isinstance(concept, dict) else None
    for coding in known if isinstance(known, list) else ():
        if isinstance(coding, dict):
            yield text(coding, "system"), text(coding, "code")


def code_of(concept: Any, system: str) -> str:
    """Return a CodeableConcept's code in one of our systems, "" when it has none."""
    known = concept.get("coding") if isinstance(concept, dict) else None
    if isinstance(known, list):
        uri = OURS + system
        for coding in known:
            if isinstance(coding, dict) and coding.get("system") == uri:
                return text(coding, "code")
    return ""


def amount(quantity: Json) -> float | int | None:
    """Return a Quantity's value, None when it has none."""
    value = quantity.get("value")
    return None if isinstance(value, bool | str | list | dict) else value


def date(value: Any) -> dt.date | None:
    """Return the date that a date or dateTime begins with, None when it is not that exact."""
    try:
        return dt.date.fromisoformat(value[:10]) if isinstance(value, str) else None
    except ValueError:
        return None


_CLOCK = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])(?::[0-5][0-9].*)?")


def clock(value: Any) -> int | None:
    """Return a time as minutes from midnight, None when it is none."""
    found = _CLOCK.fullmatch(value) if isinstance(value, str) else None
    return int(found[1]) * 60 + int(found[2]) if found else None


def hour(minutes: int) -> str:
    """Return minutes from midnight as texts have them: ``09:30``."""
    return f"{minutes // 60:02}:{minutes % 60:02}"


# A date, a time or a number; it begins with one set of letters, which makes the search quick.
_NUMBER = re.compile(r"[0-9](?:[0-9]{3}-[0-9]{2}-[0-9]{2}|[0-9]:[0-9]{2}|[0-9]*(?:\.[0-9]+)?)")


def numbers(said: str) -> list[str]:
    """Return the dates, times and numbers of a text, in order, each as briefly as it can be written."""
    found: list[str] = _NUMBER.findall(said)
    return [one.rstrip("0").rstrip(".") if "." in one else one for one in found]


def instruction(request: ResourceScope) -> str:
    """Return what a request says to the person: R4's string, R5's first instruction."""
    found = request.resource.get("patientInstruction")
    if isinstance(found, list):
        return text(found[0], "instructionMarkdown") if found else ""
    return found if isinstance(found, str) else ""
