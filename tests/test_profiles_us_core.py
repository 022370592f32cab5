"""US Core as published: examples, snapshots, and HL7's validator on one fault at a time.

The packages are HL7's (``data/hl7/us-core``); their snapshots are an oracle for their differentials.
"""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING, Any

import pytest

from fhircare.check import Against, check
from fhircare.check.profiles.library import Library
from fhircare.spec.packages import Package, load_package
from tests.conformance.oracles import REFERENCE
from tests.conformance.profiles import (
    EXPLAINED,
    VERSIONS,
    against,
    examples,
    mutants,
    package,
    table,
    unexplained,
    verdicts,
)
from tests.conformance.suite import OWN

if TYPE_CHECKING:
    from fhircare.check.report import Report

# What of a published profile cannot be asked: none of US Core, and these of R4's own.
GAPS = {
    "catalog": "the slices of date (no discriminator)",
    "familymemberhistory-genetic": "the slices of relationship (no discriminator)",
}


def told(report: Report) -> set[tuple[str, str, str]]:
    """Return what a report says of profiles and of rules, those of the base type left out."""
    return {(i.severity, i.rule, i.expression) for i in report.issues if i.link and "/R4/" not in i.link}


@pytest.mark.parametrize("version", VERSIONS)
def test_its_own_examples_keep_it(version: str) -> None:
    """No error in any of US Core's examples, and none of its profiles is checked in part only."""
    for name, example in examples(version).items():
        issues = check(example, against=against(version)).issues
        assert [i for i in issues if i.severity == "error"] == [], name
        assert not any(i.rule in {"profile.partly", "profile.unknown"} for i in issues), name


def without_snapshots(version: str) -> Against:
    """Return a version whose profiles have their differentials alone."""
    found = load_package(package(version))
    bare = [{key: copy.copy(value) for key, value in one.items() if key != "snapshot"} for one in found]
    return Against((), [Package({"name": found.name, "version": found.version}, bare)])


@pytest.mark.parametrize("version", VERSIONS)
def test_a_differential_asks_what_the_published_snapshot_asks(version: str) -> None:
    """On the examples and on every fault in them, both find the same.

    A QuestionnaireResponse is left out: its profile is based on one of another guide.
    """
    bare = without_snapshots(version)
    compared = 0
    for name, example in examples(version).items():
        if example["resourceType"] == "QuestionnaireResponse":
            continue
        for fault, mutant in [("as it is", example), *list(mutants(example))[::7]]:
            ours, theirs = told(check(mutant, against=bare)), told(check(mutant, against=against(version)))
            assert ours == theirs, (name, fault, ours ^ theirs)
            compared += 1

    assert compared > 200


@pytest.mark.java
def test_every_disagreement_with_the_reference_validator_is_explained() -> None:
    """HL7's own validator, given the same package, on a few faults in each example.

    ``python -m tests.conformance.profiles`` asks it about all faults, in each version.
    """
    if REFERENCE.absent():
        pytest.skip(REFERENCE.absent())
    asked = verdicts("8.0.0", 1)

    assert unexplained(asked) == [], table(asked)
    assert sum(bool(one.theirs) for one in asked) > 20, "the oracle found next to nothing"
    assert all(len(row["why"]) > 20 for row in EXPLAINED)


@pytest.mark.java
def test_the_reference_validator_proves_our_claims_too() -> None:
    """Our example bundles under US Core 8.0.0, by HL7's validator: no error.

    But for a language with a region, which the *preferred* set of languages does not list and the maximum
    one, all of BCP 47, allows (resource-definitions.html#Resource.language).
    """
    if REFERENCE.absent():
        pytest.skip(REFERENCE.absent())
    told = REFERENCE.judge(sorted(OWN.glob("*.json")), packages=[package("8.0.0")])

    assert len(told) == 4
    errors = [one for found in told.values() for one in found if one.severity in {"error", "fatal"}]
    assert [one.message for one in errors if "ValueSet/languages" not in one.message] == []


def test_every_profile_that_comes_with_us_is_asked_whole(compiler: Any) -> None:
    """What cannot be asked is named, and is known to this test."""
    library = Library(compiler)
    gaps: dict[str, str] = {}
    for source in library.sources:
        for url in source.urls():  # type: ignore[attr-defined]
            profile = library.profile(url)
            assert profile is not None, url
            if profile.gaps:
                gaps[url.rsplit("/", 1)[-1]] = profile.gaps[0]

    assert gaps == GAPS


@pytest.fixture(scope="module")
def compiler() -> Any:
    """The compiled checkers of R4."""
    from fhircare.check import _compiler

    return _compiler("R4")
