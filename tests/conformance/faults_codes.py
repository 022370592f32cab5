"""Faults of codes, units, attachments and narratives, each beside a near miss."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING, Any

from .faults_structure import some
from .mutants import Mutant, Seed, edited, get, maker, may_extend, mutant, release, sites, standard

if TYPE_CHECKING:
    from collections.abc import Iterator
    from random import Random

# Codes whose other values bring no further rule with them.
FREE = {"gender", "use", "system", "language"}
ANY = "http://example.org/fhir/StructureDefinition/any"
UCUM = "http://unitsofmeasure.org"
DIV = '<div xmlns="http://www.w3.org/1999/xhtml">{}</div>'


@maker("code outside a required set")
def required_code(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A code that a required binding does not allow; near miss: another that it does."""
    found = [
        s
        for s in sites(seed[1])
        if s.type.code == "code" and s.element.binding and s.element.binding.strength == "required"
    ]
    for site in some(rng, found):
        held = standard().value_set(site.element.binding.value_set) if site.element.binding else None
        if held is None or not held.known or held.open:
            continue
        bad = rng.choice(["bogus", f"{site.value}x", str(site.value).upper() + "-"])
        twin = None
        if site.name in FREE and site.node in {
            "Patient",
            "HumanName",
            "Address",
            "ContactPoint",
            "Identifier",
        }:
            twin = edited(seed[1], (site.steps, rng.choice(sorted(held.codes))))
        yield mutant(
            "code outside a required set",
            seed,
            f"{site.name} = {bad}",
            edited(seed[1], (site.steps, bad)),
            site.steps,
            twin=twin,
        )


@maker("concept outside a required set")
def required_concept(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A Coding or CodeableConcept outside a required set; near miss: a second coding of ours."""
    found = [
        s
        for s in sites(seed[1])
        if s.type.code in {"Coding", "CodeableConcept"}
        and s.element.binding
        and s.element.binding.strength == "required"
        and isinstance(s.value, dict)
    ]
    for site in some(rng, found):
        ours = {"system": "http://example.org/fhir/CodeSystem/ours", "code": "x"}
        if site.type.code == "Coding":
            places = [(*site.steps, "code"), site.steps]
            steps, twin = (*site.steps, "code"), edited(seed[1], ((*site.steps, "display"), "Other words"))
        elif isinstance(get(seed[1], (*site.steps, "coding", 0)), dict):
            places = [(*site.steps, "coding", 0, "code"), (*site.steps, "coding", 0), site.steps]
            steps = (*site.steps, "coding", 0, "code")
            twin = edited(seed[1], ((*site.steps, "coding"), [*site.value["coding"], ours]))
        else:
            continue
        yield mutant(
            "concept outside a required set",
            seed,
            site.name,
            edited(seed[1], (steps, "bogus")),
            *places,
            twin=twin,
        )


def extension(seed: Seed, fault: str, name: str, bad: Any, good: Any, *places: str) -> Mutant:
    """Return a mutant in which an extension of the root holds the fault; ``places`` are inside its value."""
    root = (seed[1]["resourceType"], "extension")
    held = get(seed[1], root)
    held = held if isinstance(held, list) else []
    start = (*root, len(held), name)
    return mutant(
        fault,
        seed,
        f"{name} {str(bad)[:40]}",
        edited(seed[1], (root, [*held, {"url": ANY, name: bad}])),
        *[(*start, *([p] if p else [])) for p in places],
        twin=edited(seed[1], (root, [*held, {"url": ANY, name: good}])),
    )


SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"


@maker("SNOMED CT check digit")
def snomed(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """404684003 (Clinical finding) stands in the FHIR definitions; a digit changed, and two swapped."""
    if may_extend(seed):
        bad = rng.choice(["404684004", "404648003", "4046840O3", "40468400", "0404684003", "12345"])
        coding = {"system": SNOMED, "code": bad}
        yield extension(
            seed,
            "SNOMED CT check digit",
            "valueCoding",
            coding,
            {"system": SNOMED, "code": "404684003"},
            "code",
        )


@maker("LOINC check digit")
def loinc(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """8867-4 and 8302-2 stand in the FHIR definitions; a digit changed, and two swapped."""
    if may_extend(seed):
        bad, good = rng.choice(
            [
                ("8867-5", "8867-4"),
                ("8876-4", "8867-4"),
                ("8302-3", "8302-2"),
                ("8867", "8867-4"),
                ("88674", "8302-2"),
            ]
        )
        yield extension(
            seed,
            "LOINC check digit",
            "valueCoding",
            {"system": LOINC, "code": bad},
            {"system": LOINC, "code": good},
            "code",
        )


@maker("language tag")
def language(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """https://www.rfc-editor.org/rfc/bcp/bcp47.txt"""
    bad = rng.choice(["english", "en_US", "e", "en--US", "xx-yyyyyyyyyy", "en-", "1en"])
    good = rng.choice(["en", "de-CH", "zh-Hant-TW", "es-419", "sr-Latn-RS"])
    steps = (seed[1]["resourceType"], "language")
    yield mutant(
        "language tag", seed, bad, edited(seed[1], (steps, bad)), steps, twin=edited(seed[1], (steps, good))
    )


@maker("currency")
def currency(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """ISO 4217."""
    if may_extend(seed):
        bad, good = rng.choice(["usd", "US$", "ZZQ", "EURO"]), rng.choice(["EUR", "JPY", "CHF", "USD"])
        yield extension(
            seed,
            "currency",
            "valueMoney",
            {"value": 1, "currency": bad},
            {"value": 1, "currency": good},
            "currency",
        )


@maker("MIME type")
def mime(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """https://www.rfc-editor.org/rfc/rfc2045 and rfc6838."""
    if may_extend(seed):
        bad = rng.choice(
            ["text plain", "text/", "/plain", "text//plain", "image/png image/gif", "text/pl@in"]
        )
        good = rng.choice(
            [
                "text/plain; charset=utf-8",
                "application/fhir+json",
                "image/svg+xml",
                "application/vnd.api+json",
                "application/fhir+json;canonicalization=http://hl7.org/fhir/canonicalization/json#document",
            ]
        )
        yield extension(
            seed,
            "MIME type",
            "valueAttachment",
            {"contentType": bad, "title": "x"},
            {"contentType": good, "title": "x"},
            "contentType",
        )


@maker("attachment's size and hash")
def attachment(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """size counts the bytes before base64, hash is their SHA-1 (https://hl7.org/fhir/R4/datatypes.html#Attachment)."""
    if may_extend(seed):
        data = b"hello"
        held = {"contentType": "text/plain", "data": base64.b64encode(data).decode()}
        right = base64.b64encode(hashlib.sha1(data).digest()).decode()  # noqa: S324 - the standard says SHA-1
        wrong = base64.b64encode(hashlib.sha1(b"other").digest()).decode()  # noqa: S324
        fault = "attachment's size and hash"
        sizes: list[Any] = [8, 5] if release() == "R4" else ["8", "5"]  # an integer64 from R5 on
        wrong_size, right_size = ({**held, "size": size} for size in sizes)
        yield extension(seed, fault, "valueAttachment", wrong_size, right_size, "size", "")
        yield extension(
            seed, fault, "valueAttachment", {**held, "hash": wrong}, {**held, "hash": right}, "hash", ""
        )


@maker("UCUM unit")
def ucum(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """https://ucum.org/ucum"""
    if may_extend(seed):
        bad = rng.choice(
            [
                "meter",
                "mgg",
                "mmHg",
                "kg/",
                "m[Hg",
                "sec",
                "mg per dL",
                "lbs",
                "{score",
                "kkg",
                "m²",
            ]
        )
        good = rng.choice(
            [
                "mm[Hg]",
                "10*3/uL",
                "10^3/uL",
                "{score}",
                "mg/dL",
                "%",
                "1",
                "[lb_av]",
                "m2",
                "kg.m-2",
                "/min",
                "h",
            ]
        )
        yield extension(
            seed,
            "UCUM unit",
            "valueQuantity",
            {"value": 1, "system": UCUM, "code": bad},
            {"value": 1, "system": UCUM, "code": good},
            "code",
        )


@maker("unit of another dimension")
def dimension(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """An age in kilograms, a distance in hours."""
    if may_extend(seed):
        name, bad, good = rng.choice(
            [
                ("valueAge", "kg", "a"),
                ("valueAge", "m", "wk"),
                ("valueDuration", "mg", "h"),
                ("valueDuration", "cm", "min"),
                ("valueDistance", "h", "km"),
                ("valueAge", "%", "mo"),
                ("valueDuration", "1", "s"),
                ("valueDistance", "kg", "[mi_i]"),
            ]
        )
        yield extension(
            seed,
            "unit of another dimension",
            name,
            {"value": 1, "system": UCUM, "code": bad},
            {"value": 1, "system": UCUM, "code": good},
            "code",
        )


NARRATIVES = [
    "<script>alert(1)</script>",
    '<p onclick="x()">a</p>',
    '<a href="javascript:x()">a</a>',
    "",
    "  ",
    "&nbsp;a",
    "<p>a",
    "<iframe src='http://example.org'/>",
    "<form><input/></form>",
    "<object data='x'/>",
    "<b><i>a</b></i>",
    "<P>a</P>",
    "a & b",
    "<p><!-- nothing --></p>",
    "<p class=x>a</p>",
    "<link href='x'/>",
    "<style>p{}</style>",
    "<p foo='x'>a</p>",
    "<base href='http://example.org'/>",
    "<embed src='x'/>",
    "<p>&eacute;</p>",
]
GOOD_NARRATIVES = [
    "<p>a</p>",
    "&#160;a",
    "a &lt; b &amp; c",
    "<table><tr><td colspan='2'>a</td></tr></table>",
    '<p style="color: red">a</p>',
    "<ul><li>a<br/></li></ul>",
    '<a href="http://example.org">a</a>',
    '<img src="data:image/png;base64,AAAA" alt="a"/>',
    '<p id="x" lang="en" xml:lang="en">a</p>',
    "<h1>a</h1><hr/>",
    "<p>é ñ</p>",
    "<!-- note --><p>a</p>",
]


@maker("narrative")
def narrative(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """https://hl7.org/fhir/R4/narrative.html#xhtml; near miss: what it allows."""
    node = standard().node(seed[1]["resourceType"])
    if node is None or "text" not in node.elements:
        return
    root = (seed[1]["resourceType"], "text")
    bare = [
        "<div>a</div>",
        '<p xmlns="http://www.w3.org/1999/xhtml">a</p>',
        "plain text",
        DIV.format("a") + DIV.format("b"),
        '<div xmlns="http://www.w3.org/1999/html">a</div>',
    ]
    for bad in [*some(rng, [DIV.format(n) for n in NARRATIVES], 3), *some(rng, bare, 1)]:
        good = DIV.format(rng.choice(GOOD_NARRATIVES))
        yield mutant(
            "narrative",
            seed,
            bad[:80].replace('<div xmlns="http://www.w3.org/1999/xhtml">', "…"),
            edited(seed[1], (root, {"status": "generated", "div": bad})),
            (*root, "div"),
            twin=edited(seed[1], (root, {"status": "generated", "div": good})),
        )


@maker("narrative link")
def narrative_link(seed: Seed, rng: Random) -> Iterator[Mutant]:
    node = standard().node(seed[1]["resourceType"])
    if node is None or "text" not in node.elements:
        return
    root = (seed[1]["resourceType"], "text")
    bad = DIV.format(
        rng.choice(
            ['<a href="#gone">a</a>', '<img src="#gone" alt="a"/>', "<p id='x'>a</p><a href='#y'>b</a>"]
        )
    )
    good = DIV.format(
        rng.choice(['<a href="#x">a</a><p id="x">b</p>', '<a name="x">b</a><a href="#x">a</a>'])
    )
    yield mutant(
        "narrative link",
        seed,
        bad[-40:],
        edited(seed[1], (root, {"status": "generated", "div": bad})),
        (*root, "div"),
        twin=edited(seed[1], (root, {"status": "generated", "div": good})),
    )
