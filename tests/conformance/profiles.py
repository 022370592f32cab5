"""The check against profiles beside HL7's reference validator: US Core's examples, with one fault each.

::

    python -m tests.conformance.profiles 8.0.0           # every mutant; minutes
    python -m tests.conformance.profiles 8.0.0 --each 10

prints how often both find an error, how often neither does, and each disagreement that no row of
``profiles.toml`` explains.
"""

from __future__ import annotations

import argparse
import copy
import json
import re
import sys
import tarfile
import tempfile
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fhircare.check import Against, check
from fhircare.spec.packages import load_packages

from .oracles import REFERENCE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .oracles import Told

Json = dict[str, Any]
Steps = tuple[str | int, ...]

FOLDER = Path(__file__).parents[1] / "data" / "hl7" / "us-core"
VERSIONS = ("6.1.0", "7.0.0", "8.0.0")
EXPLAINED: list[dict[str, str]] = tomllib.loads(
    Path(__file__).with_name("profiles.toml").read_text(encoding="utf-8")
)["row"]
LEFT_ALONE = frozenset({"resourceType", "meta", "id", "text", "implicitRules"})
DEEPEST = 7


def package(version: str) -> Path:
    """Return the file of a version of US Core."""
    return FOLDER / f"{version}.tgz"


@cache
def against(version: str) -> Against:
    """Return what a resource is held against for a version of US Core."""
    return Against((), load_packages(package(version)).packages)


@cache
def examples(version: str) -> dict[str, Json]:
    """Return the examples of a version by name."""
    found = {}
    with tarfile.open(package(version), "r:gz") as archive:
        for member in archive.getmembers():
            stream = archive.extractfile(member) if "/example/" in member.name else None
            if stream is not None:
                found[Path(member.name).stem] = json.load(stream)
    return found


def mutants(resource: Json) -> Iterator[tuple[str, Json]]:
    """Yield a resource with one fault, and what the fault is; one for each element, whatever its index.

    An element is dropped, said twice, given another type; a code, a system, a target is another's.
    """
    seen: set[str] = set()
    for steps in _places(resource):
        if steps[0] in LEFT_ALONE or len(steps) > DEEPEST:
            continue
        for kind, mutant in _hurt(resource, steps):
            name = f"{kind} {'.'.join(map(str, steps))}"
            key = re.sub(r"\d+", "#", name)
            if key not in seen:
                seen.add(key)
                yield name, mutant


def _places(node: Any, steps: Steps = ()) -> Iterator[Steps]:
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for step, value in pairs:
        yield (*steps, step)
        yield from _places(value, (*steps, step))


def _hurt(resource: Json, steps: Steps) -> Iterator[tuple[str, Json]]:
    last, value = steps[-1], _at(resource, steps)

    def changed(change: Any) -> Json:
        mutant = copy.deepcopy(resource)
        change(_at(mutant, steps[:-1]))
        return mutant

    if len(_at(resource, steps[:-1])) > 1:
        yield "drop", changed(lambda holder: holder.pop(last))
    wrong = {"code": "zzz", "system": "http://example.org/other", "reference": "Substance/1"}
    if last in wrong and isinstance(value, str):
        kind = "target" if last == "reference" else str(last)
        yield kind, changed(lambda holder: holder.update({last: wrong[str(last)]}))
    if isinstance(value, list) and len(steps) == 1:
        yield "twice", changed(lambda holder: holder.update({last: value + copy.deepcopy(value)}))
    if isinstance(last, str) and re.match(r"value[A-Z]", last):
        other = ("valueString", "x") if last == "valueBoolean" else ("valueBoolean", True)
        yield "type", changed(lambda holder: (holder.pop(last), holder.update([other])))


def _at(node: Any, steps: Steps) -> Any:
    for step in steps:
        node = node[step]
    return node


@dataclass(slots=True)
class Verdict:
    """What both found in one case: the errors of ours (rule and message) and of theirs."""

    name: str
    fault: str
    ours: list[str] = field(default_factory=list)
    theirs: list[Told] = field(default_factory=list)


def verdicts(version: str, each: int = 1_000_000) -> list[Verdict]:
    """Return what both say of the examples and of at most ``each`` mutants of every one."""
    found: dict[Path, Verdict] = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, example in examples(version).items():
            made = list(mutants(example))
            step = max(1, len(made) // each)
            for number, (fault, mutant) in enumerate([("as it is", example), *made[::step][:each]]):
                file = Path(folder) / f"{name}~{number}.json"
                file.write_text(json.dumps(mutant), encoding="utf-8")
                report = check(file.read_bytes(), against=against(version))
                ours = [f"{i.rule} {i.expression}" for i in report.issues if i.severity in {"error", "fatal"}]
                found[file] = Verdict(name, fault, ours)
        for file, told in REFERENCE.judge(list(found), packages=[package(version)]).items():
            found[file].theirs = [one for one in told if one.severity in {"error", "fatal"}]
    return list(found.values())


def unexplained(asked: list[Verdict]) -> list[str]:
    """Return a line for each disagreement that no row explains."""
    lines = []
    for one in asked:
        if bool(one.ours) != bool(one.theirs):
            only = "ours" if one.ours else "theirs"
            told = one.ours or [f"{t.rule} {t.message}" for t in one.theirs]
            rows = [row for row in EXPLAINED if row["only"] == only and re.search(row["fault"], one.fault)]
            if not all(any(re.search(row["told"], text) for row in rows) for text in told):
                lines.append(f"{one.name}: {one.fault}: only {only}: {told[0][:200]}")
    return lines


def table(asked: list[Verdict]) -> str:
    """Return how often the two agree."""
    counted = Counter((bool(one.ours), bool(one.theirs)) for one in asked)
    return (
        f"{len(asked)} cases: both find an error in {counted[True, True]}, neither in "
        f"{counted[False, False]}; ours alone in {counted[True, False]}, "
        f"theirs alone in {counted[False, True]}"
    )


def main() -> None:
    """Read the arguments and print the agreement."""
    parser = argparse.ArgumentParser(prog="python -m tests.conformance.profiles", description=__doc__)
    parser.add_argument("version", choices=VERSIONS)
    parser.add_argument("--each", type=int, default=1_000_000, help="mutants of each example (usual: all)")
    told = parser.parse_args()
    asked = verdicts(told.version, told.each)
    sys.stdout.write("\n".join([table(asked), *unexplained(asked)]) + "\n")


if __name__ == "__main__":
    main()
