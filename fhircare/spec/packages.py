"""FHIR implementation-guide packages: any of them, from disk, bounded against hostile archives.

::

    found = load_packages(Path("hl7.fhir.us.core-7.0.0.tgz"))
    found.packages[0].get("http://hl7.org/fhir/us/core/StructureDefinition/us-core-patient")
    found.missing                                   # dependencies that are not beside it

A package is a ``.tgz`` or a folder in NPM's layout (https://confluence.hl7.org/display/FHIR/NPM+Package+Specification):
``package/package.json`` names it, ``package/*.json`` are its resources. Only StructureDefinitions,
ValueSets and CodeSystems are kept. Nothing is ever unpacked to disk. Packages it depends on are taken along
when they lie in the same folder, as ``name-version.tgz`` or as a folder ``name#version`` or
``name-version``; the core definitions are ours already.
"""

from __future__ import annotations

import gzip
import json
import re
import tarfile
import zlib
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.errors import Fault, PackageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

Json = dict[str, Any]

KINDS = ("StructureDefinition", "ValueSet", "CodeSystem")
MAX_FILE = 64_000_000
"""Bytes of one resource, unpacked."""
MAX_TOTAL = 1_000_000_000
"""Bytes of a whole package, unpacked: R4's own definitions are a fifth of that."""
MAX_FILES = 50_000
MAX_DEEP = 12
"""How far dependencies of dependencies are followed."""
_KIND = re.compile(rb'"resourceType"\s*:\s*"(StructureDefinition|ValueSet|CodeSystem)"')
_RIGHT = "give a FHIR package as published: a .tgz, or the folder unpacked from it"


class Package:
    """The definitions of one package.

    Attributes:
        name: Such as ``hl7.fhir.us.core``; "" when it does not say.
        version: Its version.
        releases: FHIR releases it is for, such as ``4.0.1``.
        dependencies: Versions of other packages, by name.
    """

    def __init__(self, manifest: Json, resources: Iterable[Json]) -> None:
        self.name = str(manifest.get("name", ""))
        self.version = str(manifest.get("version", ""))
        told = manifest.get("fhirVersions") or manifest.get("fhir-version-list") or ()
        self.releases = tuple(str(one) for one in told)
        wanted = manifest.get("dependencies")
        self.dependencies: dict[str, str] = (
            {str(k): str(v) for k, v in wanted.items()} if isinstance(wanted, dict) else {}
        )
        self._held: dict[str, Json] = {}
        for resource in resources:
            url = resource.get("url")
            if resource.get("resourceType") in KINDS and isinstance(url, str):
                self._held[url] = resource

    def __iter__(self) -> Iterator[Json]:
        return iter(self._held.values())

    def get(self, url: str) -> Json | None:
        """Return a definition by its url, without version; None when the package lacks it."""
        return self._held.get(url)


class Loaded(NamedTuple):
    """The package asked for and those it depends on; ``name version`` of those that were not there."""

    packages: tuple[Package, ...]
    missing: tuple[str, ...]


def load_packages(path: Path) -> Loaded:
    """Read a package, and of its dependencies those that lie in the same folder.

    Args:
        path: A ``.tgz``, the folder unpacked from it, or that folder's ``package`` folder.

    Raises:
        PackageError: When it is no FHIR package, or larger than any should be; names file and mend.
    """
    first = load_package(path)
    packages = {(first.name, first.version): first}
    missing: dict[str, None] = {}
    beside = (path.parent if path.name == "package" else path).parent
    level = [first]
    for _ in range(MAX_DEEP):
        level = [package for package in level for package in _beside(package, beside, packages, missing)]
    return Loaded(tuple(packages.values()), tuple(missing))


def _beside(
    package: Package, folder: Path, packages: dict[tuple[str, str], Package], missing: dict[str, None]
) -> list[Package]:
    """Add what a package depends on, as far as it lies in a folder; returns what is new."""
    new = []
    for name, version in package.dependencies.items():
        if name.endswith(".core") and name.startswith("hl7.fhir.r"):
            continue
        if not re.fullmatch(r"[\w.-]{1,128}", name) or not re.fullmatch(r"[\w.+-]{1,64}", version):
            continue
        if (name, version) in packages:
            continue
        places = (f"{name}-{version}.tgz", f"{name}#{version}.tgz", f"{name}#{version}", f"{name}-{version}")
        place = next((folder / one for one in places if (folder / one).exists()), None)
        if place is None:
            missing[f"{name} {version}"] = None
            continue
        packages[name, version] = found = load_package(place)
        new.append(found)
    return new


def load_package(path: Path) -> Package:
    """Read one package.

    Raises:
        PackageError: As ``load_packages``.
    """
    try:
        if path.is_dir():
            contents = dict(_in_folder(path))
        elif path.is_file():
            contents = dict(_in_archive(path))
        else:
            raise PackageError(Fault("", "does not exist", "check the name"), file=str(path))
    except (OSError, EOFError, tarfile.TarError, zlib.error):
        raise PackageError(Fault("", "cannot be read as a FHIR package", _RIGHT), file=str(path)) from None
    return _package(contents, path)


def _package(contents: dict[str, bytes], path: Path) -> Package:
    manifest = contents.pop("package.json", None)
    if manifest is None:
        raise PackageError(Fault("package/package.json", "is missing", _RIGHT), file=str(path))
    told = _parsed("package.json", manifest, path)
    found = [_parsed(name, raw, path) for name, raw in sorted(contents.items()) if _KIND.search(raw)]
    return Package(told, found)


def _parsed(name: str, raw: bytes, path: Path) -> Json:
    try:
        found = json.loads(raw)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        problem = "is not a JSON object"
        raise PackageError(Fault(f"package/{name}", problem, "take the package as published"), file=str(path))
    return found


def _in_folder(path: Path) -> Iterator[tuple[str, bytes]]:
    """Yield name and content of the JSON files of an unpacked package."""
    inner = path / "package"
    folder = (inner if inner.is_dir() else path).resolve()
    total = 0
    files = sorted(one for one in folder.iterdir() if one.suffix == ".json")
    for count, file in enumerate(files):
        if not file.resolve().is_relative_to(folder):
            raise _hostile(file.name, "leads out of the package", path)
        if file.is_file() and not file.name.startswith("."):
            size = file.stat().st_size
            total += size
            _bounded(file.name, size, total, count, path)
            yield file.name, file.read_bytes()


def _in_archive(path: Path) -> Iterator[tuple[str, bytes]]:
    """Yield name and content of the JSON files of a packed package, read as a stream."""
    total = 0
    # gzip's own reader: tarfile's takes an archive that was cut short for a whole one.
    with gzip.open(path) as unpacked, tarfile.open(fileobj=unpacked, mode="r|") as archive:
        for count, member in enumerate(archive):
            place = PurePosixPath(member.name)
            if place.is_absolute() or ".." in place.parts or "\\" in member.name:
                raise _hostile("an entry", "leads out of the package", path)
            total += max(member.size, 0)
            _bounded("an entry", member.size if place.suffix == ".json" else 0, total, count, path)
            parts = [part for part in place.parts if part != "."]
            if len(parts) != 2 or parts[0] != "package" or place.suffix != ".json" or not member.isreg():
                continue
            stream = archive.extractfile(member)
            if stream is not None and not parts[1].startswith("."):
                yield parts[1], stream.read(MAX_FILE + 1)


def _bounded(name: str, size: int, total: int, count: int, path: Path) -> None:
    if size > MAX_FILE:
        raise _hostile(name, f"is larger than {MAX_FILE // 1_000_000} MB", path)
    if total > MAX_TOTAL:
        raise _hostile("", f"holds more than {MAX_TOTAL // 1_000_000} MB", path)
    if count >= MAX_FILES:
        raise _hostile("", f"holds more than {MAX_FILES} files", path)


def _hostile(name: str, problem: str, path: Path) -> PackageError:
    return PackageError(Fault(name, problem, _RIGHT), file=str(path))
