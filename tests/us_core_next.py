"""US Core 9.0.0 as we know it: its changes since 8.0.0, each with its source, laid over the package of 8.0.0.

The guide's own sources say so (HL7/US-Core, ``input/resources``, commit 85bf4af6e of 2026-04-23, version
9.0.0, CC0-1.0); FHIR-... are the issues that its change notes name (``input/pagecontent/changes.md``).
Nothing of the sources is kept here. Where they have been fetched, ``test_profiles_next`` holds this table
against them.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from fhircare.check import Against
from fhircare.spec.packages import Package, load_package
from tests.conformance.profiles import against, package

if TYPE_CHECKING:
    from collections.abc import Iterator

Json = dict[str, Any]

NEXT = "9.0.0"
BEFORE = "8.0.0"
CORE = "http://hl7.org/fhir/StructureDefinition/"
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-"
SETS = "http://hl7.org/fhir/us/core/ValueSet/us-core-"
VSAC = "http://cts.nlm.nih.gov/fhir/ValueSet/"
ADDITIONAL = "http://hl7.org/fhir/tools/StructureDefinition/additional-binding"
CATEGORIES = "http://hl7.org/fhir/us/core/CodeSystem/careplan-category"
PARTICIPANTS = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"


@dataclass(frozen=True, slots=True)
class Change:
    """What a profile says anew of an element; None of what it says no more.

    Attributes:
        profile: The last part of its name: ``careplan``.
        element: The element's id.
        told: What is said anew; empty for an element that is gone.
        source: Where that is from.
    """

    profile: str
    element: str
    told: Json
    source: str


def _bound(strength: str, value_set: str, *extensions: Json) -> Json:
    told: Json = {"strength": strength, "valueSet": value_set}
    return {"binding": told | ({"extension": list(extensions)} if extensions else {})}


def _at_least(value_set: str) -> Json:
    """Return an additional binding: the codes that a system must support."""
    parts = [{"url": "purpose", "valueCode": "minimum"}, {"url": "valueSet", "valueCanonical": value_set}]
    return {"url": ADDITIONAL, "extension": parts}


def _aims(*names: str) -> Json:
    """Return the type of a reference; a capital begins a type of R4, other names are US Core's profiles."""
    urls = [CORE + name if name[0].isupper() else US_CORE + name for name in names]
    return {"type": [{"code": "Reference", "targetProfile": urls}]}


_WHO = ("practitioner", "organization", "patient")
_V6 = "FHIR-52965, the data elements of USCDI v6"
_BINDINGS = "FHIR-55688, additional bindings replaced by what was meant"
_PLAN = "StructureDefinition-us-core-careplan.json; commits 28828aa3a, 37a897e1a"
CHANGES = (
    Change("careplan", "CarePlan.category", {
        "min": 0, "slicing": None, **_bound("preferred", "http://hl7.org/fhir/ValueSet/care-plan-category"),
    }, _PLAN),
    Change("careplan", "CarePlan.category:AssessPlan", {}, _PLAN),
    Change("careplan", "CarePlan.contributor", _aims(
        *_WHO, "PractitionerRole", "careteam", "relatedperson", "device"), _V6),
    Change("careplan", "CarePlan.addresses", _aims("condition-problems-health-concerns"), _V6),
    Change("patient", "Patient.extension:sex", {
        "type": [{"code": "Extension", "profile": [US_CORE + "individual-sex"]}],
    }, "StructureDefinition-us-core-patient.json; FHIR-52994"),
    Change("practitioner", "Practitioner.identifier:NCSBNID", {
        "sliceName": "NCSBNID",
        "patternIdentifier": {"system": "http://terminology.hl7.org/NamingSystem/NCSBNID"},
        "constraint": [{"key": "us-core-27", "severity": "error", "human": "NCSBN ID SHALL be 8 digits",
                        "expression": "value.matches('^[0-8]{8}$')"}],
    }, "FHIR-53040"),
    Change("practitionerrole", "PractitionerRole.specialty",
           _bound("extensible", SETS + "practitionerrole-specialty"), "FHIR-52843, FHIR-55688"),
    Change("relatedperson", "RelatedPerson.relationship",
           _bound("preferred", VSAC + "2.16.840.1.113883.11.20.12.1"), "FHIR-53376"),
    Change("goal", "Goal.description", _bound("preferred", SETS + "goal-description"), _BINDINGS),
    Change("condition-problems-health-concerns", "Condition.code",
           _bound("extensible", SETS + "condition-code"), _BINDINGS),
    Change("condition-problems-health-concerns", "Condition.category:screening-assessment",
           _bound("required", SETS + "simple-observation-category",
                  _at_least(SETS + "screening-assessment-condition-category")), "FHIR-56241"),
    Change("servicerequest", "ServiceRequest.requester", _aims(
        *_WHO, "PractitionerRole", "relatedperson", "device"), _V6),
    Change("servicerequest", "ServiceRequest.subject", _aims("patient", "Group", "location", "device"), _V6),
    Change("simple-observation", "Observation.subject", _aims("patient", "Group", "device", "location"), _V6),
    Change("provenance", "Provenance.agent.type",
           _bound("extensible", "http://terminology.hl7.org/ValueSet/provenance-agent-type"), "FHIR-50927"),
    Change("provenance", "Provenance.agent:ProvenanceTransmitter.type", {
        "patternCodeableConcept": {"coding": [{"system": PARTICIPANTS, "code": "transmitter"}]},
    }, "FHIR-50927"),
    Change("provenance", "Provenance.agent.who", _aims(
        "organization", "practitioner", "patient", "practitionerrole", "relatedperson", "device"), _V6),
    Change("documentreference", "DocumentReference.author", _aims(
        *_WHO, "practitionerrole", "relatedperson", "device"), _V6),
    Change("documentreference", "DocumentReference.subject", _aims(
        "patient", "Practitioner", "Group", "device"), _V6),
    Change("documentreference", "DocumentReference.type",
           _bound("required", SETS + "documentreference-type", _at_least(SETS + "clinical-note-type")),
           "StructureDefinition-us-core-documentreference.json"),
)  # fmt: skip
"""Every change in the profiles that a bundle or document of ours claims, but for texts and marks."""

DEVICE: Json = {
    "resourceType": "StructureDefinition", "url": f"{US_CORE}device", "version": NEXT,
    "name": "USCoreDeviceProfile", "title": "US Core Device Profile", "status": "active", "type": "Device",
    "kind": "resource", "derivation": "constraint", "baseDefinition": f"{CORE}Device",
    "differential": {"element": [
        {"id": "Device", "path": "Device"},
        {"id": "Device.udiCarrier", "path": "Device.udiCarrier", "max": "1"},
        {"id": "Device.udiCarrier.deviceIdentifier", "path": "Device.udiCarrier.deviceIdentifier", "min": 1},
        {"id": "Device.type", "path": "Device.type", "min": 1,
         **_bound("extensible", "http://hl7.org/fhir/ValueSet/device-kind")},
        {"id": "Device.patient", "path": "Device.patient", **_aims("patient")},
    ]},
}  # fmt: skip
"""The new profile of any device, "medical and non-medical" (StructureDefinition-us-core-device.json)."""
RETIRED = {CATEGORIES: "CodeSystem-careplan-category.json: status retired, standards status deprecated"}


@cache
def next_package() -> Package:
    """Return the package of 8.0.0 with the changes laid over it, as version 9.0.0."""
    held = [_renewed(one) for one in load_package(package(BEFORE))]
    return Package({"name": "hl7.fhir.us.core", "version": NEXT, "fhirVersions": ["4.0.1"]}, [*held, DEVICE])


@cache
def held_to(version: str) -> Against:
    """Return what a resource is held against for a version of US Core, the next one included."""
    return Against((), [next_package()]) if version == NEXT else against(version)


def next_files() -> dict[str, Json]:
    """Return the same as the files of a package."""
    found = next_package()
    manifest = {"name": found.name, "version": found.version, "fhirVersions": list(found.releases)}
    files = {
        f"package/{one['resourceType']}-{one['url'].rsplit('/', 1)[-1]}.json": one for one in next_package()
    }
    return {"package/package.json": manifest, **files}


def _renewed(definition: Json) -> Json:
    new = copy.deepcopy(definition) | {"version": NEXT}
    if new["url"] in RETIRED:
        new["status"] = "retired"
    changes = [change for change in CHANGES if US_CORE + change.profile == new["url"]]
    for view in ("snapshot", "differential") if changes else ():
        elements = new[view]["element"]
        for change in changes:
            elements = list(_laid(elements, change))
        new[view]["element"] = elements
    return new


def _laid(elements: list[Json], change: Change) -> Iterator[Json]:
    """Yield the elements with one change made; an element not there yet comes after its like."""
    ids = [one["id"] for one in elements]
    like = change.element.rpartition(":")[0] or change.element
    last = max((at for at, name in enumerate(ids) if name.startswith(like)), default=len(ids) - 1)
    for at, one in enumerate(elements):
        if one["id"] == change.element and change.told:
            yield {key: value for key, value in (one | change.told).items() if value is not None}
        elif change.told or not f"{one['id']}.".startswith(f"{change.element}."):
            yield one
        if at == last and change.told and change.element not in ids:
            path = ".".join(step.partition(":")[0] for step in change.element.split("."))
            told = {key: value for key, value in change.told.items() if value is not None}
            yield {"id": change.element, "path": path, **told}
