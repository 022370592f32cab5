"""The packages of profiles that come with us, in the compact form that ``distil`` writes.

::

    us_core, _, own = shipped("R4")
    us_core.get("http://hl7.org/fhir/us/core/StructureDefinition/us-core-goal")["version"]      # "8.0.0"

A definition is read when it is asked for. Our own profiles (``fhircare/profiles``) are files as everybody
writes them. Other packages are read from disk by ``packages``.
"""

from __future__ import annotations

import json
import os
from functools import cache
from typing import TYPE_CHECKING, Any

from fhircare.spec import _Lines

if TYPE_CHECKING:
    from collections.abc import Iterator

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

    def holds(self, url: str) -> bool:
        """Tell whether it has a StructureDefinition of this url."""
        return url.startswith(self.prefix) and url in self._lines.head["index"]

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


class Own:
    """Our own profiles and extensions, with their value sets and code systems: one file for each.

    A file is called by its resource's type and the last part of its canonical.

    Attributes:
        folder: What is compiled from them is kept under this name.
        prefix: What every canonical of them begins with.
        version: For those that name none.
    """

    folder = "own"
    prefix = "https://fhircare.github.io/fhir/"
    version = ""
    name = "fhircare.profiles"

    def __init__(self) -> None:
        package = os.path.dirname(os.path.dirname(__file__))  # noqa: PTH120 - start-up time
        self._folder = os.path.join(package, "profiles")  # noqa: PTH118 - likewise

    def urls(self) -> list[str]:
        """Return the canonicals of the profiles and extensions."""
        kind = "StructureDefinition-"
        names = sorted(name for name in os.listdir(self._folder) if name.startswith(kind))  # noqa: PTH208
        return [f"{self.prefix}StructureDefinition/{name[len(kind) : -5]}" for name in names]

    def get(self, url: str) -> Json | None:
        """Return a definition by its url, None when there is none."""
        kind, _, last = url.removeprefix(self.prefix).partition("/")
        if not url.startswith(self.prefix) or not last or not f"{kind}{last}".replace("-", "").isalnum():
            return None
        path = os.path.join(self._folder, f"{kind}-{last}.json")  # noqa: PTH118
        try:
            raw = __spec__.loader.get_data(path)  # type: ignore[union-attr]
        except OSError:
            return None
        found: Json = json.loads(raw)
        return found if found.get("url") == url else None

    def needed(self, url: str) -> Iterator[Json]:
        """Yield a value set of ours and what it draws on, of ours too."""
        waiting, seen = [url], {url}
        while waiting:
            found = self.get(waiting.pop())
            if found is None:
                continue
            yield found
            for part in (found.get("compose") or {}).get("include", ()):
                for one in (part.get("system", ""), *part.get("valueSet", ())):
                    if one not in seen:
                        seen.add(one)
                        waiting.append(one)


SHIPPED = {
    "R4": (
        ("us_core", "http://hl7.org/fhir/us/core/"),
        ("r4_profiles", "http://hl7.org/fhir/StructureDefinition/"),
    ),
}


@cache
def shipped(release: str = "R4") -> tuple[Shipped | Own, ...]:
    """Return the packages that come with us for a release; none are for R5 yet."""
    if release not in SHIPPED:
        return ()
    return (*(Shipped(folder, prefix) for folder, prefix in SHIPPED[release]), Own())
