"""Faults of structure: what is there that must not be, what is missing, and what has the wrong shape."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.spec import definitions

from .mutants import ABSENT, Mutant, Seed, Site, dump, edited, get, maker, mutant, sites

if TYPE_CHECKING:
    from collections.abc import Iterator
    from random import Random

OTHER = {"url": "http://example.org/fhir/StructureDefinition/other", "valueString": "y"}
# Data types of which one more of the same never breaks a rule.
REPEATABLE = {"HumanName", "Address", "Annotation"}
PRIMITIVES = definitions("R5").primitive_types  # R4's, and integer64


def some(rng: Random, found: list[Any], most: int = 6) -> list[Any]:
    """Return a few of what was found, in a random order that the seed fixes."""
    return rng.sample(found, min(most, len(found)))


def objects(resource: dict[str, Any]) -> list[Site]:
    """Elements that are JSON objects of a data type or backbone, where anything may be added."""
    return [s for s in sites(resource) if isinstance(s.value, dict) and "resourceType" not in s.value]


def plain(resource: dict[str, Any]) -> list[Site]:
    """Primitive elements of data types and resources, without the ones that name or identify."""
    return [
        s
        for s in sites(resource)
        if s.type.code in PRIMITIVES and s.name not in {"id", "div", "url", "fullUrl", "reference"}
    ]


@maker("unknown element")
def unknown(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A name that no definition has, or one spelt wrong; near miss: an extension in the same place."""
    root = (seed[1]["resourceType"],)
    holders = [s.steps for s in objects(seed[1]) if s.type.code != "Extension"]
    for steps in [root, *some(rng, holders)]:
        name = rng.choice(["foo", "Status", "_foo", "extensions", "fhir_comments"])
        extended = (
            [*held, OTHER] if isinstance(held := get(seed[1], (*steps, "extension")), list) else [OTHER]
        )
        allowed = len(steps) > 1 or seed[1]["resourceType"] not in {"Bundle", "Binary", "Parameters"}
        yield mutant(
            "unknown element",
            seed,
            f"{name} in {steps[-1]}",
            edited(seed[1], ((*steps, name), {"extension": [OTHER]} if name == "_foo" else "x")),
            (*steps, name),
            twin=edited(seed[1], ((*steps, "extension"), extended)) if allowed else None,
        )


@maker("missing element")
def missing(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A required element taken away; near miss: its value taken away, with an extension that says why."""
    why = {
        "extension": [
            {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}
        ]
    }
    found = {s.whole: s for s in sites(seed[1]) if s.element.min > 0}
    for site in some(rng, list(found.values())):
        shadow = (*site.whole[:-1], f"_{site.name}")
        gone = [(site.whole, ABSENT)]
        if get(seed[1], shadow) is not ABSENT:
            gone.append((shadow, ABSENT))
        if len(get(seed[1], site.whole[:-1])) == len(gone):
            continue  # its holder would be empty, which is another fault
        place = (*site.whole[:-1], site.element.name.removesuffix("[x]"))
        twin = None
        special = {
            "id",
            "url",
            "div",
            "fullUrl",
            "linkId",
            "code",
            "path",
            "type",
            "kind",
            "status",
            "name",
            "reference",
        }
        if site.type.code in PRIMITIVES and not site.element.is_list and site.name not in special:
            twin = edited(seed[1], *gone, (shadow, why))
        yield mutant("missing element", seed, str(site.name), edited(seed[1], *gone), place, twin=twin)


@maker("array for scalar")
def array_for_scalar(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """One value in an array, and two (too many); near miss: one more where many are allowed."""
    singles = [s for s in sites(seed[1]) if not s.element.is_list and s.name != "div"]
    many = [s for s in sites(seed[1]) if s.element.is_list and s.type.code in REPEATABLE]
    twin = None
    if many:
        again = get(seed[1], many[0].whole)
        twin = edited(seed[1], (many[0].whole, [*again, again[-1]]))
    for site in some(rng, singles):
        value = [site.value] if rng.random() < 0.5 else [site.value, site.value]
        yield mutant(
            "array for scalar", seed, site.name, edited(seed[1], (site.steps, value)), site.steps, twin=twin
        )


@maker("scalar for array")
def scalar_for_array(seed: Seed, rng: Random) -> Iterator[Mutant]:
    found = [s for s in sites(seed[1]) if s.element.is_list and s.steps[-1] == 0]
    for site in some(rng, found):
        if get(seed[1], (*site.whole[:-1], f"_{site.name}")) is ABSENT:
            changed = edited(seed[1], (site.whole, site.value))
            yield mutant("scalar for array", seed, site.name, changed, site.whole)


@maker("wrong JSON type")
def wrong_type(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A string for a number, a number for a string, an object for a primitive and the other way round."""
    for site in some(rng, list(sites(seed[1])), 10):
        value = site.value
        if isinstance(value, bool):
            wrong: Any = rng.choice(["true", 1])
        elif isinstance(value, int | float):
            wrong = rng.choice([str(value), True])
        elif isinstance(value, str):
            wrong = rng.choice([5, False, {"value": value}])
        else:
            wrong = rng.choice(["x", 7, True])
        yield mutant("wrong JSON type", seed, site.name, edited(seed[1], (site.steps, wrong)), site.steps)


@maker("empty value")
def empty(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """An empty string, array or object."""
    for site in some(rng, [s for s in sites(seed[1]) if s.type.code != "xhtml"], 8):
        if site.element.is_list and rng.random() < 0.5 and site.steps[-1] == 0:
            yield mutant(
                "empty value", seed, f"{site.name} []", edited(seed[1], (site.whole, [])), site.whole
            )
        elif isinstance(site.value, str):
            yield mutant(
                "empty value", seed, f'{site.name} ""', edited(seed[1], (site.steps, "")), site.steps
            )
        elif isinstance(site.value, dict) and "resourceType" not in site.value:
            yield mutant(
                "empty value", seed, f"{site.name} {{}}", edited(seed[1], (site.steps, {})), site.steps
            )


@maker("null")
def null(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A null; near miss: one that an extension of the same item fills."""
    added = {"extension": [OTHER]}
    for site in some(rng, list(sites(seed[1]))):
        shadow = (*site.whole[:-1], f"_{site.name}")
        if get(seed[1], shadow) is not ABSENT:
            continue
        twin = None
        if site.type.code in PRIMITIVES and site.element.is_list:
            whole = get(seed[1], site.whole)
            twin = edited(seed[1], (site.whole, [*whole, None]), (shadow, [*([None] * len(whole)), added]))
            if site.element.binding or site.type.code in {"canonical", "uri", "oid"}:
                twin = None
        yield mutant("null", seed, site.name, edited(seed[1], (site.steps, None)), site.steps, twin=twin)


@maker("misaligned extension of a primitive")
def misaligned(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """``_element`` of the wrong shape, or longer than its array; near miss: the pair as it must be."""
    added = {"extension": [OTHER]}
    for site in some(rng, plain(seed[1])):
        name = f"_{site.name}"
        shadow = (*site.whole[:-1], name)
        if get(seed[1], shadow) is not ABSENT or site.type.code == "xhtml":
            continue
        whole = get(seed[1], site.whole)
        if site.element.is_list:
            good: Any = [added, *([None] * (len(whole) - 1))]
            bad = rng.choice([added, [*([None] * len(whole)), added], ["x"], [{}, *good[1:]], []])
        else:
            good, bad = added, rng.choice([[added], "x", {}, {"value": "x"}, None])
        where = f"{name} = {str(bad)[:30]}"
        changed = edited(seed[1], (shadow, bad))
        # A finding may stand at the pair's name, at the element itself, or at the odd item.
        exact = [site.whole, shadow, *([(*shadow, len(whole))] if site.element.is_list else [])]
        exact += [(*shadow, 0), (*shadow, "value"), (*site.whole, 0), (*site.whole, "value")]
        if site.element.is_list:
            exact.append((*site.whole, len(whole)))
        yield mutant(
            "misaligned extension of a primitive",
            seed,
            where,
            changed,
            *exact,
            twin=edited(seed[1], (shadow, good)),
        )


@maker("extension pair on an object")
def pair_on_object(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """``_name`` beside an element that is no primitive."""
    found = [s for s in sites(seed[1]) if isinstance(s.value, dict) and "resourceType" not in s.value]
    for site in some(rng, found, 3):
        shadow = (*site.whole[:-1], f"_{site.name}")
        changed = edited(seed[1], (shadow, {"extension": [OTHER]}))
        yield mutant("extension pair on an object", seed, site.name, changed, shadow)


SAMPLE: dict[str, Any] = {
    "string": "x",
    "boolean": True,
    "code": "x",
    "dateTime": "2026",
    "date": "2026",
    "integer": 5,
    "decimal": 1.5,
    "uri": "http://example.org",
    "Quantity": {"value": 1},
    "CodeableConcept": {"text": "x"},
    "Period": {"start": "2026"},
    "Reference": {"display": "x"},
    "Range": {"low": {"value": 1}},
    "Timing": {"code": {"text": "x"}},
}


@maker("two variants of a choice")
def two_variants(seed: Seed, rng: Random) -> Iterator[Mutant]:
    choices = [s for s in sites(seed[1]) if s.element.name.endswith("[x]")]
    for site in some(rng, choices, 4):
        others = [n for n, t in site.element.names.items() if n != site.name and t.code in SAMPLE]
        if others:
            other = rng.choice(others)
            stem = site.element.name.removesuffix("[x]")
            steps = (*site.steps[:-1], other)
            changed = edited(seed[1], (steps, SAMPLE[site.element.names[other].code]))
            yield mutant(
                "two variants of a choice",
                seed,
                f"{site.name} and {other}",
                changed,
                site.steps,
                steps,
                (*site.steps[:-1], stem),
                (*site.steps[:-1], stem + "[x]"),
            )


@maker("type not among a choice's")
def not_among(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """A variant the choice does not have; near miss: another that it has."""
    choices = [s for s in sites(seed[1]) if s.element.name.endswith("[x]") and s.node != "Extension"]
    for site in some(rng, choices, 4):
        stem = site.element.name.removesuffix("[x]")
        wrong = [c for c in SAMPLE if stem + c[0].upper() + c[1:] not in site.element.names]
        good = [
            n for n, t in site.element.names.items() if n != site.name and t.code in {"string", "dateTime"}
        ]
        if wrong:
            code = rng.choice(wrong)
            steps = (*site.steps[:-1], stem + code[0].upper() + code[1:])
            twin = None
            if good and site.node in {"Observation", "Observation.component", "Condition", "Procedure"}:
                name = good[0]
                value = SAMPLE[site.element.names[name].code]
                twin = edited(seed[1], (site.steps, ABSENT), ((*site.steps[:-1], name), value))
            changed = edited(seed[1], (site.steps, ABSENT), (steps, SAMPLE[code]))
            yield mutant("type not among a choice's", seed, str(steps[-1]), changed, steps, twin=twin)


@maker("resource type")
def resource_type(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """No resourceType, or one that the release does not have."""
    without = {k: v for k, v in seed[1].items() if k != "resourceType"}
    yield mutant("resource type", seed, "none", without)
    yield mutant(
        "resource type",
        seed,
        "Foo",
        {**seed[1], "resourceType": rng.choice(["Foo", "patient", "DomainResource"])},
    )
    for site in some(
        rng, [s for s in sites(seed[1]) if isinstance(s.value, dict) and "resourceType" in s.value], 2
    ):
        changed = edited(seed[1], ((*site.steps, "resourceType"), "Foo"))
        yield mutant("resource type", seed, "Foo inside", changed, site.steps, (*site.steps, "resourceType"))


@maker("nesting too deep")
def too_deep(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """Extensions inside extensions without end; near miss: a dozen."""
    if seed[1]["resourceType"] != "Patient":
        return

    def nested(depth: int) -> bytes:
        opening = b'{"url":"http://example.org/d","extension":[' * depth
        inner = b'{"url":"http://example.org/d","valueBoolean":true}'
        return b'{"resourceType":"Patient","extension":[' + opening + inner + b"]}" * depth + b"]}"

    for depth in (2_000, 50_000, 200_000):
        yield mutant("nesting too deep", seed, f"{depth} levels", nested(depth), twin=nested(12))


@maker("duplicate key")
def duplicate_key(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """The same name twice in one object."""
    text = dump(seed[1])
    found = [s for s in plain(seed[1]) if s.steps == s.whole and isinstance(s.value, str | int)]
    for site in some(rng, found, 4):
        marked = dump(edited(seed[1], (site.steps, "@@here@@")))
        line = f'"{site.name}": "@@here@@"'.encode()
        value = dump(site.value)
        twice = f'"{site.name}": '.encode() + value + f', "{site.name}": '.encode() + value
        if marked.count(line) == 1:
            yield mutant("duplicate key", seed, site.name, marked.replace(line, twice), site.steps, twin=text)


@maker("element ids")
def element_ids(seed: Seed, rng: Random) -> Iterator[Mutant]:
    """Two elements of one resource with one id; near miss: with two ids, and the same in another resource."""
    root = (seed[1]["resourceType"],)
    found = [
        s
        for s in objects(seed[1])
        if s.root == root
        and "id" not in s.value
        and s.type.code != "Extension"
        and root != ("StructureDefinition",)
    ]
    if len(found) > 1:
        one, two = sorted(rng.sample(found, 2), key=lambda s: s.place)
        edits = [((*one.steps, "id"), "twice"), ((*two.steps, "id"), "twice")]
        yield mutant(
            "element ids",
            seed,
            f"{one.place}, {two.place}",
            edited(seed[1], *edits),
            (*one.steps, "id"),
            (*two.steps, "id"),
            twin=edited(seed[1], edits[0], ((*two.steps, "id"), "once")),
        )
