"""The whole suite: which resources mutants are made from, how many, and what became of each."""

from __future__ import annotations

import json
import random
import tomllib
import traceback
from collections import defaultdict
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from fhircare.check import Issue, check
from fhircare.releases import say
from fhircare.spec import definitions

from . import faults_codes, faults_structure, faults_text, faults_values  # noqa: F401 - they register makers
from .faults_invariants import invariants, nested
from .faults_references import BUNDLES, bundles_in
from .mutants import MAKERS, Mutant, Seed, made_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.check.report import Severity


ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "tests" / "data" / "hl7" / "examples" / "r4"
EXAMPLES_R5 = EXAMPLES.with_name("r5")
OWN = ROOT / "examples" / "bundles"
# How many mutants of one class the usual run takes; the whole run takes all.
SAMPLE = 40


def seeds(release: str = "R4") -> list[Seed]:
    """Return every valid resource that mutants are made from, in a fixed order."""
    examples = EXAMPLES if release == "R4" else EXAMPLES_R5
    wrong = tomllib.loads((examples / "own-faults.toml").read_text(encoding="utf-8"))
    files = [f for f in sorted(examples.glob("*.json")) if release == "R4" or f.name not in wrong]
    found = [(f.stem, json.loads(f.read_bytes())) for f in files]
    own = [(f.stem, json.loads(f.read_bytes())) for f in sorted(OWN.glob("*.json"))]
    if release == "R4":
        return [*found, *own, *BUNDLES]
    return [*found, *((name, say(bundle, release)) for name, bundle in own[:1]), *bundles_in(release)]


def mutants(seed: int = 1, sample: int | None = SAMPLE, release: str = "R4") -> Iterator[Mutant]:
    """Yield mutants of every class: the same for the same seed.

    Args:
        seed: Of the random numbers.
        sample: How many of one class at most; None for all.
        release: Of the resources they are made from.
    """
    with made_of(release):
        made = list(_mutants(seed, sample, seeds(release)))
    yield from made


def _mutants(seed: int, sample: int | None, sources: list[Seed]) -> Iterator[Mutant]:
    found: dict[str, list[Mutant]] = defaultdict(list)
    for fault, make in MAKERS:
        for source in sources:
            # Each source has numbers of its own, so that a new example changes nobody else's mutants.
            found[fault].extend(make(source, _numbers(seed, fault, make.__name__, source[0])))
    found["invariant"] = [m for key, m in invariants() if _stands(key, m)]
    found["invariant inside another resource"] = [m for m in nested() if _stands(m.name.split()[0], m)]
    for fault, made in found.items():
        # These two hold one mutant for each rule, so they are sampled more widely.
        most = sample and sample * (10 if fault in {"invariant", "rules of a Bundle's type"} else 1)
        yield from made if most is None else _numbers(seed, fault).sample(made, min(most, len(made)))


@cache
def _keys(release: str) -> frozenset[str]:
    """Return the keys of every invariant of a release."""
    held = definitions(release)
    types = [found for name in held.type_names() if (found := held.type(name))]
    nodes = [node for found in types for node in found.nodes.values()]
    stated = [node.constraints for node in nodes]
    stated += [element.constraints for node in nodes for element in node.elements.values()]
    return frozenset(rule.key for rules in stated for rule in rules)


def _stands(key: str, made: Mutant) -> bool:
    """Tell whether a row of the table, which is written in R4, is one of the mutant's release too.

    It is where that release has the rule, and finds nothing in the resource before the fault.
    """
    if made.release == "R4":
        return True
    if key not in _keys(made.release) or any(key == rule and part in made.text for rule, part in REWORDED):
        return False
    return made.twin is not None and not errors(made.twin, release=made.release)


def _numbers(*seed: object) -> random.Random:
    return random.Random(" ".join(map(str, seed)))  # noqa: S311 - the same each time is what is wanted


@dataclass(slots=True)
class Tally:
    """What became of the mutants of one class."""

    made: int = 0
    found: int = 0
    placed: int = 0
    exact: int = 0
    twins: int = 0
    alarms: int = 0
    missed: list[tuple[Mutant, list[Issue]]] = field(default_factory=list)
    misplaced: list[tuple[Mutant, list[Issue]]] = field(default_factory=list)
    alarmed: list[tuple[Mutant, list[Issue]]] = field(default_factory=list)


def errors(text: bytes, level: Severity = "error", release: str | None = "R4") -> list[Issue]:
    """Return our findings of a file that are errors, or at least of another level.

    Those of the standard itself: a mutant breaks one of its rules and a near miss keeps them all, while a
    profile that the resource claims may ask for more.
    """
    told = check(text, release=release).at_least(level).issues
    return [i for i in told if i.source == "spec" and not i.rule.startswith("profile.")]


# Faults of R4 that are none in R5, whose rules of these keys say something else (HL7's definitions, 5.0.0).
REWORDED = (
    ("per-1", b"2014-12-31"),  # the boundaries are compared, in the zones that make them meet
    ("rng-2", b""),  # the boundaries of both are compared: 1 and 0 meet at 0.5
    ("mrp-1", b"data-collection"),  # the type is called data-exchange
)
_before: dict[str, dict[str, set[tuple[str, str]]]] = {}


def source_of(mutant: Mutant) -> str:
    """Return the name of the resource a mutant was made from."""
    return mutant.name.partition(": ")[0]


def known(mutant: Mutant) -> set[tuple[str, str]]:
    """Return the errors a resource has before the fault: some official examples break R4's own rules."""
    name = source_of(mutant)
    before = _before.setdefault(mutant.release, {})
    if not before:
        for source, resource in seeds(mutant.release):
            found = errors(json.dumps(resource, default=float).encode(), release=mutant.release)
            before[source] = {(i.rule, i.expression) for i in found}
    return before.get(name, set())


def tally(made: Iterable[Mutant]) -> dict[str, Tally]:
    """Check every mutant and its near miss, and count by class."""
    counted: dict[str, Tally] = defaultdict(Tally)
    for mutant in made:
        count = counted[mutant.fault]
        before = known(mutant)
        if any(place in mutant.places for _, place in before):
            continue  # the standard's own example is wrong in this very place
        count.made += 1
        try:
            found = errors(mutant.text, mutant.level, mutant.release)
            issues = [i for i in found if (i.rule, i.expression) not in before]
        except Exception as error:  # noqa: BLE001 - a crash is the worst miss, and is told like one
            count.missed.append((mutant, [_crash(error)]))
            continue
        if issues:
            count.found += 1
        else:
            count.missed.append((mutant, issues))
        if mutant.places and issues:
            count.placed += 1
            if any(i.expression in mutant.places for i in issues):
                count.exact += 1
            else:
                count.misplaced.append((mutant, issues))
        if mutant.twin is not None:
            count.twins += 1
            found = errors(mutant.twin, release=mutant.release)
            alarms = [i for i in found if (i.rule, i.expression) not in before]
            if alarms:
                count.alarms += 1
                count.alarmed.append((mutant, alarms))
    return dict(counted)


def _crash(error: Exception) -> Issue:
    last = traceback.extract_tb(error.__traceback__)[-1]
    words = f"{type(error).__name__}: {error} at {Path(last.filename).name}:{last.lineno}"
    return Issue("fatal", "exception", "", "CRASH", words)


def table(counted: dict[str, Tally]) -> str:
    """Return the counts as a table for people."""
    lines = [f"{'class':38}{'made':>6}{'found':>8}{'exact':>8}{'near misses':>13}{'false alarms':>14}"]
    total = Tally()
    for fault in sorted(counted):
        count = counted[fault]
        lines.append(_line(fault, count))
        for name in ("made", "found", "placed", "exact", "twins", "alarms"):
            setattr(total, name, getattr(total, name) + getattr(count, name))
    return "\n".join([*lines, _line("all", total)])


def _line(name: str, count: Tally) -> str:
    exact = f"{count.exact / count.placed:.1%}" if count.placed else "-"
    found = f"{count.found / count.made:.1%}"
    return f"{name:38}{count.made:>6}{found:>8}{exact:>8}{count.twins:>13}{count.alarms:>14}"
