"""What a page could not read, in words: which resource, which elements, and where for those who can look."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fhircare.render.said import Said, Value
from fhircare.render.view.record import joined
from fhircare.render.view.retell import element_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from fhircare.bundle.source import Unread
    from fhircare.render.said import Sentence
    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words


@dataclass(frozen=True, slots=True, kw_only=True)
class UnreadView:
    """What could not be read.

    Attributes:
        lead: What the list is, or that there is nothing in it.
        lines: A line for each resource or kind of resource.
        places: Reason and FHIRPath of each place, for professionals; empty for the person.
    """

    lead: Sentence
    lines: tuple[Said, ...]
    places: tuple[tuple[Value, Value], ...]

    @property
    def required(self) -> tuple[Said, ...]:
        """What must be found on the page."""
        return (self.lead, *self.lines)


def unread_view(reading: Readable, words: Words, *, places: bool) -> UnreadView:
    """Put in words what could not be read.

    Args:
        reading: What was read.
        words: The words of the page.
        places: True to tell the FHIRPath and the reason of each place too.
    """
    unread: tuple[Unread, ...] = getattr(reading, "unread", ())
    inside = [one for one in unread if one.path not in {"Bundle", "CarePlan"}]
    lines = tuple(_lines(inside, reading.bundle, words))
    return UnreadView(
        lead=words.say("guest.unread.lead" if lines else "guest.unread.none"),
        lines=lines,
        places=tuple((Value(one.path), words.text(one.reason, lang="en")) for one in unread)
        if places
        else (),
    )


def _lines(unread: list[Unread], bundle: Mapping[str, Any], words: Words) -> Iterable[Said]:
    """Yield a line for each kind of resource of which nothing was read, and for each read in part."""
    whole: Counter[str] = Counter()
    partly: dict[str, tuple[str, list[str]]] = {}
    for one in unread:
        place, kind, rest = _resource(one.path, bundle)
        if rest:
            partly.setdefault(place, (kind, []))[1].append(_named(rest))
        else:
            whole[kind] += 1
    for kind, paths in partly.values():
        named = joined([_elements(steps.split("."), words) for steps in dict.fromkeys(paths)], "; ")
        yield words.say("guest.unread.partly", kind=_kind(kind, words), elements=named)
    for kind, count in whole.items():
        key = "guest.unread.whole" if count == 1 else "guest.unread.wholes"
        yield words.say(key, kind=_kind(kind, words), n=words.number(count))


def _resource(path: str, bundle: Mapping[str, Any]) -> tuple[str, str, str]:
    """Return the place of the innermost resource on a path, its type, and the path within it."""
    place, kind, rest = "", str(bundle.get("resourceType", "")), path.partition(".")[2]
    value: Any = bundle
    gone = path.partition(".")[0].partition("[")[0]
    for step in re.findall(r"\.[^.\[]+|\[\d+\]", path[len(gone) :]):
        try:
            value = value[int(step[1:-1])] if step[0] == "[" else value[step[1:]]
        except (KeyError, IndexError, TypeError):
            break
        gone += step
        if isinstance(value, dict) and isinstance(value.get("resourceType"), str):
            place, kind, rest = gone, value["resourceType"], path[len(gone) :].lstrip(".")
    return place, kind, rest


def _named(path: str) -> str:
    """The elements on a path; which one of several is left out, and what is within an extension."""
    steps = [re.sub(r"\[\d+\]", "", step) for step in path.split(".")]
    if "extension" in steps:
        steps = steps[: steps.index("extension") + 1]
    return ".".join(step for step in steps if step)


def _elements(steps: list[str], words: Words) -> Said:
    """The elements on a path in the page's language; a name that no catalog has stays FHIR's own."""
    return joined([_element(step.lstrip("_"), words) for step in steps], ", ")


def _element(name: str, words: Words) -> Said:
    key = f"guest.element.{name}"
    return words.say(key) if words.has(key) else words.text(element_words(name), lang="en")


def _kind(kind: str, words: Words) -> Said:
    key = f"guest.kind.{kind}"
    return words.say(key) if words.has(key) else words.text(element_words(kind), lang="en")
