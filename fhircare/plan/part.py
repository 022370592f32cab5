"""What all parts of a plan share: frozen values, compared by content, that refuse unknown names when read."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any, ClassVar

from annotated_types import Ge, Gt, MinLen

Text = Annotated[str, MinLen(1)]
"""Text that says something."""
Count = Annotated[int, Ge(1)]
Minutes = Annotated[int, Ge(0)]


class Part:
    """The base of every part of a plan and of the facts of a delivery record.

    The parts are plain frozen dataclasses. The class variable is what pydantic looks for when a delivery
    record is read into them: an unknown key is refused, and the strings below the fields become the
    descriptions of the published schema.
    """

    __slots__ = ()
    __pydantic_config__: ClassVar[dict[str, Any]] = {
        "extra": "forbid",
        "use_attribute_docstrings": True,
        "hide_input_in_errors": True,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity(Part):
    """A number with its unit."""

    value: Decimal
    """The number, with the precision it was written in."""
    unit: Text
    """UCUM code, such as cm, kg, min, m/s or {ply}."""

    def __str__(self) -> str:
        return f"{self.value} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PositiveQuantity(Quantity):
    """A number above zero with its unit."""

    value: Annotated[Decimal, Gt(0)]
    """The number, above zero, with the precision it was written in."""
    unit: Text
    """UCUM code, such as cm or kg."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identifier(Part):
    """A name that another system can find a thing or a person by."""

    system: Text
    """The address (URI) of the list the value belongs to, such as http://hl7.org/fhir/sid/us-npi."""
    value: Text
    """The value in that list."""
