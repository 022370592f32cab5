"""The plan: what a person fitted with an above-knee prosthesis lives by, in the trade's words.

A pure domain model between the delivery record and FHIR: frozen values, compared by content, with no FHIR
type, no clock and no file in sight. The parts that state facts (clinic, people, limb, prosthesis, socks) are
the same ones a delivery record holds, because the plan carries them on unchanged.

A plan made here is whole. On reading a bundle from elsewhere any part may be absent (None, or empty): a guest
is not a fault. Whether a plan is complete is asked by ``fhircare.check.safety``.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Annotated, Literal

from annotated_types import Ge

from fhircare.plan.care import (
    LEVELS,
    Advice,
    Call,
    CarePlanParts,
    CareTask,
    Frequency,
    Level,
    Moment,
    SockLayers,
    WarningSign,
)
from fhircare.plan.device import (
    Circumference,
    Component,
    Limb,
    LimbMeasurement,
    Prosthesis,
    Shoes,
    Sock,
    SockKit,
)
from fhircare.plan.goals import Goal, Measurement, Target, Visit
from fhircare.plan.part import Identifier, Part, PositiveQuantity, Quantity, Text
from fhircare.plan.people import (
    WEEKDAYS,
    Address,
    Caregiver,
    Clinic,
    DateRange,
    Diagnosis,
    Name,
    OpeningHours,
    Order,
    Patient,
    Professional,
    Role,
    Weekday,
)
from fhircare.plan.wear import Busy, Override, Pace, Session, WearDay, WearSchedule

Risk = Literal[
    "diabetes", "vascular-disease", "kidney-disease", "smoking", "falls", "low-vision", "memory", "swelling",
    "blood-thinner", "skin-allergy", "heavy-sweating", "weight-change",
]  # fmt: skip
Circumstance = Literal[
    "drives",
    "lives-alone",
    "moving-house",
    "travels",
    "stairs-at-home",
    "works",
    "school",
    "wheelchair",
    "walking-aid",
]
PlanStatus = Literal["draft", "active", "on-hold", "revoked", "completed"]
Intent = Literal["proposal", "plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan(Part):
    """One person's plan, one revision of it."""

    number: Text
    """The plan's number, the same through all its revisions."""
    revision: Annotated[int, Ge(1)] = 1
    """1 for the plan made at delivery, one more for each revision."""
    status: PlanStatus = "draft"
    """FHIR CarePlan.status. A plan is a draft until a clinician approves it."""
    intent: Intent = "proposal"
    """A proposal until approved."""
    written_at: dt.datetime | None = None
    """When the record it rests on was written, with its offset."""
    stopped_since: dt.date | None = None
    """The day from which wear is stopped, until a clinician approves a plan with wear in it; None when it is
    not. A plan on hold has it, and so has the proposal that waits to take its place."""
    synthetic: bool = False
    """True for invented data: everything made from it is marked as test data."""
    clinic: Clinic | None = None
    """Where it was fitted."""
    professionals: tuple[Professional, ...] = ()
    """Who looks after the person; the prosthetist first."""
    patient: Patient | None = None
    """Whose plan it is."""
    order: Order | None = None
    """The order it answers."""
    limb: Limb | None = None
    """The residual limb."""
    risks: tuple[Risk, ...] = ()
    """What makes harm more likely."""
    circumstances: tuple[Circumstance, ...] = ()
    """How the person lives, as far as the plan depends on it."""
    prosthesis: Prosthesis | None = None
    """What was delivered."""
    socks: SockKit | None = None
    """The socks issued."""
    shoes: Shoes | None = None
    """The shoes it was set up with."""
    wear: WearSchedule | None = None
    """The break-in schedule."""
    care: CarePlanParts = field(default_factory=CarePlanParts)
    """Daily care, advice, warning signs, sock guide."""
    visits: tuple[Visit, ...] = ()
    """Follow-up visits, in order."""
    goals: tuple[Goal, ...] = ()
    """Goals."""
    measurements: tuple[Measurement, ...] = ()
    """Baseline measures."""

    @property
    def prosthetist(self) -> Professional | None:
        """The first prosthetist among the professionals."""
        return next((p for p in self.professionals if p.role == "prosthetist"), None)


__all__ = [
    "LEVELS", "WEEKDAYS", "Address", "Advice", "Busy", "Call", "CarePlanParts", "CareTask", "Caregiver",
    "Circumference", "Circumstance", "Clinic", "Component", "DateRange", "Diagnosis", "Frequency",
    "Goal", "Identifier", "Intent", "Level", "Limb", "LimbMeasurement", "Measurement", "Moment",
    "Name", "OpeningHours", "Order", "Override", "Pace", "Patient", "Plan", "PlanStatus",
    "PositiveQuantity", "Professional", "Prosthesis", "Quantity", "Risk", "Role", "Session",
    "Shoes", "Sock", "SockKit", "SockLayers", "Target", "Text", "Visit", "WarningSign", "WearDay",
    "WearSchedule", "Weekday",
]  # fmt: skip
