"""The delivery record's own parts, and the record."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Annotated

from annotated_types import Ge, Gt, MinLen
from pydantic import AwareDatetime, BaseModel, ConfigDict, model_validator

from fhircare.delivery.rules import faults_between_fields
from fhircare.errors import DeliveryError
from fhircare.plan import (
    Busy,
    Circumstance,
    Clinic,
    DateRange,
    Goal,
    Limb,
    Measurement,
    Order,
    Override,
    Pace,
    Patient,
    Professional,
    Prosthesis,
    Risk,
    Shoes,
    SockKit,
    Text,
    Weekday,
)
from fhircare.plan.part import Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Routine(Part):
    """The person's day."""

    wakes: dt.time = dt.time(7, 0)
    """When they get up."""
    sleeps: dt.time = dt.time(22, 0)
    """When they go to bed."""
    busy: tuple[Busy, ...] = ()
    """When they cannot put the prosthesis on or take it off."""
    days_without_wear: tuple[DateRange, ...] = ()
    """Days on which they cannot wear it at all, with the reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WearWishes(Part):
    """What the clinician sets about the break-in."""

    pace: Pace | None = None
    """Left empty, it follows from the risks, the limb and the prosthesis."""
    starts_on: dt.date | None = None
    """First day of wear at home; the day after delivery when empty."""
    last_worn_on: dt.date | None = None
    """After a break from wear: the last day the person wore a prosthesis."""
    overrides: tuple[Override, ...] = ()
    """Numbers set otherwise than usual, each with its reason and who decided."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FreeSlot(Part):
    """A time the clinic still has free."""

    start: AwareDatetime
    """When, with its offset."""
    minutes: Annotated[int, Gt(0)]
    """How long it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUp(Part):
    """How the clinic sees people again."""

    weeks_after: Annotated[tuple[Annotated[int, Ge(1)], ...], MinLen(1)] = (1, 2, 6)
    """Early checks, in weeks after delivery (common practice, no source)."""
    months_between: Annotated[int, Ge(1)] = 6
    """A check-up this often afterwards, even when all is well (common practice, no source)."""
    visit_minutes: Annotated[int, Gt(0)] = 45
    """How long a visit takes."""
    preferred_days: tuple[Weekday, ...] = ()
    """Days that suit the person."""
    preferred_time: dt.time | None = None
    """Time that suits the person."""
    not_on: tuple[DateRange, ...] = ()
    """Days on which the person cannot come."""
    free_slots: tuple[FreeSlot, ...] = ()
    """When given, visits are placed in these only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut(Part):
    """A topic the clinician leaves out of the instructions."""

    code: Text
    """Code of the advice, such as driving.right. Cautions, warning signs and contacts cannot be left out."""
    reason: Text
    """Why."""
    by: Text
    """Who decided."""


class DeliveryRecord(BaseModel):
    """Everything the prosthetist knows at delivery.

    Raises:
        DeliveryError: When fields contradict each other; carries every fault found.
    """

    model_config = ConfigDict(
        extra="forbid", frozen=True, use_attribute_docstrings=True, hide_input_in_errors=True
    )

    number: Text
    """The clinic's number for this plan; the same number, the same plan."""
    written_at: AwareDatetime
    """When this record was written, with its offset from UTC."""
    synthetic: bool = False
    """True for invented data."""
    clinic: Clinic
    """The clinic."""
    professionals: Annotated[tuple[Professional, ...], MinLen(1)]
    """The prosthetist, the referring physician, the physical therapist."""
    patient: Patient
    """The person."""
    order: Order | None = None
    """The physician's order."""
    limb: Limb
    """The residual limb as it is at delivery."""
    risks: tuple[Risk, ...] = ()
    """What makes harm more likely."""
    circumstances: tuple[Circumstance, ...] = ()
    """How the person lives."""
    prosthesis: Prosthesis
    """What was delivered."""
    socks: SockKit = SockKit()
    """The socks issued."""
    shoes: Shoes | None = None
    """The shoes at delivery."""
    routine: Routine = Routine()
    """How the person's day goes."""
    wear: WearWishes = WearWishes()
    """The break-in."""
    follow_up: FollowUp = FollowUp()
    """Visits."""
    goals: tuple[Goal, ...] = ()
    """Goals."""
    measurements: tuple[Measurement, ...] = ()
    """Measures at baseline."""
    leave_out: tuple[LeftOut, ...] = ()
    """Topics left out of the instructions."""

    @model_validator(mode="after")
    def _agree(self) -> DeliveryRecord:
        faults = faults_between_fields(self)
        if faults:
            raise DeliveryError(faults)
        return self
