"""Beside other validators: every disagreement is explained by a line of the standard (disagreements.toml).

Here on few mutants of each class; ``make conformance`` compares on many and prints the table.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.conformance.agreement import EXPLAINED, cases, table, unexplained, verdicts
from tests.conformance.oracles import REFERENCE, THIRD, Oracle

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    "oracle",
    [pytest.param(REFERENCE, marks=pytest.mark.java), pytest.param(THIRD, marks=pytest.mark.node)],
    ids=lambda oracle: oracle.name,
)
def test_every_disagreement_is_explained(oracle: Oracle, tmp_path: Path) -> None:
    """HL7's reference validator and an independent third, on HL7's examples, mutants and near misses."""
    if oracle.absent():
        pytest.skip(oracle.absent())
    asked = verdicts(cases(tmp_path, 1), [oracle])
    left, _ = unexplained(asked)
    assert left == [], table(asked)
    told = sum(bool(v.theirs[oracle.name]) for v in asked if not v.case.fault.startswith("valid"))
    assert told > 20, "the oracle found next to nothing: it was not running as it should"


def test_every_explanation_names_a_line_of_the_standard_or_says_that_there_is_none() -> None:
    """A page of the specification, a rule's key, or why the oracle's rule is none of the standard's."""
    for row in [*EXPLAINED["misses"], *EXPLAINED["alarms"]]:
        assert row["oracle"] in {"reference", "third"}
        assert len(row["why"]) > 20
