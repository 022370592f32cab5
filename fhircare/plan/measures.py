"""The measures that goals and baselines are told by: their scales, and the changes one can be sure of.

A table of facts (measures.toml), each number with its source, for those who make plans and who read them.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from importlib import resources
from typing import Any, Literal


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure; measures.toml explains the fields."""

    code: str
    name: str
    unit: str
    also: Mapping[str, Decimal] = field(default_factory=dict)
    low: Decimal | None = None
    high: Decimal | None = None
    better: Literal["higher", "lower"] | None = None
    mdc: Decimal | None = None
    mdc_source: str = ""
    mcid: Decimal | None = None
    mcid_source: str = ""

    def in_unit(self, value: Decimal, unit: str) -> Decimal | None:
        """Return a value in the measure's own unit, None when the unit does not fit."""
        if unit == self.unit:
            return value
        factor = self.also.get(unit)
        return None if factor is None else value * factor

    def holds(self, value: Decimal) -> bool:
        """Return whether a value, in the measure's own unit, lies on its scale."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    @property
    def scale(self) -> str:
        """The scale as a reader would say it."""
        if self.low is not None and self.high is not None:
            return f"{self.low} to {self.high} {self.unit}"
        return f"{self.low} {self.unit} or more" if self.low is not None else f"any number, in {self.unit}"


@functools.cache
def measures() -> Mapping[str, Measure]:
    """Return every measure by its code, read once.

    Raises:
        ValueError: When a number stands without its source.
    """
    text = resources.files(__package__).joinpath("measures.toml").read_text(encoding="utf-8")
    rows = tomllib.loads(text)["measure"]
    found = {row["code"]: _measure(row) for row in rows}
    for measure in found.values():
        unsourced = (measure.mdc and not measure.mdc_source) or (measure.mcid and not measure.mcid_source)
        if unsourced:
            raise ValueError(f"measures.toml: {measure.code} has a number without its source")
    return found


def _measure(row: Mapping[str, Any]) -> Measure:
    numbers = {name: Decimal(str(row[name])) for name in ("low", "high", "mdc", "mcid") if name in row}
    also = {unit: Decimal(str(factor)) for unit, factor in row.get("also", {}).items()}
    return Measure(**{**row, **numbers, "also": also})
