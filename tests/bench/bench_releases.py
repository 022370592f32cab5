"""How long saying a bundle in R5, and hearing it back, takes beside reading its JSON and building its model.

Baseline: fhir.resources builds the model of the same bundle, in the same run.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fhircare.bundle import load
from fhircare.releases import convert, hear, heard, say, to_models

if TYPE_CHECKING:
    from collections.abc import Callable

EXAMPLES = Path(__file__).parent.parent.parent / "examples" / "bundles"
ROUNDS = 5


def best(work: Callable[[], Any]) -> float:
    """The best of some rounds, in seconds; the first, which fills caches, left out."""
    work()
    found = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found)


def main() -> None:
    """Print a line for each."""
    path = max(EXAMPLES.glob("*.json"), key=lambda one: one.stat().st_size)
    text = path.read_text(encoding="utf-8")
    r4 = load(text)
    r5 = say(r4, "R5")
    model = best(lambda: to_models(r4))
    print(f"{path.stem}: {len(text) / 1000:.0f} kB, its model built in {model * 1000:.0f} ms")  # noqa: T201
    for name, work in (
        ("json.loads", lambda: json.loads(text)),
        ("say R5", lambda: say(r4, "R5")),
        ("hear R5", lambda: hear(r5, "R5")),
        ("convert, with proof", lambda: convert(r4, "R5")),
        ("a place in R5", lambda: heard(r5, "R5").place("Bundle.entry[0].resource.telecom[0].value")),
    ):
        took = best(work)
        print(f"{name:<22} {took * 1000:6.0f} ms, {took / model:5.2f} of building the model")  # noqa: T201


if __name__ == "__main__":
    main()
