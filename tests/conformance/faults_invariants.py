"""One fault for each invariant, from the table ``invariants.toml``."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .mutants import ABSENT, Mutant, Steps, dump, edited, steps_of

if TYPE_CHECKING:
    from collections.abc import Iterator

TABLE: dict[str, Any] = tomllib.loads(Path(__file__).with_name("invariants.toml").read_text(encoding="utf-8"))


def invariants() -> Iterator[tuple[str, Mutant]]:
    """Yield each invariant's key and its mutant; the near miss is the resource before the fault."""
    for number, case in enumerate(TABLE["case"]):
        kind = "StructureDefinition" if case["base"] == "ElementDefinition" else case["base"]
        base = {"resourceType": kind, **TABLE["base"][case["base"]]}
        for name in case.get("pre-drop", []):
            del base[name]
        valid = {**base, **case.get("given", {})}

        def at(place: str, kind: str = kind) -> Steps:
            return (kind, *steps_of(place))

        drops = [(at(place), ABSENT) for place in case.get("drop", [])]
        sets = [(at(place), value) for place, value in case.get("set", {}).items()]
        wrong = edited(valid, *drops, *sets)
        name = f"{case['key']} ({number})"
        yield (
            case["key"],
            Mutant(
                "invariant",
                name,
                dump(wrong),
                (case["at"],),
                dump(valid) if case.get("near-miss", True) else None,
            ),
        )
