"""Thousands of invented courses through log, review and revision, and the page that tells what they came to.

``python -m tests.bench.courses`` lives them in as many processes as there are processors and prints the
report; ``-o FILE`` writes it as the page ``docs/simulation.md``. The same number of courses, the same page.
"""

from __future__ import annotations

import argparse
import functools
import os
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import TYPE_CHECKING

from fhircare.follow.courses import DAYS, Tally, live_through, together
from fhircare.follow.decide import MOVES
from fhircare.follow.simulate import CHANCES
from fhircare.planner import make_plan
from tests.builders import record

if TYPE_CHECKING:
    from fhircare.plan import Plan

COURSES = int(os.environ.get("COURSES", "2100"))
RECORDS = {
    "usual": {},
    "cautious": {"limb.skin": ["skin-graft"]},
    "experienced": {"prosthesis.first": False},
}
"""What sets the pace of each plan that is lived through."""
_BATCH = 10


@functools.cache
def plan_of(pace: str) -> Plan:
    """Return the plan of a pace."""
    return make_plan(record(RECORDS[pace]))


def live(pace: str, seeds: range) -> Tally:
    """Return what the courses of some people at a pace came to."""
    return together(live_through(plan_of(pace), seed) for seed in seeds)


def run(courses: int = COURSES) -> dict[str, Tally]:
    """Live as many courses, spread over the paces, and return what they came to by pace."""
    each = -(-courses // len(RECORDS))
    found = {pace: [] for pace in RECORDS}
    with ProcessPoolExecutor() as pool:
        batches = {
            pool.submit(live, pace, range(first, min(first + _BATCH, each))): (pace, first)
            for first in range(0, each, _BATCH)
            for pace in RECORDS
        }
        lived = 0
        for batch in as_completed(batches):
            pace, first = batches[batch]
            found[pace].append((first, batch.result()))
            lived += batch.result().courses
            sys.stderr.write(f"\r{lived} of {each * len(RECORDS)} courses lived")
        sys.stderr.write("\n")
    return {pace: together(one for _, one in sorted(done)) for pace, done in found.items()}


_HEAD = """# What the rules come to in invented courses

Made by `make courses`; not written by hand. Nobody in it is real, and no figure in it is measured: it
shows what the rules of following do, not what happens to people.
"""
_RULES = """Each day is held against these rules, by code of its own: wear never rises the day after a
finding; a day nobody reported never speeds the pace up; a sign to stop at stops; a stop is never lifted
without a clinician's release, nor is the plan after it in force without approval; an emergency is answered as
one; no wear is planned during a stop; the same log again changes nothing.
"""


def report(by_pace: dict[str, Tally]) -> list[str]:
    """Return what the courses came to, a line each, as a page."""
    whole = together(by_pace.values())
    lines = [
        _HEAD,
        f"{whole.courses:,} people lived through {DAYS} days each: {whole.moves.total():,} reviews.",
        f"{whole.met['revision']:,} revisions were made. Rules of safety broken: **{len(whole.broken)}**.\n",
        _RULES,
        "## How often each decision falls\n",
        "| decision | " + " | ".join(by_pace) + " | together |",
        "|---|" + "---:|" * (len(by_pace) + 1),
    ]
    for move in reversed(MOVES):
        cells = [_share(one.moves[move], one.moves.total()) for one in (*by_pace.values(), whole)]
        lines.append(f"| {move} | " + " | ".join(cells) + " |")
    lines += [
        "",
        "## Time to full-day wear, by pace",
        "",
        "| pace | reached it | by day, half of all |",
        "|---|---:|---:|",
    ]
    for pace, one in by_pace.items():
        middle = one.median_full_day()
        told = f"not in {DAYS} days" if middle is None else str(middle)
        lines.append(f"| {pace} | {len(one.full_day_on)} of {one.courses} | {told} |")
    lines += ["\n## What happened on the way\n", "| what | times |", "|---|---:|"]
    lines += [f"| {what} | {count:,} |" for what, count in sorted(whole.met.items()) if what not in CHANCES]
    lines += ["\n## What was assumed\n", "Every chance is invented for this simulation.\n"]
    lines += ["| what it is the chance of | chance | times |", "|---|---:|---:|"]
    lines += [f"| {what} | {chance:.2%} | {whole.met[name]:,} |" for name, (chance, what) in CHANCES.items()]
    return [*lines, "\nThe traits of the people are told at the head of `fhircare/follow/simulate.py`.\n"]


def _share(count: int, of: int) -> str:
    return f"{count:,} ({100 * count / (of or 1):.1f} %)"


def main() -> int:
    """Live the courses and tell what they came to; 1 when a rule of safety was broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.courses", description=__doc__)
    parser.add_argument("--courses", type=int, default=COURSES)
    parser.add_argument("-o", "--output", metavar="FILE", type=Path)
    args = parser.parse_args()
    found = run(args.courses)
    page = "\n".join(report(found))
    if args.output:
        args.output.write_text(page, encoding="utf-8")
    else:
        print(page)  # noqa: T201 - a bench prints
    broken = together(found.values()).broken
    sys.stderr.write("".join(f"{rule}\n" for rule in broken[:20]))
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
