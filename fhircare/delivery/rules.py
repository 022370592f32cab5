"""What fields of a delivery record must agree on, one small rule each.

Every rule yields ``Fault`` values in the record's own field names and never repeats what was written.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass
from decimal import Decimal
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fhircare.errors import Fault
from fhircare.spec.luhn import npi_ok
from fhircare.spec.telephone import can_be_dialed

if TYPE_CHECKING:
    from fhircare.delivery.record import DeliveryRecord
    from fhircare.plan import Quantity

LENGTH_UNITS = ("mm", "cm", "m", "[in_i]")
MASS_UNITS = ("kg", "g", "[lb_av]")

# ICD-10-CM Z89.611 is the right leg, Z89.612 the left (NCHS tabular list, April 2026).
_SIDE_OF_ICD = {"1": "right", "2": "left"}
_NPI_SYSTEM = "http://hl7.org/fhir/sid/us-npi"

LINER_FOR_SUSPENSION = {"locking-pin": "locking-pin", "lanyard": "lanyard", "seal-in-suction": "seal-in"}
"""Suspensions that only one kind of liner makes (common practice, no source)."""

_EARLIEST, _LATEST = 1900, 2200
"""Years that a date in a record may have."""


def faults_between_fields(record: DeliveryRecord) -> list[Fault]:
    """Return every contradiction in the record, in the order of its fields."""
    times = [fault for name, part in record for fault in _times(part, name)]
    if times:  # what is no clock time, or no date of ours, cannot be reckoned with
        return times
    return [fault for rule in _RULES for fault in rule(record)]


def _times(part: object, place: str) -> Iterator[Fault]:
    """A clock time is hours and minutes on the clinic's clock; a bare 9 is read as nine seconds, in UTC.

    The calendar ends at 9999; a year far from ours is a slip of the pen, and sums with it fail.
    """
    if isinstance(part, dt.time):
        if part.tzinfo is not None or part.second or part.microsecond:
            yield Fault(place, "is not a clock time", "use HH:MM, such as 08:30")
    elif isinstance(part, dt.date):
        if not _EARLIEST <= part.year <= _LATEST:
            yield Fault(place, f"is not between {_EARLIEST} and {_LATEST}", "correct the year")
    elif isinstance(part, tuple):
        for index, one in enumerate(part):
            yield from _times(one, f"{place}[{index}]")
    elif is_dataclass(part):
        for one in fields(part):
            yield from _times(getattr(part, one.name), f"{place}.{one.name}")


def _clinic(record: DeliveryRecord) -> Iterator[Fault]:
    clinic = record.clinic
    try:
        ZoneInfo(clinic.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        yield Fault("clinic.time_zone", "is not a known time zone", "use an IANA name like America/Chicago")
    if not re.fullmatch(r"(https?://|urn:)\S+", clinic.uri):
        yield Fault("clinic.uri", "is not a web address", "write it whole, such as https://clinic.example")
    for name in ("phone", "after_hours_phone", "emergency_phone"):
        yield from _dialable(f"clinic.{name}", getattr(clinic, name))
    for index, hours in enumerate(clinic.opening_hours):
        if hours.closes <= hours.opens:
            yield Fault(f"clinic.opening_hours[{index}].closes", "is not after opens", "give a later time")
    yield from _ranges("clinic.closures", clinic.closures)


def _dialable(field: str, number: str) -> Iterator[Fault]:
    if number and not can_be_dialed(number):
        yield Fault(field, "is not a number that can be dialed", "write it such as +1-815-555-0140 or 911")


def _ranges(field: str, ranges: tuple[object, ...]) -> Iterator[Fault]:
    for index, span in enumerate(ranges):
        if span.last < span.first:  # type: ignore[attr-defined]
            yield Fault(f"{field}[{index}].last", "is before first", "swap the two, or correct one")


def _people(record: DeliveryRecord) -> Iterator[Fault]:
    if not any(person.role == "prosthetist" for person in record.professionals):
        yield Fault("professionals", "names no prosthetist", "add one with role: prosthetist")
    for index, person in enumerate(record.professionals):
        yield from _dialable(f"professionals[{index}].phone", person.phone)
        for place, identifier in enumerate(person.identifiers):
            if identifier.system == _NPI_SYSTEM and not npi_ok(identifier.value):
                yield Fault(
                    f"professionals[{index}].identifiers[{place}].value",
                    "is not a National Provider Identifier",
                    "ten digits with a right check digit, or leave it out",
                )
    if record.patient.birth_date is None:
        yield Fault("patient.birth_date", "is empty", "write the date of birth")
    elif record.patient.birth_date >= record.prosthesis.delivered_on:
        yield Fault("patient.birth_date", "is not before the delivery", "correct one of the two dates")
    if not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*", record.patient.language):
        yield Fault("patient.language", "is not a language tag", "use BCP 47, such as en, es or es-US")


def _limb(record: DeliveryRecord) -> Iterator[Fault]:
    delivered, limb = record.prosthesis.delivered_on, record.limb
    if limb.amputated_on and limb.amputated_on >= delivered:
        yield Fault(
            "prosthesis.delivered_on", "is not after limb.amputated_on", "correct one of the two dates"
        )
    born = record.patient.birth_date
    if limb.amputated_on and born and limb.amputated_on < born:
        yield Fault("limb.amputated_on", "is before the birth date", "correct one of the two dates")
    for index, measured in enumerate(limb.measurements):
        heights = [c.height for c in measured.circumferences]
        for place, circumference in enumerate(measured.circumferences):
            field = f"limb.measurements[{index}].circumferences[{place}]"
            yield from _unit(f"{field}.height.unit", circumference.height, LENGTH_UNITS)
            yield from _unit(f"{field}.girth.unit", circumference.girth, LENGTH_UNITS)
            if circumference.height.value < Decimal(0):
                yield Fault(f"{field}.height.value", "is above the reference point", "count downwards from 0")
        if len({h.unit for h in heights}) == 1 and [h.value for h in heights] != sorted(
            {h.value for h in heights}
        ):
            yield Fault(
                f"limb.measurements[{index}].circumferences",
                "are not in order, or one height stands twice",
                "list each height once, from the top down",
            )
    match = re.fullmatch(r"Z89\.61([12])", record.order.diagnosis.code) if record.order else None
    if match and _SIDE_OF_ICD[match[1]] != limb.side:
        yield Fault("limb.side", "is not the side of order.diagnosis.code", "Z89.611 is right, Z89.612 left")


def _order(record: DeliveryRecord) -> Iterator[Fault]:
    if not record.order:
        return
    if not re.fullmatch(r"[A-TV-Z]\d[0-9A-Z](\.[0-9A-Z]{1,4})?", record.order.diagnosis.code):
        yield Fault(
            "order.diagnosis.code", "is not an ICD-10-CM code", "write it with its dot, such as Z89.611"
        )
    if record.order.authored_on > record.prosthesis.delivered_on:
        yield Fault("order.authored_on", "is after the delivery", "correct one of the two dates")


def _device(record: DeliveryRecord) -> Iterator[Fault]:
    prosthesis = record.prosthesis
    if not any(c.kind == "socket" for c in prosthesis.components):
        yield Fault("prosthesis.components", "names no socket", "add the socket that was delivered")
    for index, part in enumerate(prosthesis.components):
        field = f"prosthesis.components[{index}]"
        if part.kind == "liner" and part.liner_kind is None:
            yield Fault(f"{field}.liner_kind", "is missing", "locking-pin, lanyard, cushion or seal-in")
        if part.kind != "liner" and part.liner_kind is not None:
            yield Fault(f"{field}.liner_kind", "belongs to a liner only", "remove it, or set kind: liner")
        if part.hcpcs and not re.fullmatch(r"[A-Z]\d{4}", part.hcpcs):
            yield Fault(f"{field}.hcpcs", "is not a HCPCS code", "one letter and four digits, such as L5673")
        yield from _unit(f"{field}.mass_limit.unit", part.mass_limit, MASS_UNITS)
        yield from _unit(f"{field}.heel_height.unit", part.heel_height, LENGTH_UNITS)
    wanted = LINER_FOR_SUSPENSION.get(prosthesis.suspension)
    kinds = {c.liner_kind for c in prosthesis.components if c.kind == "liner"}
    if wanted and wanted not in kinds:
        yield Fault(
            "prosthesis.suspension",
            f"needs a liner with liner_kind: {wanted}, and none is listed",
            "correct the suspension, or add the liner",
        )
    if record.shoes:
        yield from _unit("shoes.heel_height.unit", record.shoes.heel_height, LENGTH_UNITS)


def _routine(record: DeliveryRecord) -> Iterator[Fault]:
    routine = record.routine
    if routine.sleeps <= routine.wakes:
        yield Fault("routine.sleeps", "is not after wakes", "give a later clock time on the same day")
    for index, busy in enumerate(routine.busy):
        if busy.ends <= busy.starts:
            yield Fault(f"routine.busy[{index}].ends", "is not after starts", "give a later time")
    yield from _ranges("routine.days_without_wear", routine.days_without_wear)
    yield from _ranges("follow_up.not_on", record.follow_up.not_on)
    if record.wear.starts_on and record.wear.starts_on < record.prosthesis.delivered_on:
        yield Fault("wear.starts_on", "is before the delivery", "give the delivery date or a later one")
    if record.wear.last_worn_on and record.wear.last_worn_on > record.prosthesis.delivered_on:
        yield Fault("wear.last_worn_on", "is after the delivery", "give the last day before the break")


def _unit(field: str, quantity: Quantity | None, allowed: tuple[str, ...]) -> Iterator[Fault]:
    if quantity is not None and quantity.unit not in allowed:
        yield Fault(field, "is not a unit that fits here", "one of " + ", ".join(allowed))


_RULES: tuple[Callable[[DeliveryRecord], Iterator[Fault]], ...] = (
    _clinic,
    _people,
    _order,
    _limb,
    _device,
    _routine,
)
