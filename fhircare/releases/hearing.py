"""A bundle taken in from any release, with a way to name a place in it as the file has it.

::

    found = heard(bundle)
    found.bundle                                          # in R4's spelling
    found.place("Bundle.entry[3].resource.author")        # "Bundle.entry[3].resource.custodian"

A place is found by what stands there: a value that has not moved has the same path; one that has moved is the
only equal value of its entry that is not accounted for otherwise. Where several are equal and moved (the same
phone number in two lists), the path of what holds them is given.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from fhircare.releases.conversion import hear, say
from fhircare.releases.recognition import detect_release
from fhircare.releases.table import HOUSE, Json, release

if TYPE_CHECKING:
    from collections.abc import Iterator

_ENTRY = re.compile(r"Bundle\.entry\[\d+\]\.resource|[^.\[]+")


@dataclass(frozen=True)
class Heard:
    """A bundle in the house's spelling, and how it came.

    Attributes:
        bundle: In R4's spelling.
        release: The release it came in.
        came: As it came.
    """

    bundle: Json
    release: str
    came: Json = field(repr=False)

    def place(self, path: str) -> str:
        """Return where something stands in the bundle as it came.

        Args:
            path: A FHIRPath of ``bundle``, to an element or a value, as ``Reading.source`` gives it.

        Returns:
            The FHIRPath in ``came``: to the same thing, or to the nearest that holds it; "" for "".
        """
        if self.release == HOUSE or not path:
            return path
        leaf = path if path in self._here else self._first.get(path, "")
        if not leaf:
            return path if path in self._holders else _above(path, self._holders)
        found = self._moved.get(leaf, "")
        if not found:
            return _above(path, self._holders)
        return _cut(found, leaf[len(path) :])

    def returned(self, bundle: Json) -> Json:
        """Return a bundle in R4's spelling (``bundle`` after a change) in the release this one came in."""
        return say(bundle, self.release)

    @cached_property
    def _here(self) -> dict[str, Any]:
        return dict(_leaves(self.bundle))

    @cached_property
    def _there(self) -> dict[str, Any]:
        return dict(_leaves(self.came))

    @cached_property
    def _first(self) -> dict[str, str]:
        """Each path of ``bundle`` that holds something → its first value's path."""
        found: dict[str, str] = {}
        for leaf in self._here:
            for path in _ways_to(leaf):
                found.setdefault(path, leaf)
        return found

    @cached_property
    def _holders(self) -> frozenset[str]:
        return frozenset(path for leaf in self._there for path in _ways_to(leaf))

    @cached_property
    def _moved(self) -> dict[str, str]:
        """Each value's path in ``bundle`` → its path in ``came``, where it can be told."""
        there = self._there
        lengths = dict(_lists(self.came))
        # A list that grew on the way holds other things in the same places; entries only come after the rest.
        regrown = {at for at, n in _lists(self.bundle) if lengths.get(at, n) != n} - {"Bundle.entry"}
        same = {
            path
            for path, value in self._here.items()
            if path in there and there[path] == value and not (regrown and regrown & set(_ways_to(path)))
        }
        found = {path: path for path in same}
        free: dict[tuple[str, str], list[str]] = {}
        for path, value in self._there.items():
            if path not in same:
                free.setdefault((_entry(path), repr(value)), []).append(path)
        wanted: dict[tuple[str, str], list[str]] = {}
        for path, value in self._here.items():
            if path not in same:
                wanted.setdefault((_entry(path), repr(value)), []).append(path)
        for key, paths in wanted.items():
            others = free.get(key, [])
            if len(others) == len(paths):
                # Equal values keep their order: a lens moves a list as a whole.
                found.update(zip(paths, others, strict=True))
        return found


def heard(bundle: Json, in_release: str | None = None) -> Heard:
    """Return a bundle in R4's spelling, whatever release it came in.

    Args:
        bundle: A Bundle or a resource, as it came; it is not changed.
        in_release: Its release; None to find out.

    Raises:
        UnknownRelease: For a release that is not spoken here, or when nothing tells which one it is in.
    """
    name = release(in_release).name if in_release else detect_release(bundle)
    return Heard(hear(bundle, name), name, bundle)


def _leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        path = path or str(value.get("resourceType", ""))
        for name, one in value.items():
            yield from _leaves(one, f"{path}.{name}")
    elif isinstance(value, list):
        for place, one in enumerate(value):
            yield from _leaves(one, f"{path}[{place}]")
    else:
        yield path, value


def _lists(value: Any, path: str = "") -> Iterator[tuple[str, int]]:
    if isinstance(value, dict):
        path = path or str(value.get("resourceType", ""))
        for name, one in value.items():
            yield from _lists(one, f"{path}.{name}")
    elif isinstance(value, list):
        yield path, len(value)
        for place, one in enumerate(value):
            yield from _lists(one, f"{path}[{place}]")


def _ways_to(path: str) -> Iterator[str]:
    """Yield a path and all that are above it, from the root."""
    for end in re.finditer(r"(?<=.)(?=[.\[])|$", path):
        yield path[: end.start()]


def _entry(path: str) -> str:
    found = _ENTRY.match(path)
    return found[0] if found else ""


def _above(path: str, holders: frozenset[str]) -> str:
    """Return the path itself or the nearest above it that is in the bundle as it came."""
    while path and path not in holders:
        path = path.rpartition("[" if path.endswith("]") else ".")[0]
    return path


def _cut(path: str, rest: str) -> str:
    """Return a path without the steps it shares with ``rest`` at its end."""
    steps = re.findall(r"\.[^.\[]+|\[\d+\]", rest)
    for step in reversed(steps):
        if not path.endswith(step):
            # The leaf stands deeper, or elsewhere, in what came: the value itself is the place.
            break
        path = path[: -len(step)]
    return path
