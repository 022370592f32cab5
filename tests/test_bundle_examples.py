"""The bundles people can look at are the ones the example records lead to today.

A change in planning or mapping changes them: write them anew with ``make golden``, and read the difference.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from fhircare.bundle import contradictions, dump, load, read, to_bundle
from fhircare.delivery import read_delivery
from fhircare.planner import make_plan

EXAMPLES = Path(__file__).parent.parent / "examples"
RECORDS = sorted((EXAMPLES / "records").glob("*.yaml"))


def _bundle_of(record: Path) -> Path:
    return EXAMPLES / "bundles" / f"{record.stem}.json"


def test_every_record_has_its_bundle_and_no_bundle_is_left_over() -> None:
    """One bundle beside each record, and nothing else."""
    assert {path.name for path in (EXAMPLES / "bundles").glob("*.json")} == {
        _bundle_of(record).name for record in RECORDS
    }


@pytest.mark.parametrize("record", RECORDS, ids=lambda path: path.stem)
def test_a_record_leads_to_its_bundle_byte_for_byte(record: Path) -> None:
    """Same record, same bundle: record → plan → bundle gives the file that stands there."""
    plan = make_plan(read_delivery(record.read_text(encoding="utf-8")))

    assert dump(to_bundle(plan)) == _bundle_of(record).read_text(encoding="utf-8")


@pytest.mark.parametrize("record", RECORDS, ids=lambda path: path.stem)
def test_a_bundle_file_reads_as_its_plan_and_agrees_with_itself(record: Path) -> None:
    """The file alone gives the plan back; nothing is unread, nothing contradicts."""
    reading = read(load(_bundle_of(record).read_text(encoding="utf-8")))

    assert reading.plan == make_plan(read_delivery(record.read_text(encoding="utf-8")))
    assert reading.unread == ()
    assert contradictions(reading) == ()
