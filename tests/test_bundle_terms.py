"""Nothing is coded that the list of terms does not hold, and the list says what HL7's own definitions say."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from fhircare.bundle import to_bundle
from fhircare.spec import definitions, terms
from tests.plans import whole_plan

if TYPE_CHECKING:
    from collections.abc import Iterator

OURS = "https://fhircare.github.io/fhir/CodeSystem/"
BUNDLE = to_bundle(whole_plan())


def _codings(node: Any) -> Iterator[dict[str, Any]]:
    if isinstance(node, dict):
        if "system" in node and "code" in node:
            yield node
        for value in node.values():
            yield from _codings(value)
    if isinstance(node, list):
        for value in node:
            yield from _codings(value)


def test_every_coding_in_a_bundle_is_listed() -> None:
    """System, code and display of each coding are those of the list; an open system takes any code."""
    by_uri = {system["uri"]: system for system in terms.systems().values()}
    for coding in _codings(BUNDLE):
        system = by_uri[coding["system"]]
        listed = system.get("codes", {}).get(coding["code"])
        assert listed is not None or system.get("open"), coding
        if listed and "unit" not in coding and coding["system"] != terms.uri("icd10cm"):
            assert coding.get("display", "") == listed, coding


def test_the_listed_codes_of_fhirs_own_systems_exist_in_r4() -> None:
    """Each code of a system that HL7's R4 package holds complete is a code of it."""
    r4 = definitions("R4")
    compared = 0
    for name, system in terms.systems().items():
        held = r4.code_system(system["uri"])
        if held is not None:
            assert set(system.get("codes", {})) <= held, name
            compared += 1
    assert compared > 10


@pytest.mark.parametrize("name", sorted(terms.systems()))
def test_every_system_is_told_apart_and_says_its_terms_of_use(name: str) -> None:
    """One URI each; a system of others names source and licence unless it is HL7's own (CC0)."""
    system = terms.systems()[name]
    uris = [one["uri"] for one in terms.systems().values()]
    ours_or_hl7 = system["uri"].startswith((OURS, "http://terminology.hl7.org/", "http://hl7.org/fhir/"))

    assert uris.count(system["uri"]) == 1
    assert ours_or_hl7 or ("licence" in system and "source" in system)
    if system["uri"].startswith(OURS):
        assert system["uri"] == OURS + name
        assert system["title"]


def test_a_closed_system_refuses_other_codes() -> None:
    """No code is made up on the way."""
    with pytest.raises(KeyError):
        terms.coding("sct", "109228008")
    assert terms.coding("care-task", "anything") == {"system": OURS + "care-task", "code": "anything"}


def test_our_extensions_are_few() -> None:
    """Two of our own, in all of a whole plan: everything else is FHIR's or HL7's."""
    extensions = [node for node in _all(BUNDLE) if "url" in node and "resourceType" not in node]
    urls = {one["url"] for one in extensions if isinstance(one["url"], str)}
    ours = {url.rpartition("/")[2] for url in urls if "fhircare" in url}

    assert ours == {"order-parameter", "warranty-until"}


def _all(node: Any) -> Iterator[dict[str, Any]]:
    if isinstance(node, dict):
        yield node
        for value in node.values():
            yield from _all(value)
    if isinstance(node, list):
        for value in node:
            yield from _all(value)
