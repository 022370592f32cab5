"""Print how the check does on the mutants, and beside other validators."""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from . import agreement, next_sources
from .oracles import ORACLES
from .suite import SAMPLE, Tally, mutants, table, tally


def main() -> None:
    """Read the arguments and do what they ask."""
    parser = argparse.ArgumentParser(prog="python -m tests.conformance", description=__doc__)
    parser.add_argument("--all", action="store_true", help="every mutant, not a sample")
    parser.add_argument("--fhir", choices=["R4", "R5"], default="R4", help="the release of the mutants")
    parser.add_argument("--seed", type=int, default=1, help="of the sample")
    parser.add_argument(
        "--show", default="", help="what was missed, misplaced or alarmed in this class (or: all)"
    )
    parser.add_argument("--prepare", action="store_true", help="fetch the other validators first")
    parser.add_argument(
        "--oracles", type=int, default=0, metavar="N", help="compare on N mutants of each class"
    )
    told = parser.parse_args()
    for oracle in ORACLES if told.prepare else ():
        oracle.prepare()
    if told.prepare:
        try:
            next_sources.prepare()
        except subprocess.CalledProcessError:
            say(next_sources.absent())
    if told.oracles:
        compare(told.oracles)
    elif not told.prepare:
        counted = tally(mutants(told.seed, None if told.all else SAMPLE, told.fhir))
        say(table(counted))
        for fault, count in sorted(counted.items()):
            if told.show in {"all", fault}:
                show(fault, count)


def say(line: str) -> None:
    """Print a line."""
    sys.stdout.write(line + "\n")


def show(fault: str, count: Tally) -> None:
    """Print what was not as it should be in one class."""
    for kind in ("missed", "misplaced", "alarmed"):
        for mutant, issues in getattr(count, kind)[:8]:
            say(f"\n{kind}: {fault}: {mutant.name}\n  expected {' or '.join(mutant.places[:3])}")
            for issue in issues[:4]:
                say(f"  {issue.severity} {issue.expression} [{issue.rule}] {issue.message}")


def compare(sample: int) -> None:
    """Print the table of all validators that can be run here, and what no row explains."""
    for oracle in ORACLES:
        if oracle.absent():
            say(oracle.absent())
    able = [oracle for oracle in ORACLES if not oracle.absent()]
    if not able:
        return
    with tempfile.TemporaryDirectory() as folder:
        asked = agreement.verdicts(agreement.cases(Path(folder), sample), able)
    say(agreement.table(asked))
    left, used = agreement.unexplained(asked)
    say(f"\nnot explained: {len(left)}")
    for line in left:
        say(f"  {line}")
    say("\nrows of disagreements.toml not needed in this run:")
    for row in agreement.unused(used):
        say(f"  {row}")


if __name__ == "__main__":
    main()
