"""Daily care, what to know, what to watch for, and the sock guide."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Literal

from annotated_types import Ge, Gt

from fhircare.plan.part import Part, Text
from fhircare.plan.people import Weekday

PeriodUnit = Literal["d", "wk", "mo", "a"]
Moment = Literal["WAKE", "MORN", "AFT", "EVE", "HS"]
"""FHIR's event-timing codes used here: on waking, morning, afternoon, evening, before sleep."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frequency(Part):
    """How often, as structured timing: ``times`` in every ``every`` ``unit``."""

    times: Annotated[int, Gt(0)] = 1
    """How many times."""
    every: Annotated[int, Gt(0)] = 1
    """In how many units."""
    unit: PeriodUnit = "d"
    """Day, week, month or year (UCUM, as FHIR's units-of-time)."""
    moments: tuple[Moment, ...] = ()
    """When in the day; ``times`` is then their number."""
    days: tuple[Weekday, ...] = ()
    """Only on these days of the week."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CareTask(Part):
    """Something the person does again and again."""

    code: Text
    """Stable code of the task, such as liner-wash; the handout's words hang on it."""
    text: Text
    """The task in plain English, for readers that do not know the code."""
    frequency: Frequency | None = None
    """How often; None for a task tied to an event that no calendar knows."""
    after_each_wear: bool = False
    """True when it follows every session of the schedule."""
    first: dt.date
    """First day."""
    last: dt.date | None = None
    """Last day, included; None for as long as the prosthesis is worn."""
    why: Text
    """Why this person was given it."""
    on_hold: bool = False
    """True while wear is stopped, for a task that makes sense only with wear; all others go on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice(Part):
    """Something to know, chosen for this person, limb and device."""

    code: Text
    """Stable code, such as put-on.locking-pin or driving.right; the handout's words hang on it."""
    text: Text
    """The advice in plain English, for readers that do not know the code."""
    why: Text
    """Why it applies to this person."""


Level = Literal["carry-on", "watch", "stop", "emergency"]
LEVELS: tuple[Level, ...] = ("carry-on", "watch", "stop", "emergency")
"""From the mildest to the gravest: carry on; change and watch; stop wearing and call; emergency."""
Call = Literal["none", "next-visit", "same-day", "now", "emergency-number"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WarningSign(Part):
    """A sign, what it means, and what to do."""

    code: Text
    """Stable code, such as redness-stays; the handout's words hang on it."""
    text: Text
    """The sign in plain English, for readers that do not know the code."""
    level: Level
    """What it means."""
    call: Call = "none"
    """Whom to call, and how soon."""
    limit: Decimal | None = None
    """The number in the sign, if it has one, such as minutes of redness or total ply."""
    limit_unit: str = ""
    """UCUM code of ``limit``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SockLayers(Part):
    """How to make one total ply from the socks this person owns."""

    ply: Annotated[int, Ge(0)]
    """Total ply, as people speak of it."""
    layers: tuple[int, ...] = ()
    """Ply of each sock, from the limb outwards; empty when the total cannot be made, or is 0."""
    possible: bool = True
    """False when it cannot be made from what was issued."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarePlanParts(Part):
    """All of daily care."""

    tasks: tuple[CareTask, ...] = ()
    """What to do again and again."""
    advice: tuple[Advice, ...] = ()
    """What to know."""
    signs: tuple[WarningSign, ...] = ()
    """What to watch for, gravest last."""
    sock_guide: tuple[SockLayers, ...] = ()
    """Combinations for each total ply, in order."""
