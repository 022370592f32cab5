"""Three validators over the same files: where they agree, and why where they do not."""

from __future__ import annotations

import re
import tomllib
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from .suite import EXAMPLES, OWN, errors, known, mutants

if TYPE_CHECKING:
    from collections.abc import Iterable

    from .oracles import Oracle, Told

EXPLAINED = tomllib.loads(Path(__file__).with_name("disagreements.toml").read_text(encoding="utf-8"))


@dataclass(frozen=True, slots=True)
class Case:
    """One file all are asked about: ``fault`` is its class, with "valid" for what is right."""

    fault: str
    name: str
    file: Path


@dataclass(slots=True)
class Verdicts:
    """What each found in one case: ours, and each oracle's errors."""

    case: Case
    ours: list[str] = field(default_factory=list)
    theirs: dict[str, list[Told]] = field(default_factory=dict)


def cases(folder: Path, sample: int) -> list[Case]:
    """Write the mutants and near misses into a folder, and return them with the examples.

    Args:
        folder: Where the files are made.
        sample: How many mutants of one class.
    """
    found = [Case("valid: HL7's examples", f.stem, f) for f in sorted(EXAMPLES.glob("*.json"))]
    found += [Case("valid: our own bundles", f.stem, f) for f in sorted(OWN.glob("*.json"))]
    for number, mutant in enumerate(mutants(sample=sample)):
        if known(mutant):
            continue  # made from an example that is wrong already: nothing could be said of the fault
        if mutant.level != "error":
            continue
        file = folder / f"{number}.json"
        file.write_bytes(mutant.text)
        found.append(Case(mutant.fault, mutant.name, file))
        if mutant.twin is not None:
            twin = folder / f"{number}-near-miss.json"
            twin.write_bytes(mutant.twin)
            found.append(Case(f"valid: near miss of {mutant.fault}", mutant.name, twin))
    return found


def verdicts(found: Iterable[Case], oracles: Iterable[Oracle]) -> list[Verdicts]:
    """Ask everybody about every case."""
    asked = [
        Verdicts(case, [f"{i.rule} {i.expression}" for i in errors(case.file.read_bytes())]) for case in found
    ]
    for oracle in oracles:
        answers = oracle.judge([v.case.file for v in asked])
        for verdict in asked:
            told = answers.get(verdict.case.file, [])
            verdict.theirs[oracle.name] = [t for t in told if t.severity in {"error", "fatal"}]
    return asked


def unexplained(asked: Iterable[Verdicts]) -> tuple[list[str], set[str]]:
    """Return the disagreements that no row of ``disagreements.toml`` explains, and the rows that were used.

    A row of ``misses`` says of which class (and, where ``name`` is given, of which mutants) an oracle misses
    the fault; a row of ``alarms`` says which finding of an oracle (by ``told``, a pattern over rule and
    message) is none by the standard.
    """
    left: list[str] = []
    used: set[str] = set()
    for verdict in asked:
        for oracle, told in verdict.theirs.items():
            case = verdict.case
            if verdict.ours and not told:
                row = _miss(oracle, case)
                if row:
                    used.add(row)
                else:
                    left.append(f"{oracle} misses: {case.fault}: {case.name} [ours: {verdict.ours[0]}]")
            elif told and not verdict.ours:
                for one in told:
                    row = _alarm(oracle, one)
                    if row:
                        used.add(row)
                    else:
                        words = f"{one.expression} {one.rule} {one.message[:120]}"
                        left.append(f"{oracle} alone alarms: {case.fault}: {case.name} [{words}]")
    return left, used


def unused(used: set[str]) -> list[str]:
    """Return the rows that explained nothing: they should go, or the run was too narrow."""
    return [row["why"] for kind in ("misses", "alarms") for row in EXPLAINED[kind] if row["why"] not in used]


def _miss(oracle: str, case: Case) -> str:
    for row in EXPLAINED["misses"]:
        if (
            row["oracle"] == oracle
            and re.fullmatch(row["fault"], case.fault)
            and re.search(row.get("name", ""), case.name)
        ):
            return str(row["why"])
    return ""


def _alarm(oracle: str, one: Told) -> str:
    for row in EXPLAINED["alarms"]:
        if row["oracle"] == oracle and re.search(row["told"], f"{one.rule} {one.message}"):
            return str(row["why"])
    return ""


def table(asked: Iterable[Verdicts]) -> str:
    """Return, by class, how many files each validator calls wrong."""
    rows: dict[str, list[Verdicts]] = defaultdict(list)
    for verdict in asked:
        rows[verdict.case.fault.partition(" near miss of ")[0]].append(verdict)
    names = list(next(iter(rows.values()))[0].theirs)
    lines = [f"{'class':40}{'files':>7}{'ours':>9}" + "".join(f"{n:>11}" for n in names)]
    for fault in sorted(rows, key=lambda f: (f.startswith("valid"), f)):
        found = rows[fault]
        counts = [sum(bool(v.ours) for v in found), *(sum(bool(v.theirs[n]) for v in found) for n in names)]
        lines.append(f"{fault:40}{len(found):>7}{counts[0]:>9}" + "".join(f"{c:>11}" for c in counts[1:]))
    return "\n".join(lines)
