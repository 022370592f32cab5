"""Faults of primitive values, each beside values that look as odd and are right.

The forms are those of https://hl7.org/fhir/R4/datatypes.html#primitive.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

from .faults_structure import some
from .mutants import Mutant, Seed, dump, edited, get, maker, may_extend, mutant, sites, standard

if TYPE_CHECKING:
    from collections.abc import Iterator
    from random import Random

UUID = "c757873d-ec9a-4326-a141-556f43239520"
# type: (wrong values, right ones)
VALUES: dict[str, tuple[list[Any], list[Any]]] = {
    "date": (
        [
            "2026-13-01",
            "2026-02-30",
            "2026-2-3",
            "20260101",
            "2026-01-01T00:00:00Z",
            "2025-02-29",
            "26",
            "2026-00-10",
            "2026-01-32",
            "2026-01-01 ",
            "01/02/2026",
            "2026-1",
        ],
        ["2026", "2026-02", "2024-02-29", "0001-01-01", "9999-12-31", "2000-02-29"],
    ),
    "dateTime": (
        [
            "2026-01-01T10:00:00",
            "2026-01-01T25:00:00Z",
            "2026-01-01T10:00Z",
            "2026-01-01 10:00:00Z",
            "2026-06-31",
            "2026-01-01T24:00:00Z",
            "2026-01-01T10:00:00+15:00",
            "2026-01-01T10:00:00+0100",
            "2026-01-01T10:60:00Z",
            "2026-01-01T10:00:00.Z",
            "2026-01T10:00:00Z",
            "2026-02-29T10:00:00Z",
        ],
        [
            "2026-01-01T10:00:00.123456+05:30",
            "2026-12",
            "2026",
            "2016-12-31T23:59:60Z",
            "2026-01-01T00:00:00-00:00",
            "2026-01-01T10:00:00+14:00",
            "2026-01-01T10:00:00.000000001Z",
        ],
    ),
    "instant": (
        [
            "2026-01-01",
            "2026-01-01T10:00:00",
            "2026-01-01T10:00Z",
            "2026-02-30T10:00:00Z",
            "2026",
            "2026-01-01T10:00:00.+01:00",
        ],
        ["2015-02-07T13:28:17.239+02:00", "2017-01-01T00:00:00Z"],
    ),
    "time": (
        ["8:00", "08:00", "24:00:00", "08:00:00Z", "08:60:00", "08:00:61", "8:00:00", "08:00:00+01:00"],
        ["08:00:00", "08:00:00.5", "23:59:60", "00:00:00"],
    ),
    "uri": (
        ["http://exa mple.org", " http://example.org", "http://example.org\n"],
        [
            "urn:oid:1.2.3",
            "mailto:x@example.org",
            "http://example.org/a%20b?x=1#y",
            f"urn:uuid:{UUID}",
            f"urn:uuid:{UUID}#part",
            "Patient/1",
        ],
    ),
    "url": (
        ["http://exa mple.org", "\thttp://example.org"],
        ["http://example.org", "mailto:x@example.org", "ftp://example.org/x"],
    ),
    "canonical": (
        ["http://example.org/a b", "http://example.org/v |2"],
        ["http://example.org/v|2.0", f"urn:uuid:{UUID}", "urn:oid:2.16.840.1.113883"],
    ),
    "oid": (
        ["urn:oid:3.1", "1.2.3", "urn:oid:1", "urn:oid:1.02", "urn:oid:1.2.", "oid:1.2.3", "urn:oid:1.a"],
        ["urn:oid:1.2.3", "urn:oid:2.16.840.1.113883.6.1", "urn:oid:0.0"],
    ),
    "uuid": (
        [
            f"urn:uuid:{UUID.upper()}",
            UUID,
            f"urn:uuid:{UUID[:-1]}",
            "urn:uuid:x",
            f"urn:uuid:{UUID.replace('-', '')}",
        ],
        [f"urn:uuid:{UUID}"],
    ),
    "id": (["a_b", "a b", "x" * 65, "é", "a/b", "a#b"], ["A-1.b", "x" * 64, "1"]),
    "integer": ([2147483648, -2147483649, 1.5, "1"], [2147483647, -2147483648, 0]),
    "positiveInt": ([0, -1, 2147483648, 1.5], [1, 2147483647]),
    "unsignedInt": ([-1, 2147483648, 0.5], [0, 2147483647]),
    "base64Binary": (
        ["abc", "ab=c", "@@@@", "aGVsbG8", "aGVsbG8==", "aGVs*bG8="],
        ["aGVsbG8=", "aGVs\nbG8=", "aGVsbG8h"],
    ),
    "code": ([" active", "a  b", "active ", "a\tb", "a\n"], ["a b", "a-b", "é"]),
    "string": (
        ["x" * (1024 * 1024 + 1)],
        ["a\tb\nc", "5", "-", " leading", "👍", "10\u00a0mg", " ", "a\x01b", "line\u2028line"],
    ),
    "markdown": (["x" * (1024 * 1024 + 1)], ["# a\n\n* b", "a < b", "10\u00a0mg", "a\x02b"]),
    "boolean": (["true", 0, "False"], [True, False]),
    "decimal": (["1.0", "1,5", True], [1.50, 1e-7, -0.5, 1e2, 12345678901234567890.5]),
}
# Elements that the standard's prose ties to others.
TIED = {"url", "value", "fullUrl", "reference", "status", "total"}


@cache
def _named(root: str, node: str) -> frozenset[str]:
    """Every word in the invariants that stand where an element does: what they name depends on others."""
    types = [standard().type(root), standard().type(node.partition(".")[0])]
    nodes = [n for t in types if t for n in t.nodes.values()]
    rules = [
        c for n in nodes for c in (*n.constraints, *(c for e in n.elements.values() for c in e.constraints))
    ]
    return frozenset(re.findall(r"[A-Za-z]+", " ".join(rule.expression for rule in rules)))


def _fault(kind: str) -> str:
    return f"bad {kind}"


def _register(kind: str) -> None:
    """One class for each type: an example's elements of that type, and an extension that may hold any."""

    @maker(_fault(kind))
    def in_place(seed: Seed, rng: Random) -> Iterator[Mutant]:
        wrong, right = VALUES[kind]
        found = [s for s in sites(seed[1]) if s.type.code == kind and s.name not in {"id", "resourceType"}]
        for site in some(rng, found, 3):
            bad = rng.choice(wrong)
            tied = site.name in TIED or site.name in _named(
                get(seed[1], site.root)["resourceType"], site.node
            )
            tied = tied or site.element.binding or site.element.constraints or site.type.profiles
            tied = tied or "value" in site.name or kind in {"canonical", "uri", "url", "code"}
            twin = None if tied else edited(seed[1], (site.steps, rng.choice(right)))
            yield mutant(
                _fault(kind),
                seed,
                f"{site.name} = {str(bad)[:30]!r}",
                edited(seed[1], (site.steps, bad)),
                site.steps,
                twin=twin,
            )

    @maker(_fault(kind))
    def in_extension(seed: Seed, rng: Random) -> Iterator[Mutant]:
        if not may_extend(seed):
            return
        wrong, right = VALUES[kind]
        bad, good = rng.choice(wrong), rng.choice(right)
        held = get(seed[1], (seed[1]["resourceType"], "extension"))
        held = held if isinstance(held, list) else []
        name = "value" + kind[0].upper() + kind[1:]
        root = (seed[1]["resourceType"], "extension")
        url = "http://example.org/fhir/StructureDefinition/any"
        yield mutant(
            _fault(kind),
            seed,
            f"{name} = {str(bad)[:30]!r}",
            edited(seed[1], (root, [*held, {"url": url, name: bad}])),
            (*root, len(held), name),
            twin=edited(seed[1], (root, [*held, {"url": url, name: good}])),
        )


for _kind in VALUES:
    _register(_kind)


@maker("bad resource id")
def resource_id(seed: Seed, rng: Random) -> Iterator[Mutant]:
    wrong, right = VALUES["id"]
    steps = (seed[1]["resourceType"], "id")
    twin = edited(seed[1], (steps, rng.choice(right)))
    bad = rng.choice(wrong)
    yield mutant("bad resource id", seed, bad[:20], edited(seed[1], (steps, bad)), steps, twin=twin)


@maker("questionable value")
def questionable(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """What the standard only advises against: a warning, and no error."""
    found = [
        s
        for s in sites(seed[1])
        if s.type.code == "string" and s.name in {"text", "display", "title", "family"}
    ]
    for site in some(rng, found, 3):
        odd = rng.choice(["a\x01b", "  ", "a\x0bb", "\t"])
        changed = edited(seed[1], (site.steps, odd))
        yield replace(
            mutant("questionable value", seed, repr(odd), changed, site.steps, twin=changed), level="warning"
        )


LITERALS = ["01", "+1", "1.", ".5", "NaN", "Infinity", "0x1F", "1e", "-"]


@maker("bad number literal")
def number_literal(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A number that JSON does not know; near miss: exponents and trailing zeros."""
    found = [s for s in sites(seed[1]) if s.type.code == "decimal" and s.name == "value"]
    for site in some(rng, found, 3):
        marked = dump(edited(seed[1], (site.steps, "@@n@@")))
        bad, good = rng.choice(LITERALS), rng.choice(["1.00", "1E+2", "0.10", "100e-1"])
        yield mutant(
            "bad number literal",
            seed,
            bad,
            marked.replace(b'"@@n@@"', bad.encode()),
            twin=None
            if {"low", "high", "repeat"} & set(site.steps)
            else marked.replace(b'"@@n@@"', good.encode()),
        )
