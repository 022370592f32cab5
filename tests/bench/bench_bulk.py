"""Whole clinics: ``python -m tests.bench bench_bulk``, or one part of it: ``... bench_bulk growth``.

* ``parts``: what the parts of one plan cost, against the models of ``fhir.resources`` taking its bundle (the
  baseline: the check stands in their place in a bulk run).
* ``scaling``: plans and resources a second and a core; two processes against one; the share of all processor
  time that the parent takes, which bounds what more processes can give.
* ``growth``: processor time for each and peak memory of the parent and of the largest worker, at sizes that
  grow tenfold. Both should stay as they are. ``PLANS="1000 10000 100000"`` and ``RESOURCES="..."`` choose
  other sizes ("" for none). Rate and time left go to stderr, each size's line to stdout when it is there.

A packed bundle takes some 50 kB while it runs: 100,000 plans want 6 GB in the temporary folder, which
``TMPDIR`` chooses.

The command itself is run (Linux). Its processor time is what the system accounts to it and to all processes
below it when they end, not a sample. Rates are of this machine as busy as it is, so its load is printed;
processor time for each does not depend on it much.
"""

from __future__ import annotations

import ctypes
import os
import shutil
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
    import resource
    from collections.abc import Callable, Iterator

ROOT = Path(__file__).parent.parent.parent
SCALED = 100
PAUSE = 0.2
EACH = 60_000
"""Bytes on disk for each plan: its record and its packed bundle."""
_PR_SET_CHILD_SUBREAPER = 36
"""prctl(2): orphans below this process become its children, so that it is told what they have spent."""


class Watched(NamedTuple):
    """How a run went.

    Attributes:
        seconds: By the clock.
        processor: Processor seconds of all its processes.
        share: The parent's share of them.
        parent: Peak memory of the parent, in MB.
        worker: Peak memory of the largest other process, in MB.
    """

    seconds: float
    processor: float
    share: float
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
    """Run the command over lines, and watch it; what it says of its progress goes to our stderr."""
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "source.ndjson"
        with source.open("wb") as stream:
            stream.writelines(lines)
        command = [sys.executable, "-m", "fhircare", "bulk", verb, str(source), "-o", f"{folder}/out"]
        command += ["--workers", str(workers), *(["--packed"] if verb == "plan" else [])]
        environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        ctypes.CDLL(None).prctl(_PR_SET_CHILD_SUBREAPER, 1)
        began = time.monotonic()
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL)
        ends: dict[int, resource.struct_rusage] = {}
        peak = 0.0
        while process.pid not in ends:
            peak = memory(process.pid) or peak
            time.sleep(PAUSE)
            ends |= ended(os.WNOHANG)
        seconds = time.monotonic() - began
        ends |= ended(0)  # the server of forks, and with it the workers
        spent = {pid: used.ru_utime + used.ru_stime for pid, used in ends.items()}
        whole = sum(spent.values())
        # Not for the parent, too: what it was before it became the command, this process, would count.
        worker = max(used.ru_maxrss / 1e3 for pid, used in ends.items() if pid != process.pid)
        return Watched(seconds, whole, spent[process.pid] / whole, peak, worker)


def ended(options: int) -> dict[int, resource.struct_rusage]:
    """Return what our children that have ended used, each with those below it that ended before it.

    Args:
        options: 0 to wait for all of them, ``os.WNOHANG`` to take those that have ended.
    """
    ends: dict[int, resource.struct_rusage] = {}
    while True:
        try:
            pid, status, used = os.wait4(-1, options)
        except ChildProcessError:
            return ends
        if not pid:
            return ends
        if os.waitstatus_to_exitcode(status) > 0:
            raise SystemExit(f"a process of the run ended with {os.waitstatus_to_exitcode(status)}")
        ends[pid] = used


def memory(pid: int) -> float:
    """Return the most memory that a process held so far, in MB; 0 when it has ended."""
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1e3 for line in status.splitlines() if line.startswith("VmHWM")), 0.0)


def scaling(verb: str, made: Callable[[int], Iterator[bytes]], count: int) -> None:
    """Print the rate with one process and with two, each also for a second of processor time."""
    one, two = run(verb, made(count), 1), run(verb, made(count), 2)
    print(  # noqa: T201
        f"{verb + ' ' + str(count):<24} 1 process {count / one.seconds:.1f}/s, 2 processes "
        f"{count / two.seconds:.1f}/s: ratio {one.seconds / two.seconds:.2f} (bar 1.7 on 2 idle cores); "
        f"{count / one.processor:.1f} for a second of one core; of two processes' time the parent takes "
        f"{100 * two.share:.0f} %; load {os.getloadavg()[0]:.1f}",
        flush=True,
    )


def growth(verb: str, made: Callable[[int], Iterator[bytes]], counts: list[int]) -> None:
    """Print processor time for each and peak memory as the number grows, and both against the smallest."""
    first: Watched | None = None
    room = shutil.disk_usage(tempfile.gettempdir()).free
    if verb == "plan" and counts and max(counts) * EACH > room:
        raise SystemExit(f"{tempfile.gettempdir()} has no room for {max(counts)} plans: set TMPDIR")
    for count in counts:
        say(f"{verb} {count}:")
        seen = run(verb, made(count), 2)
        first = first or seen
        each, of_first = seen.processor / count, first.processor / counts[0]
        print(  # noqa: T201
            f"{verb + ' ' + str(count):<24} {1e3 * each:.2f} ms of processor time each "
            f"(x {each / of_first:.2f}), "
            f"parent {seen.parent:.0f} MB (x {seen.parent / first.parent:.2f}), "
            f"worker {seen.worker:.0f} MB (x {seen.worker / first.worker:.2f}), "
            f"the parent's share {100 * seen.share:.0f} %, {seen.seconds:.0f} s",
            flush=True,
        )


def say(text: str) -> None:
    """Say something beside the results."""
    print(text, file=sys.stderr, flush=True)  # noqa: T201


def all_scaling() -> None:
    """Print what a second process gives, for both verbs."""
    scaling("plan", records, SCALED)
    scaling("check", resources, SCALED * 200)


def all_growth() -> None:
    """Print how time and memory grow, for both verbs."""
    growth("plan", records, sizes("PLANS", "100 1000"))
    growth("check", resources, sizes("RESOURCES", "1000 10000 100000"))


PARTS = {"parts": parts, "scaling": all_scaling, "growth": all_growth}


def main(*wanted: str) -> None:
    """Print all of it, or the parts wanted."""
    for name in wanted or PARTS:
        PARTS[name]()


if __name__ == "__main__":
    main(*sys.argv[1:])
