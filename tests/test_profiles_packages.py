"""Packages of implementation guides, read from disk: any usual layout, and nothing that does harm."""

from __future__ import annotations

import io
import json
import tarfile
from typing import TYPE_CHECKING, Any

import pytest

from fhircare.errors import PackageError
from fhircare.spec import packages
from fhircare.spec.packages import load_package, load_packages
from fhircare.spec.shipped import shipped, split

if TYPE_CHECKING:
    from pathlib import Path

MANIFEST = {"name": "example.guide", "version": "1.2.0", "fhirVersions": ["4.0.1"], "dependencies": {}}
PROFILE = {"resourceType": "StructureDefinition", "url": "http://example.org/p", "version": "1.2.0"}


def tgz(path: Path, files: dict[str, Any]) -> Path:
    """Write a package: contents by name, JSON or bytes."""
    with tarfile.open(path, "w:gz") as archive:
        for name, content in files.items():
            raw = content if isinstance(content, bytes) else json.dumps(content).encode()
            member = tarfile.TarInfo(name)
            member.size = len(raw)
            archive.addfile(member, io.BytesIO(raw))
    return path


def folder(path: Path, files: dict[str, Any]) -> Path:
    """Write the same unpacked."""
    for name, content in files.items():
        (path / name).parent.mkdir(parents=True, exist_ok=True)
        (path / name).write_text(json.dumps(content), encoding="utf-8")
    return path


FILES = {
    "package/package.json": MANIFEST,
    "package/StructureDefinition-p.json": PROFILE,
    "package/Patient-x.json": {"resourceType": "Patient"},
    "package/example/StructureDefinition-q.json": PROFILE | {"url": "http://example.org/q"},
    "package/.index.json": {"files": []},
}


@pytest.mark.parametrize("made", ["tgz", "folder", "inner"])
def test_each_layout(tmp_path: Path, made: str) -> None:
    """A .tgz, the folder unpacked from it, and its folder ``package`` are one package."""
    path = tgz(tmp_path / "a.tgz", FILES) if made == "tgz" else folder(tmp_path / "a", FILES)
    package = load_package(path / "package" if made == "inner" else path)

    assert (package.name, package.version, package.releases) == ("example.guide", "1.2.0", ("4.0.1",))
    assert package.get("http://example.org/p") == PROFILE
    assert package.get("http://example.org/q") is None
    assert [one["url"] for one in package] == ["http://example.org/p"]


def test_dependencies_beside_it_are_taken_along(tmp_path: Path) -> None:
    """By their usual names, to any depth, in circles too; what is not there is named."""
    wanted = {"b.guide": "1.0.0", "hl7.fhir.r4.core": "4.0.1", "gone.guide": "2.0.0", "../x": "1"}
    tgz(tmp_path / "a.tgz", {"package/package.json": MANIFEST | {"dependencies": wanted}})
    inner = {"name": "b.guide", "version": "1.0.0", "dependencies": {"c.guide": "1.0.0"}}
    tgz(tmp_path / "b.guide-1.0.0.tgz", {"package/package.json": inner})
    last = {"name": "c.guide", "version": "1.0.0", "dependencies": {"b.guide": "1.0.0"}}
    folder(tmp_path / "c.guide#1.0.0", {"package/package.json": last})

    loaded = load_packages(tmp_path / "a.tgz")

    assert [one.name for one in loaded.packages] == ["example.guide", "b.guide", "c.guide"]
    assert loaded.missing == ("gone.guide 2.0.0",)


HARM: dict[str, dict[str, Any]] = {
    "leads out": {**FILES, "package/../../x.json": PROFILE},
    "absolute": {**FILES, "/etc/x.json": PROFILE},
    "no manifest": {"package/StructureDefinition-p.json": PROFILE},
    "no JSON": {**FILES, "package/StructureDefinition-p.json": b'{"resourceType": "StructureDefinition", '},
    "no object": {**FILES, "package/package.json": b"[]"},
}


@pytest.mark.parametrize("harm", HARM)
def test_what_is_no_package_is_refused(tmp_path: Path, harm: str) -> None:
    """The error names the file and what to do."""
    path = tgz(tmp_path / "a.tgz", HARM[harm])

    with pytest.raises(PackageError, match=r"a\.tgz.* — ") as told:
        load_package(path)

    assert told.value.exit_code == 2


def test_a_file_that_is_no_archive_is_refused(tmp_path: Path) -> None:
    """Neither text nor half an archive is one; nor is what is not there."""
    (tmp_path / "text.tgz").write_text("hello", encoding="utf-8")
    whole = tgz(tmp_path / "a.tgz", FILES).read_bytes()
    (tmp_path / "half.tgz").write_bytes(whole[: len(whole) // 2])

    for name in ("text.tgz", "half.tgz", "missing.tgz"):
        with pytest.raises(PackageError):
            load_package(tmp_path / name)


def test_sizes_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One file, all files together, and their number."""
    path = tgz(tmp_path / "a.tgz", FILES)

    for limit in ("MAX_FILE", "MAX_TOTAL", "MAX_FILES"):
        with monkeypatch.context() as patch:
            patch.setattr(packages, limit, 3)
            with pytest.raises(PackageError):
                load_package(path)
            with pytest.raises(PackageError):
                load_package(folder(tmp_path / "f", FILES | {f"package/{n}.json": {} for n in range(5)}))


def test_links_are_not_followed_out_of_a_folder(tmp_path: Path) -> None:
    """A link to a file elsewhere is no part of the package."""
    (tmp_path / "secret.json").write_text("{}", encoding="utf-8")
    path = folder(tmp_path / "a", FILES)
    (path / "package" / "x.json").symlink_to(tmp_path / "secret.json")

    with pytest.raises(PackageError):
        load_package(path)


def test_what_comes_with_us() -> None:
    """US Core 8.0.0 as published: 67 profiles and extensions; R4's own, vital signs among them; and ours."""
    us_core, own_of_r4, ours = shipped("R4")

    assert len(us_core.urls()) == 67
    goal = us_core.get("http://hl7.org/fhir/us/core/StructureDefinition/us-core-goal")
    assert goal is not None
    assert goal["version"] == us_core.version == "8.0.0"
    assert "http://hl7.org/fhir/StructureDefinition/vitalsigns" in own_of_r4.urls()
    assert all(url.startswith(ours.prefix) and ours.get(url) for url in ours.urls())
    assert shipped("R6") == ()


def test_canonicals() -> None:
    """A canonical is a url, perhaps a version, perhaps a fragment."""
    assert split("http://x/y") == ("http://x/y", "")
    assert split("http://x/y|1.0#z") == ("http://x/y", "1.0")
    assert split("http://x/y#z") == ("http://x/y", "")
