"""Every page of every example: readings of the example records, rendered once."""

from __future__ import annotations

import functools
from pathlib import Path

from fhircare.bundle import read, to_bundle
from fhircare.delivery import read_delivery
from fhircare.planner import make_plan
from fhircare.render import READERS, render

RECORDS = sorted((Path(__file__).parents[2] / "examples" / "records").glob("*.yaml"))
EXAMPLES = [path.stem for path in RECORDS]
PAGES = [(example, reader) for example in EXAMPLES for reader in READERS]


@functools.cache
def bundle(example: str) -> dict:
    """The bundle of an example record."""
    (path,) = [path for path in RECORDS if path.stem == example]
    return to_bundle(make_plan(read_delivery(path.read_text("utf-8"))))


@functools.cache
def reading(example: str):
    """What is read out of an example's bundle."""
    return read(bundle(example))


@functools.cache
def page(example: str, reader: str, form: str = "html", **asked):
    """One page, made once for all tests; ``asked`` is what ``render`` takes: language, large_print."""
    return render(reading(example), form, reader, **asked)
