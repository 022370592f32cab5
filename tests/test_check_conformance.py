"""One fault is always found, at its element, and what is right never alarms: the bars of the check.

``make conformance`` runs every mutant; here a sample of each class, the same each time.
"""

from __future__ import annotations

import pytest

from tests.conformance.suite import SAMPLE, Tally, mutants, table, tally

# R5 is checked by the same code, from its own definitions: a smaller sample will do.
SAMPLES = {"R4": SAMPLE, "R5": 12}
# How many mutants there are at least, and of how many invariants.
LEAST = {"R4": (2000, 196), "R5": (800, 110)}


@pytest.fixture(scope="module", params=SAMPLES)
def counted(request: pytest.FixtureRequest) -> dict[str, Tally]:
    """What became of the sample of a release."""
    return tally(mutants(sample=SAMPLES[request.param], release=request.param))


def test_there_are_many_classes_of_faults_and_many_mutants_of_each(
    counted: dict[str, Tally], request: pytest.FixtureRequest
) -> None:
    """More than fifty classes; every invariant that a small edit can break."""
    assert len(counted) > 50
    mutants_made, of_invariants = LEAST[request.node.callspec.params["counted"]]
    assert sum(count.made for count in counted.values()) > mutants_made
    assert counted["invariant"].made >= of_invariants


def test_faults_are_found(counted: dict[str, Tally]) -> None:
    """At least 99 % in every class."""
    missed = [(m.fault, m.name, [i.message for i in told]) for c in counted.values() for m, told in c.missed]
    assert all(count.found / count.made >= 0.99 for count in counted.values()), missed


def test_findings_name_the_exact_element(counted: dict[str, Tally]) -> None:
    """At least 97 % in every class that has an element to name."""
    wrong = [
        (m.fault, m.name, m.places, [i.expression for i in told])
        for c in counted.values()
        for m, told in c.misplaced
    ]
    assert all(c.exact / c.placed >= 0.97 for c in counted.values() if c.placed), wrong


def test_near_misses_never_alarm(counted: dict[str, Tally]) -> None:
    """No error in a valid file that looks like a wrong one."""
    alarmed = [
        (m.fault, m.name, [(i.rule, i.expression) for i in told])
        for c in counted.values()
        for m, told in c.alarmed
    ]
    assert alarmed == [], table(counted)
