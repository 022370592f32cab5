"""Goals, the measures they are told by, and follow-up visits."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Literal

from annotated_types import Gt, MinLen

from fhircare.plan.part import Identifier, Part, Quantity, Text
from fhircare.plan.people import Role

GoalStatus = Literal[
    "proposed", "planned", "accepted", "active", "on-hold", "completed", "cancelled", "rejected"
]
Achievement = Literal[
    "in-progress", "improving", "worsening", "no-change", "achieved", "sustaining", "not-achieved",
    "no-progress", "not-attainable",
]  # fmt: skip
Comparator = Literal["at-least", "at-most"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Target(Part):
    """A measurable target. All targets of a goal must be met (FHIR Goal.target)."""

    measure: Text
    """Code of the measure, such as daily-wear, two-minute-walk or socket-comfort."""
    comparator: Comparator = "at-least"
    """Which side of the value is good."""
    value: Decimal
    """The value."""
    unit: Text
    """UCUM code of the value."""
    due: dt.date | None = None
    """By when."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal(Part):
    """What the person wants to be able to do, and how we will know."""

    identifier: Identifier | None = None
    """Its number in the system it came from; made from the plan's own number when it is ours."""
    text: Text
    """The goal in the person's words."""
    category: Literal["physiotherapy", "safety", "independence", "behavioral"] = "independence"
    """FHIR goal-category."""
    status: GoalStatus = "active"
    """FHIR Goal.lifecycleStatus."""
    achievement: Achievement | None = None
    """FHIR goal-achievement, when somebody has judged it."""
    start: dt.date | None = None
    """When work on it starts."""
    targets: tuple[Target, ...] = ()
    """How we will know."""
    set_by: Literal["patient", "prosthetist", "physician", "physical-therapist"] = "patient"
    """Whose goal it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement(Part):
    """A measured value, such as an outcome measure at baseline."""

    measure: Text
    """Code of the measure, such as two-minute-walk, body-weight or socket-comfort."""
    quantity: Quantity
    """The value and its UCUM unit."""
    on: dt.date
    """When."""
    note: str = ""
    """Such as the walking aid used, or with the prosthesis on."""


VisitStatus = Literal["proposed", "booked", "cancelled", "fulfilled"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit(Part):
    """A follow-up visit."""

    kinds: Annotated[tuple[Text, ...], MinLen(1)]
    """What it is for, as codes such as fit-check or six-month; several when visits were combined."""
    start: dt.datetime
    """When, with its offset, in the clinic's zone."""
    minutes: Annotated[int, Gt(0)]
    """How long."""
    earliest: dt.date
    """First day of the window it should fall in."""
    latest: dt.date
    """Last day of that window."""
    role: Role = "prosthetist"
    """Who sees the person."""
    status: VisitStatus = "proposed"
    """FHIR appointment status; only the clinic books."""
    why: Text
    """Why then."""
