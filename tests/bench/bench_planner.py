"""Planning one record against parsing the same record's bundle: ``python -m tests.bench bench_planner``.

The baseline is ``fhir.resources`` reading the finished bundle (its R4B models, which stand in for R4: it has
none). Also: what drawing and explaining the plan cost, and which part of planning costs what. Times are the
best of several rounds of processor time: other work on the machine makes rounds slower, never faster.
"""

from __future__ import annotations

import cProfile
import pstats
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fhircare.bundle import dump, to_bundle
from fhircare.delivery import DeliveryRecord, read_delivery
from fhircare.planner import chart, explain, make_plan

if TYPE_CHECKING:
    from collections.abc import Callable

RECORDS = Path(__file__).parent.parent.parent / "examples" / "records"
ROUNDS = 15
PARTS = (
    "wear_schedule",
    "visits_for",
    "care_tasks",
    "advice_for",
    "warning_signs",
    "sock_guide",
    "goals_for",
)


def best(work: Callable[[], Any], rounds: int = ROUNDS) -> float:
    """Return the least processor time that ``work`` took, in seconds."""
    times = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def of_record(name: str, record: DeliveryRecord) -> None:
    """Print what planning, explaining and drawing one record cost, beside parsing its bundle."""
    from fhir.resources.R4B.bundle import Bundle

    plan = make_plan(record)
    raw = dump(to_bundle(plan)).encode()
    planned = best(lambda: make_plan(record))
    parsed = best(lambda: Bundle.model_validate_json(raw), 5)
    told = best(lambda: explain(plan))
    drawn = best(lambda: chart(plan))
    print(  # noqa: T201
        f"{name:<28} plan {planned * 1e3:5.2f} ms, fhir.resources parses its bundle {parsed * 1e3:6.1f} ms, "
        f"ratio {planned / parsed:.3f} (bar 0.1); explain {told * 1e3:.1f} ms, chart {drawn * 1e3:.1f} ms"
    )


def by_part(records: list[DeliveryRecord]) -> None:
    """Print the share of each part of planning."""
    profile = cProfile.Profile()
    profile.enable()
    for record in records * 10:
        make_plan(record)
    profile.disable()
    stats = pstats.Stats(profile).stats  # type: ignore[attr-defined]
    spent = {key[2]: value[3] for key, value in stats.items() if key[2] in (*PARTS, "make_plan")}
    shares = ", ".join(f"{part} {100 * spent[part] / spent['make_plan']:.0f} %" for part in PARTS)
    print(f"{'shares of planning':<28} {shares}")  # noqa: T201


def main() -> None:
    """Print all of it."""
    paths = sorted(RECORDS.glob("*.yaml"))
    records = [read_delivery(path.read_text(encoding="utf-8")) for path in paths]
    for path, record in zip(paths, records, strict=True):
        of_record(path.stem, record)
    by_part(records)


if __name__ == "__main__":
    main()
