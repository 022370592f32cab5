"""The packages of profiles that come with us, in the compact form that ``distil`` writes.

::

    us_core, _ = shipped("R4")
    us_core.get("http://hl7.org/fhir/us/core/StructureDefinition/us-core-goal")["version"]      # "8.0.0"

A definition is read when it is asked for. Other packages are read from disk by ``packages``.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from fhircare.spec import _Lines

Json = dict[str, Any]


def split(canonical: str) -> tuple[str, str]:
    """Return a canonical's url and version, "" when it names none; a fragment is dropped."""
    url, _, version = canonical.partition("#")[0].partition("|")
    return url, version


class Shipped:
    """A package that comes with us.

    Attributes:
        folder: Its folder in this room; what is compiled from it is kept under this name.
        prefix: What every canonical of it begins with.
        path: The file its definitions are read from.
        name: Such as ``hl7.fhir.us.core``.
        version: Its version.
    """

    def __init__(self, folder: str, prefix: str) -> None:
        self.folder, self.prefix = folder, prefix
        self._lines = _Lines(folder, "profiles.jsonl")
        self._codes: _Lines | None = None
        self.path = self._lines.path
        self.name, self.version = self._lines.head["package"], self._lines.head["version"]

    def urls(self) -> list[str]:
        """Return the canonicals of its profiles and extensions."""
        return list(self._lines.head["index"])

    def get(self, url: str) -> Json | None:
        """Return a StructureDefinition by its url, None when there is none."""
        found: Json | None = self._lines.get(url) if url.startswith(self.prefix) else None
        return found

    def code_line(self, url: str) -> Json | None:
        """Return an expanded value set or a complete code system as ``spec`` keeps them, or None."""
        if self._codes is None:
            self._codes = _Lines(self.folder, "codes.jsonl")
        found: Json | None = self._codes.get(url)
        return found


SHIPPED = {
    "R4": (
        ("us_core", "http://hl7.org/fhir/us/core/"),
        ("r4_profiles", "http://hl7.org/fhir/StructureDefinition/"),
    ),
}


@cache
def shipped(release: str = "R4") -> tuple[Shipped, ...]:
    """Return the packages that come with us for a release."""
    return tuple(Shipped(folder, prefix) for folder, prefix in SHIPPED.get(release, ()))
