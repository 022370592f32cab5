"""The check against the bars it is held to: ``python -m tests.bench bench_check``.

* Checking from bytes, everything included, against ``fhir.resources`` merely parsing the same bytes (its
  R4B models, which stand in for R4: it has none; its R5 models for R5). Only files
  with no finding and that those models take are timed, so that both do the usual work; the rest are counted.
* Holding a plan of ours against the profiles it claims, beside the rest of its check.
* The whole command on a small resource and on a plan of ours, against ``python -c "import pydantic"``.
* Memory while many NDJSON lines are checked.

Times are the best of several rounds of processor time: other work makes rounds slower, never faster.
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import subprocess
import sys
import time
import tracemalloc
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fhircare.bundle import dump, to_bundle
from fhircare.check import Against, check, check_lines
from fhircare.delivery import read_delivery
from fhircare.planner import make_plan

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROOT = Path(__file__).parent.parent.parent
EXAMPLES = ROOT / "tests" / "data" / "hl7" / "examples" / "r4"
RECORDS = ROOT / "examples" / "records"
ROUNDS = 15
LINES = 20000


def best(work: Callable[[], Any], rounds: int = ROUNDS) -> float:
    """Return the least processor time that ``work`` took, in seconds."""
    times = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def parsers(texts: list[bytes], release: str) -> list[tuple[Any, bytes]]:
    """Return the model of fhir.resources for each text that it takes and in which we find nothing."""
    models = "fhir.resources.R4B" if release == "R4" else "fhir.resources"
    get_fhir_model_class = importlib.import_module(models).get_fhir_model_class
    pairs = []
    for raw in texts:
        model = get_fhir_model_class(json.loads(raw)["resourceType"])
        try:
            model.model_validate_json(raw)
        except ValueError:
            continue
        if not check(raw, release=release).issues:
            pairs.append((model, raw))
    return pairs


def throughput(name: str, texts: list[bytes], release: str = "R4") -> None:
    """Print how many files a second both manage, and the ratio."""
    pairs = parsers(texts, release)
    if not pairs:
        print(f"{name:<28} nothing to time: of {len(texts)} files none is clean for both")  # noqa: T201
        return
    ours = best(lambda: [check(raw, release=release) for _, raw in pairs])
    theirs = best(lambda: [model.model_validate_json(raw) for model, raw in pairs])
    size = sum(len(raw) for _, raw in pairs) / 1e6
    print(  # noqa: T201
        f"{name:<28} {len(pairs)} of {len(texts)} files: check {len(pairs) / ours:7.0f}/s "
        f"({size / ours:5.1f} MB/s), fhir.resources parses {len(pairs) / theirs:7.0f}/s, "
        f"ratio {theirs / ours:.2f} (bar 1, aim 2)"
    )


class Nothing(Against):
    """Holds resources against no profile, whatever they claim."""

    def issues(self, *_: Any) -> list[Any]:
        """Find nothing."""
        return []


def profiles(bundle: bytes) -> None:
    """Print what it costs to hold a plan against what it claims, beside all the rest of its check."""
    plan = json.loads(bundle)
    whole = best(lambda: check(plan))
    rest = best(lambda: check(plan, against=Nothing()))
    print(  # noqa: T201
        f"{'profiles that a plan claims':<28} check {whole * 1e3:.1f} ms, without profiles "
        f"{rest * 1e3:.1f} ms, ratio {whole / rest:.2f}"
    )


def started(command: list[str], rounds: int = 9) -> float:
    """Return the least processor time of a process, in seconds; bytecode is kept, as when installed.

    ``os.times`` counts in hundredths of a second, too coarse for a process that takes a tenth.
    """
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    times = []
    for _ in range(rounds):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, *command], cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, check=False
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(times)


def startup(plan: bytes) -> None:
    """Print what one run of the command costs, from the start of Python to its end: a resource, a plan."""
    pydantic = started(["-c", "import pydantic"])
    file = ROOT / "build" / "bench.json"
    file.parent.mkdir(exist_ok=True)
    small = (EXAMPLES / "observation-example.json").read_bytes()
    for what, content in (("one Observation", small), ("a whole plan", plan)):
        file.write_bytes(content)
        command = started(["-m", "fhircare", "check", str(file)])
        print(  # noqa: T201
            f"{'the command, ' + what:<28} {len(content) / 1e3:.0f} kB: {command * 1e3:.0f} ms, "
            f"import pydantic {pydantic * 1e3:.0f} ms, ratio {command / pydantic:.2f} (bar 1.5)"
        )


def memory(line: bytes) -> None:
    """Print how much more memory a long run needs than a short one."""

    def lines(count: int) -> Iterator[bytes]:
        for number in range(count):
            yield line.replace(b'"id": "x"', b'"id": "x%d"' % number)

    peaks = []
    for count in (LINES // 10, LINES):
        tracemalloc.start()
        start = time.process_time()
        total = sum(len(report.issues) for report in check_lines(lines(count)))
        spent = time.process_time() - start
        peaks.append(tracemalloc.get_traced_memory()[1] / 1e6)
        tracemalloc.stop()
    print(  # noqa: T201
        f"{'memory for NDJSON':<28} {LINES // 10} lines: {peaks[0]:.1f} MB, "
        f"{LINES} lines: {peaks[1]:.1f} MB at most "
        f"({LINES / spent:.0f} lines/s while traced, {total} findings)"
    )


def bundles() -> list[bytes]:
    """Return the bundle of each example record."""
    made = []
    for path in sorted(RECORDS.glob("*.yaml")):
        record = read_delivery(path.read_text(encoding="utf-8"))
        made.append(dump(to_bundle(make_plan(record))).encode())
    return made


def main() -> None:
    """Run all benches and print one line for each."""
    texts = [path.read_bytes() for path in sorted(EXAMPLES.glob("*.json"))]
    throughput("official R4 examples", texts)
    later = [path.read_bytes() for path in sorted(EXAMPLES.with_name("r5").glob("*.json"))]
    throughput("official R5 examples", later, "R5")
    ours = bundles()
    throughput("our own bundles", ours)
    profiles(ours[0])
    startup(ours[0])
    memory((EXAMPLES / "observation-example.json").read_bytes().replace(b"\n", b" "))


if __name__ == "__main__":
    main()
