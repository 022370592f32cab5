"""Cautions and warning signs: what each sign means, what to do, whom to call."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fhircare.plan import LEVELS, Call, Level, WarningSign

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fhircare.render.said import Said, Sentence, Value
    from fhircare.render.view.page import Readable
    from fhircare.render.view.people import ContactsView
    from fhircare.render.words import Words

CALLS: tuple[Call, ...] = ("emergency-number", "now", "same-day", "next-visit", "none")
"""From the soonest to the latest."""
SKIN_SIGNS = (
    "redness-fades", "sock-marks", "itch-or-rash", "tender-spot", "redness-stays", "redness-not-pale",
    "blister", "broken-skin", "dark-area", "infection", "sudden-swelling",
)  # fmt: skip
"""Signs that a person finds when looking at the skin."""
CAUTIONS = ("caution.not", "caution.first", "caution.stop", "caution.emergency")
"""Cautions that stand on every reader's page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignView:
    """One sign: what is seen, what it means, what to do, and how soon to call."""

    code: str
    text: Said
    level: Level
    call: Call
    means: Sentence
    do: tuple[Said, ...]
    when: Sentence
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CallGroup:
    """Signs of one level with the same call."""

    call: Call
    when: Sentence
    signs: tuple[SignView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelView:
    """Signs of one level.

    Attributes:
        level: The level.
        signal: The signal word of ANSI Z535.6, or None: an emergency simply says whom to call, and what is
            usual needs no signal word.
        heading: What to do, in a few words.
        lead: What to do, in a sentence.
        calls: The signs by how soon to call.
    """

    level: Level
    signal: Sentence | None
    heading: Sentence
    lead: Sentence
    calls: tuple[CallGroup, ...]

    @property
    def signs(self) -> tuple[SignView, ...]:
        """All signs of the level."""
        return tuple(sign for group in self.calls for sign in group.signs)


def levels_view(
    reading: Readable, words: Words, contacts: ContactsView, values: Mapping[str, object]
) -> tuple[LevelView, ...]:
    """The warning signs by level, gravest first; levels without signs are left out."""
    signs = [
        _sign(sign, index, reading, words, contacts, values)
        for index, sign in enumerate(reading.plan.care.signs)
    ]
    found = []
    for level in reversed(LEVELS):
        of_level = [sign for sign in signs if sign.level == level]
        if not of_level:
            continue
        groups = tuple(
            CallGroup(
                call=call,
                when=words.say(f"call.when.{call}", emergency=contacts.emergency),
                signs=tuple(sign for sign in of_level if sign.call == call),
            )
            for call in CALLS
            if any(sign.call == call for sign in of_level)
        )
        found.append(
            LevelView(
                level=level,
                signal=words.say(f"call.signal.{level}") if level in {"stop", "watch"} else None,
                heading=words.say(f"call.{level}.heading", emergency=contacts.emergency),
                lead=words.say(f"call.{level}.lead", emergency=contacts.emergency),
                calls=groups,
            )
        )
    return tuple(found)


def limit_value(sign: WarningSign, place: str, reading: Readable, words: Words) -> Value | None:
    """The number of a sign with its unit in words; None when it has none."""
    if sign.limit is None:
        return None
    source = reading.source(f"{place}.limit")
    if sign.limit_unit == "min" and sign.limit == int(sign.limit):
        return words.length(int(sign.limit), source)
    return words.quantity(sign.limit, sign.limit_unit, source)


def _sign(
    sign: WarningSign,
    index: int,
    reading: Readable,
    words: Words,
    contacts: ContactsView,
    values: Mapping[str, object],
) -> SignView:
    place = f"care.signs[{index}]"
    limit = limit_value(sign, place, reading, words)
    given: dict[str, object] = {**values, **({"limit": limit} if limit is not None else {})}
    key = f"sign.{sign.code}"
    source = reading.source(f"{place}.code")
    if words.has(key) and words.names(key) <= given.keys():
        text: Said = replace(words.say(key, **given), source=source)
    else:
        text = words.text(sign.text, reading.source(f"{place}.text"), lang="en")
    # A stop that names no call is a stop all the same, and a stop means to call: that is the level's meaning.
    call: Call = "same-day" if sign.call == "none" and sign.level == "stop" else sign.call
    do: list[Said] = [words.say(f"{key}.do")] if words.has(f"{key}.do") else []
    do.append(words.say(f"call.do.{call}", phone=contacts.phone, emergency=contacts.emergency))
    return SignView(
        code=sign.code,
        text=text,
        level=sign.level,
        call=call,
        means=replace(words.say(f"call.level.{sign.level}"), source=reading.source(f"{place}.level")),
        do=tuple(do),
        when=replace(
            words.say(f"call.when.{call}", emergency=contacts.emergency),
            source=reading.source(f"{place}.call"),
        ),
        source=source,
    )


def skin_findings(levels: tuple[LevelView, ...]) -> tuple[SignView, ...]:
    """The signs found by looking at the skin, mildest first."""
    return tuple(sign for level in reversed(levels) for sign in level.signs if sign.code in SKIN_SIGNS)


def cautions_view(words: Words, contacts: ContactsView) -> tuple[Sentence, ...]:
    """The cautions of every page: what the plan is not, who comes first, when to stop, whom to call."""
    return tuple(words.say(key, phone=contacts.phone, emergency=contacts.emergency) for key in CAUTIONS)


def required_of(
    cautions: tuple[Sentence, ...], levels: tuple[LevelView, ...], contacts: ContactsView
) -> tuple[Said, ...]:
    """What must be found on a page after it was rendered: cautions, stop rules and contacts."""
    grave = [sign.text for level in levels if level.level in {"stop", "emergency"} for sign in level.signs]
    return (*cautions, *grave, contacts.phone, contacts.after_hours, contacts.emergency)
