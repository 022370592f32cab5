"""The releases of FHIR that are spoken here, a row each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fhircare.errors import UnknownRelease

Json = dict[str, Any]


@dataclass(frozen=True)
class Release:
    """One FHIR release.

    Attributes:
        name: ``R4``.
        version: The published version, as CapabilityStatement.fhirVersion gives it.
        package: The package of HL7 that holds its definitions.
        models: The subpackage of fhir.resources that builds it, "" for its own top.
    """

    name: str
    version: str
    package: str
    models: str


HOUSE = "R4"
"""The release in whose spelling the house speaks."""

RELEASES = {
    "R4": Release("R4", "4.0.1", "hl7.fhir.r4.core", "R4B"),
    "R5": Release("R5", "5.0.0", "hl7.fhir.r5.core", ""),
}


def release(name: str) -> Release:
    """Return a release by name.

    Raises:
        UnknownRelease: For one that is not spoken here.
    """
    if name not in RELEASES:
        raise UnknownRelease(f"FHIR {name} is not spoken here; spoken are {', '.join(RELEASES)}")
    return RELEASES[name]
