"""US Core's must-support elements: filled where a record can hold them, or named here with why not.

The elements are those of the published packages (6.1.0, 7.0.0, 8.0.0), slices included. A plan that has
everything, the examples, and their bundles together fill every element but those of ``UNFILLED``.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from fhircare.bundle import to_bundle, us_core
from fhircare.bundle.document import handout_entry
from fhircare.plan import Identifier
from fhircare.plan.people import Address
from fhircare.spec.packages import load_package
from tests.conformance.profiles import VERSIONS, package
from tests.plans import whole_plan
from tests.test_bundle_us_core import holds
from tests.test_profiles_claims import PLANS

Json = dict[str, Any]

_ADDRESS = Address(
    lines=("1 Invented Street",), city="Anytown", state="MA", postal_code="01234", country="US"
)
WHOLE = whole_plan()
_NPI = Identifier(system="http://hl7.org/fhir/sid/us-npi", value="9941339100")  # invented
_CLIA = Identifier(system="urn:oid:2.16.840.1.113883.4.7", value="65D3216549")  # invented
_NAIC = Identifier(system="urn:oid:2.16.840.1.113883.6.300", value="12345")  # invented
FULL = replace(
    WHOLE,
    patient=WHOLE.patient and replace(WHOLE.patient, address=_ADDRESS),
    clinic=WHOLE.clinic and replace(WHOLE.clinic, identifiers=(_NPI, _CLIA, _NAIC)),
    professionals=tuple(replace(one, identifiers=(_NPI,)) for one in WHOLE.professionals),
)
"""A plan of a record that has everything."""

_NO_REASON = "an observation of ours has a value; one without is not written"
_WHO = "the record does not say who measured, and whoever signs it need not have"
# "The Server system is not required to support it if they support the US Core PractitionerRole Profile"
# (us-core-practitioner, Profile Specific Implementation Guidance, 8.0.0): we do.
_HOME = "the record holds no address of a professional; where they work is their Organization's"
_SENT = "a plan is written by its author; nobody has transmitted it yet"
UNFILLED = {
    ("body-weight", "Observation.component"): "weight has no components: inherited from all vital signs",
    ("body-weight", "Observation.component.code"): "likewise",
    ("body-weight", "Observation.component.dataAbsentReason"): "likewise",
    ("body-weight", "Observation.component.value[x]"): "likewise",
    ("body-weight", "Observation.dataAbsentReason"): _NO_REASON,
    ("body-weight", "Observation.performer"): _WHO,
    ("simple-observation", "Observation.performer"): _WHO,
    ("condition-problems-health-concerns", "Condition.abatement[x]"): "what is over is no plan's condition",
    ("condition-problems-health-concerns", "Condition.meta.lastUpdated"): "a server writes it",
    ("condition-problems-health-concerns", "Condition.extension:assertedDate"): "the record does not say "
    "when somebody first asserted it; since when there is one is the onset",
    ("provenance", "Provenance.agent:ProvenanceTransmitter"): _SENT,
    ("provenance", "Provenance.agent:ProvenanceTransmitter.type"): _SENT,
    ("provenance", "Provenance.agent:ProvenanceTransmitter.who"): _SENT,
    ("provenance", "Provenance.agent:ProvenanceTransmitter.onBehalfOf"): _SENT,
    ("documentreference", "DocumentReference.content.attachment.url"): "the handout itself is in data",
    ("documentreference", "DocumentReference.content.format"): "contentType says all there is to say",
    ("documentreference", "DocumentReference.context.encounter"): "a delivery record knows no encounters",
    ("patient", "Patient.telecom.use"): "the record does not say whether a number is at home or carried",
    ("practitioner", "Practitioner.address"): _HOME,
    ("practitioner", "Practitioner.address.line"): _HOME,
    ("practitioner", "Practitioner.address.city"): _HOME,
    ("practitioner", "Practitioner.address.state"): _HOME,
    ("practitioner", "Practitioner.address.postalCode"): _HOME,
    ("practitioner", "Practitioner.address.country"): _HOME,
    ("practitioner", "Practitioner.telecom"): "phone and e-mail are those at work: PractitionerRole.telecom",
    ("practitioner", "Practitioner.telecom.system"): "likewise",
    ("practitioner", "Practitioner.telecom.value"): "likewise",
    ("practitionerrole", "PractitionerRole.specialty"): "the record holds the profession, which is in code",
    ("practitionerrole", "PractitionerRole.location"): "the record holds one clinic; it is the Organization",
    ("practitionerrole", "PractitionerRole.endpoint"): "the record holds no endpoint",
    ("relatedperson", "RelatedPerson.address"): "the record holds no address of who helps at home",
    ("servicerequest", "ServiceRequest.encounter"): "a delivery record knows no encounters",
}  # fmt: skip
"""Each must-support element that no bundle of ours fills, and why."""


@cache
def profiles(version: str) -> dict[str, list[Json]]:
    """Return the snapshots of US Core's profiles by the last part of their name."""
    return {
        one["url"].removeprefix(us_core.BASE): one["snapshot"]["element"]
        for one in load_package(package(version))
        if one["resourceType"] == "StructureDefinition" and one["url"].startswith(us_core.BASE)
    }


@cache
def claimed(version: str) -> dict[str, list[Json]]:
    """Return the resources of all our plans by the profile they claim."""
    found = defaultdict(list)
    at = dt.datetime(2026, 11, 26, 9, tzinfo=dt.UTC)
    for plan in (FULL, *PLANS.values()):
        bundle = to_bundle(plan, validate=False, us_core=version)
        filed = handout_entry(bundle, b"%PDF-", "application/pdf", title="Handout", language="en", at=at)
        for entry in (*bundle["entry"], filed):
            for url in entry["resource"].get("meta", {}).get("profile", ()):
                if url.startswith(us_core.BASE):
                    found[url.removeprefix(us_core.BASE).partition("|")[0]].append(entry["resource"])
    return dict(found)


def filled(resource: Json, element_id: str, elements: list[Json]) -> bool:
    """Tell whether an element, or one slice of it, is there with a value or a reason for none."""
    here: list[Any] = [resource]
    taken, *steps = element_id.split(".")
    for step in steps:
        taken += f".{step}"
        name, _, piece = step.partition(":")
        found = [value for node in here for value in _members(node, name, piece)]
        here = [one for one in found if not piece or name.endswith("[x]") or _in_slice(one, taken, elements)]
    return bool(here)


def _members(node: Any, name: str, piece: str) -> list[Any]:
    if not isinstance(node, dict):
        return []
    keys = [name, f"_{name}"]
    if name.endswith("[x]"):
        stem = name[:-3]
        keys = [piece] if piece else [k for k in node if k.startswith(stem) and k[len(stem) :][:1].isupper()]
    values = [node[key] for key in keys if key in node]
    return [one for value in values for one in (value if isinstance(value, list) else [value])]


def _in_slice(node: Any, slice_id: str, elements: list[Json]) -> bool:
    """Tell whether a node holds the url, fixed values and patterns that tell a slice."""
    for element in elements:
        below = element["id"].removeprefix(slice_id)
        if below == element["id"] or (below and below[0] != "."):
            continue
        wanted = [value for key, value in element.items() if key.startswith(("fixed", "pattern"))]
        urls = [url for kind in element.get("type", ()) for url in kind.get("profile", ())]
        if not below and urls and "xtension" in slice_id:
            return any(node.get("url") == url.partition("|")[0] for url in urls)
        nodes = [node]
        for step in below.split(".")[1:]:
            nodes = [value for one in nodes for value in _members(one, step.partition(":")[0], "")]
        if wanted and not any(holds(one, wanted[0]) for one in nodes):
            return False
    return True


def supported(version: str) -> set[tuple[str, str]]:
    """Return profile and id of every must-support element of the profiles that we claim."""
    return {
        (profile, element["id"])
        for profile in claimed(version)
        for element in profiles(version)[profile]
        if element.get("mustSupport")
    }


@pytest.mark.parametrize("version", VERSIONS)
def test_must_support_elements_are_filled_or_named(version: str) -> None:
    """What no bundle fills is in the table, and what is in the table no bundle fills."""
    asked = supported(version)
    unfilled = {
        (profile, name)
        for profile, name in asked
        if not any(filled(one, name, profiles(version)[profile]) for one in claimed(version)[profile])
    }

    assert len(asked) > 90
    assert unfilled == UNFILLED.keys() & asked


def test_the_table_has_nothing_that_no_version_asks() -> None:
    """And each row has its reason."""
    assert UNFILLED.keys() <= set().union(*map(supported, VERSIONS))
    assert all(UNFILLED.values())


def test_an_element_taken_away_is_missed() -> None:
    """So that a filled element means something: each one filled is found unfilled once it is gone."""
    elements = profiles("8.0.0")["patient"]
    patient = claimed("8.0.0")["patient"][0]
    names = [e["id"] for e in elements if e.get("mustSupport") and ("patient", e["id"]) not in UNFILLED]

    assert len(names) > 10
    for name in names:
        assert filled(patient, name, elements), name
        top = name.split(".")[1].partition(":")[0]
        without = {key: value for key, value in patient.items() if key.removeprefix("_") != top}
        assert not filled(without, name, elements), name
