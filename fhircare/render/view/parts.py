"""The parts of the prosthesis, for the list of what was delivered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.plan import Component
    from fhircare.render.said import Said, Sentence, Value
    from fhircare.render.view.page import Readable
    from fhircare.render.words import Words


@dataclass(frozen=True, slots=True, kw_only=True)
class PartView:
    """One part of the prosthesis, for the list of parts."""

    kind: Sentence
    name: Value
    details: tuple[Said, ...]


def parts_view(reading: Readable, words: Words) -> tuple[PartView, ...]:
    """The parts of the prosthesis, in the clinic's order."""
    prosthesis = reading.plan.prosthesis
    if prosthesis is None:
        return ()
    return tuple(
        PartView(
            kind=words.say(f"device.kind.{part.kind}"),
            name=words.text(part.name, reading.source(f"prosthesis.components[{index}].name")),
            details=tuple(_details(part, f"prosthesis.components[{index}]", reading, words)),
        )
        for index, part in enumerate(prosthesis.components)
    )


def _details(part: Component, place: str, reading: Readable, words: Words) -> Iterable[Said]:
    source = reading.source
    if part.count > 1:
        yield words.say("device.count", n=words.number(part.count, source(f"{place}.count")))
    for name in ("manufacturer", "model"):
        if text := getattr(part, name):
            yield words.text(text, source(f"{place}.{name}"))
    if part.serial:
        yield words.say("device.serial", serial=words.text(part.serial, source(f"{place}.serial")))
    if part.lot:
        yield words.say("device.lot", lot=words.text(part.lot, source(f"{place}.lot")))
    if part.replace_by is not None:
        day = words.date(part.replace_by, source(f"{place}.replace_by"), style="full")
        yield words.say("device.replace", day=day)
    if part.warranty_until is not None:
        day = words.date(part.warranty_until, source(f"{place}.warranty_until"), style="full")
        yield words.say("device.warranty", day=day)
