"""Bundles by type (https://hl7.org/fhir/R4/bundle.html): the conformance table's faults and near misses."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.check import check
from fhircare.check.bundles import RULES as BUNDLE_RULES
from fhircare.check.closure import RULES as CLOSURE_RULES
from fhircare.check.pointers import RULES as POINTER_RULES
from fhircare.check.references import RULES as REFERENCE_RULES
from fhircare.check.requests import RULES as REQUEST_RULES
from tests.conformance.faults_references import BUNDLES, FAULTS, NEAR_MISSES, Change
from tests.conformance.mutants import edited, steps_of

if TYPE_CHECKING:
    import random

VALID = dict(BUNDLES)
ALL_RULES = BUNDLE_RULES | CLOSURE_RULES | POINTER_RULES | REFERENCE_RULES | REQUEST_RULES


def errors(resource: dict[str, Any]) -> list[tuple[str, str]]:
    return [(i.rule, i.expression) for i in check(resource).issues if i.severity in {"error", "fatal"}]


@pytest.mark.parametrize("kind", VALID)
def test_a_right_bundle_of_each_type_has_no_error_and_no_warning(kind: str) -> None:
    """One invented Bundle of each type, built by the pages on bundles, documents, messages and HTTP."""
    loud = [
        (i.rule, i.expression)
        for i in check(VALID[kind]).issues
        if i.severity != "information" and not i.rule.startswith("dom-6")
    ]
    assert loud == []


@pytest.mark.parametrize("fault", FAULTS, ids=lambda row: f"{row.bundle}: {row.what}")
def test_one_fault_in_a_bundle_is_found_where_it_is(fault: Change) -> None:
    """Each row of the table is one fault in a Bundle that is right otherwise."""
    found = errors(edited(VALID[fault.bundle], *fault.edits))
    assert fault.at in {expression for _, expression in found}, found


@pytest.mark.parametrize("odd", NEAR_MISSES, ids=lambda row: f"{row.bundle}: {row.what}")
def test_what_looks_odd_in_a_bundle_and_is_right_is_let_through(odd: Change) -> None:
    """Each row of the table is a Bundle that is right, and near to a wrong one."""
    assert errors(edited(VALID[odd.bundle], *odd.edits)) == []


def changed(kind: str, place: str, value: Any) -> dict[str, Any]:
    """A right Bundle with one value put in place."""
    return edited(VALID[kind], (("Bundle", *steps_of(place)), value))


def test_colliding_entries_are_named() -> None:
    """bdl-7 is told at the Bundle, where the rule is declared, and names the entries."""
    made = changed("collection", "entry[4]", VALID["collection"]["entry"][0])
    (issue,) = [i for i in check(made).issues if i.rule == "bdl-7"]
    assert issue.expression == "Bundle"
    assert "0 and 4" in issue.message


def test_a_document_may_hold_what_leads_to_it_only_as_provenance() -> None:
    """R4 documents.html: backward links are for Provenance."""
    observation = copy.deepcopy(VALID["document"]["entry"][2])
    observation |= {"fullUrl": "urn:uuid:c757873d-ec9a-4326-a141-556000000009"}
    observation["resource"]["id"] = "o9"
    made = changed("document", "entry[5]", observation)
    rules = {(i.severity, i.rule, i.expression) for i in check(made).issues}
    assert ("warning", "document.backward", "Bundle.entry[5]") in rules
    assert errors(made) == []


def test_a_bundle_inside_a_resource_of_parameters_is_checked_too() -> None:
    """Parameters may carry a transaction; its rules hold there."""
    inner = changed("transaction", "entry[0].request.url", "Group")
    made = {"resourceType": "Parameters", "parameter": [{"name": "x", "resource": inner}]}
    place = "Parameters.parameter[0].resource.entry[0].request.url"
    assert ("request.type", place) in errors(made)


@given(st.sampled_from(sorted(VALID)), st.randoms(use_true_random=False))
def test_no_shape_upsets_the_check(kind: str, rng: random.Random) -> None:
    """Whatever JSON stands anywhere in a Bundle, the check gives a report."""
    made = copy.deepcopy(VALID[kind])
    holders: list[Any] = [made]
    for holder in holders:
        holders.extend(
            v for v in (holder.values() if isinstance(holder, dict) else holder) if isinstance(v, dict | list)
        )
    holder = rng.choice(holders)
    if holder:
        key = rng.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
        holder[key] = rng.choice([None, 5, "", "x", [], {}, [[]], [{}], {"a": {}}, True, [None]])
    check(made)


@pytest.mark.parametrize("key", ALL_RULES)
def test_every_rule_tells_what_is_wrong_how_to_mend_it_and_where_it_stands(key: str) -> None:
    rule = ALL_RULES[key]
    assert rule.message.endswith(("}", "."))
    assert rule.mend.endswith(("}", "."))
    assert rule.page.partition("#")[0].endswith(".html")
