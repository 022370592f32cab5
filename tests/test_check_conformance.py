"""One fault is always found, at its element, and what is right never alarms: the bars of the check.

``make conformance`` runs every mutant; here a sample of each class, the same each time.
"""

from __future__ import annotations

import pytest

from tests.conformance.suite import Tally, mutants, table, tally


@pytest.fixture(scope="module")
def counted() -> dict[str, Tally]:
    """What became of the sample."""
    return tally(mutants())


def test_there_are_many_classes_of_faults_and_many_mutants_of_each(counted: dict[str, Tally]) -> None:
    """More than fifty classes; every invariant that a small edit can break."""
    assert len(counted) > 50
    assert sum(count.made for count in counted.values()) > 2000
    assert counted["invariant"].made > 195


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
