"""Tiny builders of FHIR datatypes. Readers of the same types are methods of ``located.Node``.

Every builder leaves out what is empty: FHIR has no empty string, list or object.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fhircare.spec import terms

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable

    from fhircare.plan import Address, Identifier, Name

Json = dict[str, Any]

_EMPTY = {str, list, dict}
ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"


def filled(items: Json) -> Json:
    """Return the items that say something, in their order; a zero and a false do."""
    return {
        key: value for key, value in items.items() if value or not (value is None or type(value) in _EMPTY)
    }


def concept(text: str, *codings: Json) -> Json:
    """Return a CodeableConcept."""
    made: Json = {"coding": list(codings)} if codings else {}
    if text:
        made["text"] = text
    return made


def term(system: str, code: str, *more: Json) -> Json:
    """Return a CodeableConcept of one of our terms, its display as text, with further codings behind it."""
    return concept(terms.display(system, code) or code, terms.coding(system, code), *more)


def quantity(value: Decimal | int, unit: str, comparator: str = "") -> Json:
    """Return a UCUM Quantity; a number alone when there is no unit."""
    if not unit:
        return {"value": Decimal(value)}
    said = {"comparator": comparator, "unit": unit, "system": terms.uri("ucum"), "code": unit}
    return {"value": Decimal(value), **filled(said)}


def period(first: dt.date | None, last: dt.date | None) -> Json:
    """Return a Period of days, both included."""
    return filled({"start": first and first.isoformat(), "end": last and last.isoformat()})


def telecom(system: str, value: str, use: str = "") -> list[Json]:
    """Return one ContactPoint in a list, or an empty list."""
    return [filled({"system": system, "value": value, "use": use})] if value else []


def address(place: Address | None, use: str = "") -> list[Json]:
    """Return one Address in a list, or an empty list."""
    if place is None:
        return []
    return [
        filled(
            {
                "use": use,
                "line": list(place.lines),
                "city": place.city,
                "state": place.state,
                "postalCode": place.postal_code,
                "country": place.country,
            }
        )
    ]


def human_name(name: Name) -> list[Json]:
    """Return one HumanName in a list."""
    return [filled({"family": name.family, "given": list(name.given)})]


def identifiers(known: Iterable[Identifier]) -> list[Json]:
    """Return the identifiers as they are."""
    return [{"system": one.system, "value": one.value} for one in known]


def unknown(*names: str) -> Json:
    """Return the members of an element whose values nobody told, so that it can stand where one must."""
    absent = {"extension": [extension(ABSENT, "Code", "unknown")]}
    return {f"_{name}": absent for name in names}


def extension(url: str, kind: str, value: Any) -> Json:
    """Return an Extension; ``kind`` is the value's type, such as ``Quantity`` or ``Code``."""
    return {"url": url, f"value{kind}": value}
