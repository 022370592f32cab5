"""Whole clinics at once: the same pure functions over thousands of records or bundles.

::

    job = PlanJob()                                   # or CheckJob(), RenderJob(reader="physician")
    outcome = job(Item("clinic.ndjson", 12, "line", b'{"number": ...}'))
    outcome.state, outcome.faults, outcome.content    # it never raises for what is in the item

A job goes wherever work is spread: to the processes of ``Spread``, or to the executors of a cluster (the
recipe is in ``examples/``). ``Journal`` remembers what was done, so that a killed run goes on;
``fhircare bulk`` (``fhircare.cli.bulk``) opens the files.
"""

from __future__ import annotations

from fhircare.bulk.columns import Column, Columns
from fhircare.bulk.item import Item, Outcome, State, stem
from fhircare.bulk.jobs import CheckJob, Job, PlanJob, RenderJob
from fhircare.bulk.journal import Journal, Row, row_of
from fhircare.bulk.pool import Crashed, Spread, at_most, usual_workers
from fhircare.bulk.reading import MAX_LINE, line_item, lines_of, rows_of
from fhircare.bulk.report import Tally, findings, report_line

__all__ = [
    "MAX_LINE",
    "CheckJob",
    "Column",
    "Columns",
    "Crashed",
    "Item",
    "Job",
    "Journal",
    "Outcome",
    "PlanJob",
    "RenderJob",
    "Row",
    "Spread",
    "State",
    "Tally",
    "at_most",
    "findings",
    "line_item",
    "lines_of",
    "report_line",
    "row_of",
    "rows_of",
    "stem",
    "usual_workers",
]
