"""One fault for each invariant, from the table ``invariants.toml``."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
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


def _around(resource: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the resource inside a Bundle, contained, and as a parameter, each with its new place."""
    entry = {"fullUrl": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "resource": resource}
    yield "Bundle.entry[0].resource", {"resourceType": "Bundle", "type": "collection", "entry": [entry]}
    part = {"name": "x", "resource": resource}
    yield "Parameters.parameter[0].resource", {"resourceType": "Parameters", "parameter": [part]}
    if "contained" not in resource and resource["resourceType"] not in {"Bundle", "Parameters"}:
        led = {"url": "http://example.org/led", "valueReference": {"reference": "#c"}}
        basic = {"resourceType": "Basic", "code": {"text": "x"}, "extension": [led]}
        yield "Basic.contained[0]", {**basic, "contained": [{**resource, "id": "c"}]}


def nested() -> Iterator[Mutant]:
    """Yield each invariant's mutant inside another resource: the rule holds there, at the longer place."""
    for key, made in invariants():
        wrong = json.loads(made.text)
        right = json.loads(made.twin) if made.twin is not None else None
        inside = dict(_around(right)) if right is not None else {}
        for place, holder in _around(wrong):
            yield replace(
                made,
                fault="invariant inside another resource",
                name=f"{key} at {place}",
                text=dump(holder),
                places=tuple(place + p[len(wrong["resourceType"]) :] for p in made.places),
                twin=dump(inside[place]) if place in inside else None,
            )
