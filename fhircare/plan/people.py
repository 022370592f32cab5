"""The clinic, the people around the plan, and the order it answers."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import MinLen

from fhircare.plan.part import Identifier, Part, Text

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
"""FHIR's days-of-week codes, Monday first, as ``date.weekday()`` counts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Address(Part):
    """A postal address."""

    lines: Annotated[tuple[Text, ...], MinLen(1)]
    """Street and number, one line each."""
    city: Text
    """Town or city."""
    state: str = ""
    """State or region."""
    postal_code: str = ""
    """Postal code."""
    country: str = ""
    """Country, ISO 3166 two-letter code."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpeningHours(Part):
    """When the clinic sees people on some days of the week."""

    days: Annotated[tuple[Weekday, ...], MinLen(1)]
    """Days of the week."""
    opens: dt.time
    """Clock time in the clinic's zone."""
    closes: dt.time
    """Clock time in the clinic's zone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DateRange(Part):
    """Days from the first to the last, both included."""

    first: dt.date
    """The first day."""
    last: dt.date
    """The last day, included."""
    reason: str = ""
    """Why, as people would say it."""

    def __contains__(self, day: dt.date) -> bool:
        return self.first <= day <= self.last


@dataclass(frozen=True, slots=True, kw_only=True)
class Clinic(Part):
    """Where the prosthesis was fitted and whom the person calls."""

    name: Text
    """Name on the door."""
    uri: Text
    """The clinic's own web address; it is the root of every identifier the plan carries."""
    phone: Text
    """The number to call in opening hours."""
    after_hours_phone: str = ""
    """The number to call when the clinic is closed; empty where there is none."""
    emergency_phone: Text = "911"
    """The emergency number where the person lives."""
    email: str = ""
    """For questions that can wait."""
    address: Address | None = None
    """Where it is."""
    time_zone: Text
    """IANA name of the zone all clock times are in, such as America/Chicago."""
    opening_hours: Annotated[tuple[OpeningHours, ...], MinLen(1)]
    """When the clinic sees people."""
    holiday_country: str = ""
    """Whose public holidays the clinic keeps, ISO 3166 two-letter code."""
    holiday_region: str = ""
    """Region within that country, ISO 3166-2 without the country, such as IL."""
    closures: tuple[DateRange, ...] = ()
    """Other days on which it is closed."""
    identifiers: tuple[Identifier, ...] = ()
    """Identifiers of the clinic, where known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Name(Part):
    """A person's name."""

    family: Text
    """Family name."""
    given: tuple[Text, ...] = ()
    """Given names, in order."""

    def __str__(self) -> str:
        return " ".join((*self.given, self.family))


Role = Literal["prosthetist", "physician", "physical-therapist"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Professional(Part):
    """Somebody who looks after the person by profession."""

    role: Role
    """What they are to this plan."""
    name: Name
    """Their name."""
    identifiers: tuple[Identifier, ...] = ()
    """Identifiers, where known; never made up."""
    phone: str = ""
    """Work phone."""
    email: str = ""
    """Work e-mail."""
    organization: str = ""
    """Where they work, if not at the clinic."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Caregiver(Part):
    """Somebody who helps at home."""

    name: Name
    """Their name."""
    relationship: str = ""
    """What they are to the person, such as daughter."""
    phone: str = ""
    """How to reach them."""


Gender = Literal["male", "female", "other", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Patient(Part):
    """The person who wears the prosthesis."""

    name: Name
    """Their name."""
    birth_date: dt.date | None
    """Date of birth. A delivery record must state it; a bundle from elsewhere may not."""
    gender: Gender = "unknown"
    """Administrative gender, FHIR's codes."""
    identifiers: Annotated[tuple[Identifier, ...], MinLen(1)]
    """At least the clinic's record number."""
    language: Text = "en"
    """The language the person reads, BCP 47, such as en or es-US."""
    large_print: bool = False
    """True when the person asked for large print."""
    phone: str = ""
    """Phone."""
    email: str = ""
    """E-mail."""
    address: Address | None = None
    """Home address."""
    caregiver: Caregiver | None = None
    """Who helps at home."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis(Part):
    """What the order was written for."""

    code: Text
    """ICD-10-CM code, such as Z89.611."""
    display: Text
    """What the code says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order(Part):
    """The physician's order that the delivery answers."""

    identifier: Identifier
    """The order's number in the physician's system; repeated unchanged in everything sent back."""
    authored_on: dt.date
    """When it was written."""
    text: Text = "Above-knee prosthesis: evaluate, fit and follow up"
    """What was ordered, as written."""
    diagnosis: Diagnosis
    """What it was written for."""
