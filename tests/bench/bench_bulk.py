"""Whole clinics: ``python -m tests.bench bench_bulk``.

* What the parts of one plan cost, against the models of ``fhir.resources`` taking its bundle (the baseline:
  the check stands in their place in a bulk run).
* Plans and resources a second and a core; two processes against one.
* Growth: processor time for each and peak memory of the parent and of the largest worker, at sizes that
  grow tenfold. Both should stay as they are. ``PLANS="1000 10000 100000"`` and ``RESOURCES="..."`` choose
  other sizes; a bundle takes some 50 kB on disk while it runs.

The command itself is run and watched through /proc (Linux). Rates are of this machine as busy as it is, so
its load is printed; processor time for each does not depend on it much.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.bulk import Item, PlanJob
from fhircare.bundle import dump, to_bundle
from fhircare.check import check
from fhircare.delivery import read_delivery
from fhircare.planner import make_plan
from fhircare.releases import validate_models
from tests.bench.invented import records, resources

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROOT = Path(__file__).parent.parent.parent
TICKS = os.sysconf("SC_CLK_TCK")
SCALED = 100
PAUSE = 0.2


class Watched(NamedTuple):
    """How a run went: seconds by the clock, processor seconds of all its processes, peak memory in MB."""

    seconds: float
    processor: float
    parent: float
    worker: float


def sizes(name: str, usual: str) -> list[int]:
    """Return the sizes asked for in the environment."""
    return [int(size) for size in os.environ.get(name, usual).split()]


def best(work: Callable[[Any], Any], over: list[Any]) -> float:
    """Return the mean of the least processor time that ``work`` took for each, in seconds."""
    times = []
    for one in over:
        rounds = []
        for _ in range(3):
            start = time.process_time()
            work(one)
            rounds.append(time.process_time() - start)
        times.append(min(rounds))
    return sum(times) / len(times)


def parts(count: int = 20) -> None:
    """Print what the parts of one plan cost, and the whole of it beside the baseline."""
    texts = [line.decode() for line in records(count)]
    delivered = [read_delivery(text) for text in texts]
    plans = [make_plan(one) for one in delivered]
    bundles = [to_bundle(plan, validate=False) for plan in plans]
    contents = [dump(bundle).encode() for bundle in bundles]
    items = [Item("x", number, "line", text.encode()) for number, text in enumerate(texts, 1)]
    told = {
        "read": best(read_delivery, texts),
        "plan": best(make_plan, delivered),
        "bundle": best(lambda plan: to_bundle(plan, validate=False), plans),
        "write": best(dump, bundles),
        "check": best(check, contents),
    }
    whole = best(PlanJob(), items)
    models = best(validate_models, bundles)
    shares = ", ".join(f"{name} {1e3 * spent:.1f}" for name, spent in told.items())
    print(  # noqa: T201
        f"{'one plan of ' + str(count):<24} {1e3 * whole:.0f} ms ({shares} ms); fhir.resources takes the "
        f"bundle in {1e3 * models:.0f} ms: ratio of the whole {whole / models:.2f}, of the check "
        f"{told['check'] / models:.2f}"
    )


def run(verb: str, lines: Iterator[bytes], workers: int) -> Watched:
    """Run the command over lines, and watch it."""
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "source.ndjson"
        with source.open("wb") as stream:
            stream.writelines(lines)
        command = [sys.executable, "-m", "fhircare", "bulk", verb, str(source), "-o", f"{folder}/out"]
        command += ["--workers", str(workers), *(["--packed"] if verb == "plan" else [])]
        environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        began = time.monotonic()
        process = subprocess.Popen(
            command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        spent: dict[int, float] = {}
        peak: dict[int, float] = {}
        while process.poll() is None:
            for pid in family(process.pid):
                look(pid, spent, peak)
            time.sleep(PAUSE)
        if process.returncode:
            raise SystemExit(f"bulk {verb} ended with {process.returncode}")
        parent = peak.pop(process.pid, 0.0)
        workers_peak = max(peak.values(), default=0.0)
        return Watched(time.monotonic() - began, sum(spent.values()), parent, workers_peak)


def family(pid: int) -> set[int]:
    """Return a process and those below it."""
    parents = {}
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            parents[int(entry.name)] = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
    found = {pid}
    while more := {child for child, parent in parents.items() if parent in found} - found:
        found |= more
    return found


def look(pid: int, spent: dict[int, float], peak: dict[int, float]) -> None:
    """Note what a process has spent, and the most memory it held."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return
    spent[pid] = (int(fields[11]) + int(fields[12])) / TICKS
    for line in status.splitlines():
        if line.startswith("VmHWM"):
            peak[pid] = int(line.split()[1]) / 1e3


def scaling(verb: str, made: Callable[[int], Iterator[bytes]], count: int) -> None:
    """Print the rate with one process and with two, each also for a second of processor time."""
    one, two = run(verb, made(count), 1), run(verb, made(count), 2)
    print(  # noqa: T201
        f"{verb + ' ' + str(count):<24} 1 process {count / one.seconds:.1f}/s, 2 processes "
        f"{count / two.seconds:.1f}/s: ratio {one.seconds / two.seconds:.2f} (bar 1.7 on 2 idle cores); "
        f"{count / one.processor:.1f} for a second of one core; load {os.getloadavg()[0]:.1f}"
    )


def growth(verb: str, made: Callable[[int], Iterator[bytes]], counts: list[int]) -> None:
    """Print processor time for each and peak memory as the number grows, and both against the smallest."""
    first: Watched | None = None
    for count in counts:
        seen = run(verb, made(count), 2)
        first = first or seen
        each, of_first = seen.processor / count, first.processor / counts[0]
        print(  # noqa: T201
            f"{verb + ' ' + str(count):<24} {1e3 * each:.2f} ms of processor time each "
            f"(x {each / of_first:.2f}), "
            f"parent {seen.parent:.0f} MB (x {seen.parent / first.parent:.2f}), "
            f"worker {seen.worker:.0f} MB (x {seen.worker / first.worker:.2f}), {seen.seconds:.0f} s"
        )


def main() -> None:
    """Print all of it."""
    parts()
    scaling("plan", records, SCALED)
    scaling("check", resources, SCALED * 200)
    growth("plan", records, sizes("PLANS", "100 1000"))
    growth("check", resources, sizes("RESOURCES", "1000 10000 100000"))


if __name__ == "__main__":
    main()
