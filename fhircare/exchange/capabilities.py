"""What a server says it can do: CapabilityStatement → the few answers that decide how we talk to it.

Read first, before anything else is asked. A server that is no FHIR R4 or R5 server, or does not speak JSON,
is refused here. A statement that lists no resources at all says nothing about them; then everything is tried.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from fhircare.errors import ServerRefused

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

Release = Literal["R4", "R4B", "R5"]
_RELEASES: dict[str, Release] = {"4.0": "R4", "4.3": "R4B", "5.0": "R5"}


@dataclass(frozen=True, slots=True)
class Offer:
    """What a server offers for one resource type."""

    interactions: frozenset[str] = frozenset()
    """FHIR restful-interaction codes, such as read, create, update, search-type."""
    parameters: frozenset[str] = frozenset()
    """Names of search parameters."""
    operations: frozenset[str] = frozenset()
    """Names of operations, such as validate."""
    versioning: str = ""
    """no-version, versioned, or versioned-update (If-Match must be sent); "" when not said."""
    conditional_create: bool = False
    """Whether If-None-Exist works."""
    update_create: bool = False
    """Whether PUT may make a resource with an id of ours."""
    profiles: frozenset[str] = frozenset()
    """Profiles it knows, as canonical addresses without version."""


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What a server offers."""

    release: Release
    """FHIR release."""
    software: str = ""
    """Name and version of its software, where it says so."""
    system: frozenset[str] = frozenset()
    """Whole-system interactions: transaction, batch."""
    operations: frozenset[str] = frozenset()
    """Whole-system operations."""
    resources: Mapping[str, Offer] = field(default_factory=dict)
    """By resource type; empty when the server does not say."""

    def offers(self, kind: str, interaction: str) -> bool:
        """Return whether an interaction is offered for a resource type; True where nothing is said at all."""
        if not self.resources:
            return True
        offer = self.resources.get(kind)
        return offer is not None and interaction in offer.interactions

    def conditional_create(self, kind: str) -> bool:
        """Return whether If-None-Exist is offered for a type; True where nothing is said at all."""
        return not self.resources or self.resources.get(kind, Offer()).conditional_create

    def update_create(self, kind: str) -> bool:
        """Return whether an update may create, for a type."""
        return self.resources.get(kind, Offer()).update_create

    def knows(self, kind: str, profile: str) -> bool:
        """Return whether the server lists a profile for a type."""
        return profile.partition("|")[0] in self.resources.get(kind, Offer()).profiles

    def validates(self, kind: str) -> bool:
        """Return whether $validate is offered for a type."""
        return "validate" in self.operations or "validate" in self.resources.get(kind, Offer()).operations

    def missing(self, kinds: Iterable[str], *interactions: str) -> list[str]:
        """Return the types for which one of the interactions is not offered, sorted."""
        return sorted(
            {kind for kind in kinds for interaction in interactions if not self.offers(kind, interaction)}
        )


def read_capabilities(body: Any) -> Capabilities:
    """Return what a CapabilityStatement offers.

    Raises:
        ServerRefused: When it is none, of another FHIR release, or without JSON.
    """
    kind = body.get("resourceType") if isinstance(body, dict) else None
    if kind == "Conformance":
        raise ServerRefused("speaks an old FHIR (DSTU2): FHIR R4 or R5 is needed")
    if kind != "CapabilityStatement":
        raise ServerRefused("does not answer with a CapabilityStatement: is this the address of a FHIR base?")
    version = str(body.get("fhirVersion", ""))
    release = _RELEASES.get(".".join(version.split(".")[:2]))
    if release is None:
        raise ServerRefused(
            f"speaks FHIR {version[:12] or 'of a release it does not name'}: R4 or R5 is needed"
        )
    formats = [str(name) for name in body.get("format", ())]
    if formats and not any("json" in name for name in formats):
        raise ServerRefused("does not offer FHIR as JSON")
    rest: dict[str, Any] = next((r for r in body.get("rest", ()) if r.get("mode") == "server"), {})
    software = body.get("software") or {}
    return Capabilities(
        release=release,
        software=" ".join(str(software[k]) for k in ("name", "version") if k in software)[:80],
        system=_codes(rest.get("interaction")),
        operations=_names(rest.get("operation")),
        resources={str(r.get("type")): _offer(r) for r in rest.get("resource", ()) if isinstance(r, dict)},
    )


def _offer(resource: dict[str, Any]) -> Offer:
    return Offer(
        interactions=_codes(resource.get("interaction")),
        parameters=_names(resource.get("searchParam")),
        operations=_names(resource.get("operation")),
        versioning=str(resource.get("versioning", "")),
        conditional_create=resource.get("conditionalCreate") is True,
        update_create=resource.get("updateCreate") is True,
        profiles=frozenset(str(p).partition("|")[0] for p in resource.get("supportedProfile") or ()),
    )


def _codes(items: Any) -> frozenset[str]:
    return frozenset(str(item.get("code")) for item in items or () if isinstance(item, dict))


def _names(items: Any) -> frozenset[str]:
    return frozenset(str(item.get("name")).lstrip("$") for item in items or () if isinstance(item, dict))
