"""Which US Core profiles a bundle claims, and in which version.

What is written keeps US Core 6.1.0, 7.0.0, 8.0.0 and 9.0.0 alike (9.0.0 as in its final sources, HL7/US-Core,
commit 85bf4af6e), so the version chosen decides the claims::

    meta.profile = ["http://hl7.org/fhir/us/core/StructureDefinition/us-core-goal|8.0.0"]

and one thing besides: 9.0.0 retires the code system of the CarePlan's category ``assess-plan``, which the
versions before it ask for or know, so in 9.0.0 the category is our own kind alone. 9.0.0 has a profile for
any device, which a prosthesis keeps and claims. The profile of implantable devices before it is never
claimed: nothing here is implanted.

A claim is made by whoever writes a resource and knows that it keeps the profile's own rules; here a claim
falls when a reference of the resource aims at one that does not keep the profile its own profile names for
that target. ``fhircare.check.profiles`` proves what is left.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.errors import UnknownRelease

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

Json = dict[str, Any]

VERSIONS = ("9.0.0", "8.0.0", "7.0.0", "6.1.0")
DEFAULT = "8.0.0"
NONE = "none"
CHOICES = (*VERSIONS, NONE)
BASE = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-"
ONLY_IN = {"device": ("9.0.0",)}
"""Profiles that are not in every version, and in which they are; HL7/US-Core, ``changes.md`` of 9.0.0."""

_SUBJECT = {"Patient": "patient"}
_WHO = {"Practitioner": "practitioner", "Organization": "organization", "Patient": "patient",
        "RelatedPerson": "relatedperson"}  # fmt: skip
_ROLE = {"PractitionerRole": "practitionerrole"}
_TEAM = {"CareTeam": "careteam"}
# For each profile: its elements whose targets must keep a US Core profile, by the target's type. From
# type.targetProfile of the published profiles; where only a later version asks, the earlier ones are held
# to it too. A target of a type not named here (a Group, a PractitionerRole as requester) is free.
AIMS: dict[str, dict[str, dict[str, str]]] = {
    "practitionerrole": {"practitioner": _WHO, "organization": _WHO, "location": {"Location": "location"}},
    "relatedperson": {"patient": _SUBJECT},
    "careteam": {"subject": _SUBJECT, "participant.member": _WHO | _ROLE | _TEAM},
    "goal": {"subject": _SUBJECT, "expressedBy": _WHO},
    "careplan": {"subject": _SUBJECT, "contributor": _WHO | _TEAM},
    "device": {"patient": _SUBJECT},
    "condition-problems-health-concerns": {"subject": _SUBJECT, "recorder": _WHO},
    "servicerequest": {"subject": _SUBJECT, "requester": _WHO},
    "simple-observation": {"subject": _SUBJECT, "performer": _WHO | _TEAM},
    "body-weight": {"subject": _SUBJECT, "performer": _WHO | _TEAM},
    "provenance": {"agent.who": _WHO | _ROLE, "agent.onBehalfOf": _WHO},
    "documentreference": {"subject": _SUBJECT, "author": _WHO | _ROLE},
}
_NINE: dict[str, dict[str, dict[str, str]]] = {
    "careplan": {"addresses": {"Condition": "condition-problems-health-concerns"}},
}
"""What 9.0.0 asks besides, and would cost a claim of the versions before it."""


def claim(profile: str, version: str = DEFAULT) -> list[str]:
    """Return ``meta.profile`` for a profile such as ``goal``; empty for none.

    Raises:
        UnknownRelease: For a version that is not one of ``CHOICES``.
    """
    if version not in CHOICES:
        raise UnknownRelease(f"US Core {version} is not written here; choose from {', '.join(CHOICES)}")
    held = profile and version in ONLY_IN.get(profile, VERSIONS)
    return [f"{BASE}{profile}|{version}"] if held else []


def asks_for_assess_plan(version: str) -> bool:
    """Tell whether a version knows the CarePlan category ``assess-plan``; 9.0.0 retires its code system."""
    return version != "9.0.0"


def version_of(bundle: Mapping[str, Any]) -> str:
    """Return the US Core version that a bundle's resources claim, ``none`` when none does.

    A claim that names no version is of the usual one.
    """
    for resource in _resources(bundle.get("entry") or ()):
        for url in _claims(resource):
            told = url.partition("|")[2] or DEFAULT
            if url.startswith(BASE) and told in VERSIONS:
                return told
    return NONE


def settle(entries: Iterable[Json], among: Iterable[Json] = ()) -> None:
    """Take away each claim that a target does not bear out, until all that are left bear each other out.

    Args:
        entries: Bundle.entry, changed in place.
        among: More entries that may be referred to, left as they are.
    """
    whole = list(entries)
    by_url = {entry.get("fullUrl"): entry.get("resource") for entry in (*whole, *among)}
    unsettled = True
    while unsettled:
        unsettled = False
        for resource in _resources(whole):
            if _claims(resource) and not _borne_out(resource, by_url):
                meta = resource["meta"]
                meta["profile"] = [url for url in meta["profile"] if not url.startswith(BASE)]
                if not meta["profile"]:
                    del meta["profile"]
                if not meta:
                    del resource["meta"]
                unsettled = True


def _borne_out(resource: Json, by_url: Mapping[Any, Json | None]) -> bool:
    for url in _claims(resource):
        aims = AIMS.get(_short(url), {})
        if url.endswith("|9.0.0"):
            aims = aims | _NINE.get(_short(url), {})
        for path, wanted in aims.items():
            for reference in _at(resource, path.split(".")):
                target = by_url.get(reference.get("reference"))
                profile = wanted.get(target.get("resourceType", "")) if target else None
                if target and profile and profile not in map(_short, _claims(target)):
                    return False
    return True


def _claims(resource: Json) -> list[str]:
    meta = resource.get("meta")
    claims = meta.get("profile") if isinstance(meta, dict) else None
    return [url for url in claims if url.startswith(BASE)] if isinstance(claims, list) else []


def _short(url: str) -> str:
    return url.removeprefix(BASE).partition("|")[0]


def _resources(entries: Iterable[Json]) -> Iterator[Json]:
    for entry in entries:
        resource = entry.get("resource")
        if isinstance(resource, dict):
            yield resource


def _at(node: Any, steps: list[str]) -> Iterator[Json]:
    """Yield the objects at a path; arrays are opened."""
    if isinstance(node, list):
        for one in node:
            yield from _at(one, steps)
    elif isinstance(node, dict):
        if not steps:
            yield node
        elif steps[0] in node:
            yield from _at(node[steps[0]], steps[1:])
