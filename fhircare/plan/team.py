"""Who in a care team is meant by a name or a number, as somebody writes it down."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fhircare.plan import Professional


def members(professionals: Sequence[Professional], told: str) -> tuple[int, ...]:
    """Return the places of the professionals that a name or an identifier fits, in order.

    A name fits when the family name and nothing that is not the person's own is in it: "Okafor", "Ruth
    Okafor" and "Ruth Ada Okafor" all fit Ruth Ada Okafor; accents and capitals do not matter. An identifier
    fits as it is, or with its system before it: ``http://hl7.org/fhir/sid/us-npi|1234567893``.
    """
    asked = _plain(told)
    by_number = tuple(
        place
        for place, person in enumerate(professionals)
        if any(told.strip() in (one.value, f"{one.system}|{one.value}") for one in person.identifiers)
    )
    return by_number or tuple(
        place
        for place, person in enumerate(professionals)
        if asked and set(_plain(person.name.family)) <= set(asked) <= set(_plain(str(person.name)))
    )


def _plain(name: str) -> list[str]:
    letters = unicodedata.normalize("NFKD", name.casefold())
    kept = "".join(one for one in letters if not unicodedata.combining(one))
    return kept.replace(".", " ").replace(",", " ").split()
