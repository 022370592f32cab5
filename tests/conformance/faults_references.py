"""Faults of references, and of each type of Bundle."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fhircare.releases import say

from .faults_structure import some
from .mutants import (
    ABSENT,
    Mutant,
    Seed,
    Steps,
    edited,
    get,
    maker,
    mutant,
    release,
    sites,
    standard,
    steps_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from random import Random

NOWHERE = "urn:uuid:00000000-0000-4000-8000-00000000dead"


@maker("reference to a wrong type")
def wrong_target(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A type the element may not refer to; near miss: an identifier alone, or a type it may."""
    found = [
        s
        for s in sites(seed[1])
        if s.type.code == "Reference" and s.type.targets and isinstance(s.value, dict)
    ]
    for site in some(rng, found):
        text = site.value.get("reference", "")
        if isinstance(text, str) and text.startswith(("#", "urn:")):
            continue
        wrong = rng.choice(sorted(standard().resource_types - site.type.targets))
        right = rng.choice(sorted(site.type.targets & standard().resource_types))
        steps = (*site.steps, "reference")
        base = rng.choice(["", "http://example.org/fhir/"])
        good: dict[str, Any] = rng.choice(
            [
                {"reference": f"{right}/x1"},
                {"identifier": {"value": "7"}},
                {"reference": "http://example.org/any?thing=1"},
            ]
        )
        places = [steps, site.steps]
        yield mutant(
            "reference to a wrong type",
            seed,
            f"{site.name} → {wrong}",
            edited(seed[1], (site.steps, {"reference": f"{base}{wrong}/x1"})),
            *places,
            twin=None if seed[1]["resourceType"] == "Bundle" else edited(seed[1], (site.steps, good)),
        )


@maker("reference and its stated type")
def stated_type(seed: Seed, rng: Random) -> Iterator[Mutant]:
    found = [s for s in sites(seed[1]) if s.type.code == "Reference" and isinstance(s.value, dict)]
    for site in some(rng, found, 2):
        text = site.value.get("reference", "")
        kind = text.split("/")[0]
        if kind in standard().resource_types and text.count("/") == 1:
            steps = (*site.steps, "type")
            wrong = rng.choice(sorted((site.type.targets or standard().resource_types) - {kind} or {"Basic"}))
            yield mutant(
                "reference and its stated type",
                seed,
                f"{kind}, {wrong}",
                edited(seed[1], (steps, wrong)),
                steps,
                site.steps,
                twin=edited(seed[1], (steps, kind)),
            )


@maker("dangling contained reference")
def dangling_contained(seed: Seed, rng: Random) -> Iterator[Mutant]:
    found = [
        s
        for s in sites(seed[1])
        if s.type.code == "Reference"
        and isinstance(s.value, dict)
        and s.value.get("reference", "#")[0] != "#"
    ]
    for site in some(rng, found, 3):
        yield mutant(
            "dangling contained reference",
            seed,
            site.name,
            edited(seed[1], (site.steps, {"reference": "#gone"})),
            site.steps,
            (*site.steps, "reference"),
            twin=None
            if seed[0] in {"document", "message"}
            else edited(seed[1], (site.steps, {"display": "nobody"})),
        )


@maker("dangling reference in a Bundle")
def dangling_urn(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A URN that no entry has; near miss: one that an entry has."""
    if seed[1]["resourceType"] != "Bundle":
        return
    found = [
        s
        for s in sites(seed[1])
        if s.type.code == "Reference"
        and isinstance(s.value, dict)
        and str(s.value.get("reference", "")).startswith("urn:")
    ]
    for site in some(rng, found, 8):
        bad = rng.choice(
            [NOWHERE, "urn:oid:1.2.3.4", site.value["reference"].upper().replace("URN:UUID", "urn:uuid")]
        )
        if bad != site.value["reference"]:
            steps = (*site.steps, "reference")
            yield mutant(
                "dangling reference in a Bundle",
                seed,
                site.name,
                edited(seed[1], (steps, bad)),
                steps,
                site.steps,
            )


@dataclass(frozen=True, slots=True)
class Change:
    """One row: a Bundle's type, what is done to it, and where the finding must be ("" for none)."""

    bundle: str
    what: str
    edits: list[tuple[Steps, Any]]
    at: str


def _rows(kind: str) -> list[Change]:
    return [
        Change(
            row["bundle"],
            row["what"],
            [(("Bundle", *steps_of(place)), ABSENT) for place in row.get("drop", [])]
            + [(("Bundle", *steps_of(place)), value) for place, value in row.get("set", {}).items()],
            row.get("at", ""),
        )
        for row in TABLE[kind]
    ]


TABLE: dict[str, Any] = tomllib.loads(Path(__file__).with_name("bundles.toml").read_text(encoding="utf-8"))
BUNDLES: list[Seed] = list(TABLE["bundle"].items())
FAULTS = _rows("fault")


def bundles_in(name_of_release: str) -> list[Seed]:
    """Return the Bundles of the table as another release says them, with what that one requires beside."""
    found: list[Seed] = []
    for name, bundle in BUNDLES:
        made = say(bundle, name_of_release)
        if name == "history":
            for entry in made["entry"]:  # R5's bdl-3b: both, always
                entry.setdefault("response", {"status": "200"})
        if name == "message":
            made["entry"][0]["resource"]["eventCoding"] = {
                "system": "http://example.org/events",
                "code": "sent",
            }
        found.append((name, made))
    return found


NEAR_MISSES = _rows("near-miss")


# R5's bdl-3c, unlike R4's bdl-4, does not keep responses out of a transaction.
NOT_IN_R5 = {"response in a transaction"}


def _is_said(row: Change) -> bool:
    """Tell whether a row is right in the release too: R5 says Composition.relatesTo in another data type."""
    return release() == "R4" or "relatesTo" not in str(row.edits)


@maker("rules of a Bundle's type")
def bundle_rules(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """Each fault of the table; the near miss is one of the odd but right Bundles."""
    for fault in FAULTS:
        if seed[0] == fault.bundle:
            if release() != "R4" and fault.what in NOT_IN_R5:
                continue
            odd = rng.choice([row for row in NEAR_MISSES if row.bundle == fault.bundle and _is_said(row)])
            try:
                wrong, right = edited(seed[1], *fault.edits), edited(seed[1], *odd.edits)
            except (KeyError, IndexError, TypeError):
                if release() == "R4":
                    raise
                continue  # the table is of R4's spelling, and another release has it elsewhere
            yield mutant("rules of a Bundle's type", seed, fault.what, wrong, *around(fault.at), twin=right)


def around(place: str) -> tuple[str, ...]:
    """A finding about a literal may stand at the literal or at the Reference that holds it."""
    return (place, place.removesuffix(".reference")) if place.endswith(".reference") else (place,)


@maker("contained")
def contained(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """Two with one id; near miss: each other's neighbours, and a contained resource that points back."""
    if "contained" not in standard().type(seed[1]["resourceType"]).nodes[seed[1]["resourceType"]].elements:  # type: ignore[union-attr]
        return
    root = (seed[1]["resourceType"], "contained")
    held = get(seed[1], root)
    held = held if isinstance(held, list) else []
    one = {"resourceType": "Organization", "id": "twice", "name": "A"}
    ext = (seed[1]["resourceType"], "extension")
    exts = get(seed[1], ext)
    exts = [
        *(exts if isinstance(exts, list) else []),
        {"url": "http://example.org/o", "valueReference": {"reference": "#twice"}},
    ]
    n = len(held)
    yield mutant(
        "contained",
        seed,
        "two with one id",
        edited(seed[1], (root, [*held, one, one]), (ext, exts)),
        (*root, n + 1, "id"),
        (*root, n + 1),
        twin=edited(
            seed[1],
            (
                root,
                [
                    *held,
                    {**one, "partOf": {"reference": "#twice2"}},
                    {**one, "id": "twice2", "partOf": {"reference": "#twice"}},
                ],
            ),
            (ext, exts),
        ),
    )
    yield mutant(
        "contained",
        seed,
        "not referred to",
        edited(seed[1], (root, [*held, one])),
        (seed[1]["resourceType"],),
        (*root, n),
        twin=edited(
            seed[1],
            (
                root,
                [
                    *held,
                    {
                        "resourceType": "Basic",
                        "id": "back",
                        "code": {"text": "x"},
                        "subject": {"reference": "#"},
                    },
                ],
            ),
        ),
    )
