"""Shorten a published package: ``python package.py hl7.fhir.us.core-8.0.0.tgz`` writes ``8.0.0.tgz`` here.

A folder is taken for the guide's own sources (a clone of HL7/US-Core): differentials without snapshots, which
get the guide's version, as publishing gives it. Those are never kept here, so a second argument says where.

Of StructureDefinitions, ValueSets and CodeSystems only texts for people and mappings are left out. Of the
examples two are kept for each profile of the types below, without their narratives (a CarePlan needs one).
The same package gives the same bytes.
"""

from __future__ import annotations

import gzip
import io
import json
import sys
import tarfile
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

KINDS = ("StructureDefinition", "ValueSet", "CodeSystem")
TYPES = (
    "CarePlan", "Goal", "CareTeam", "Patient", "Practitioner", "PractitionerRole", "RelatedPerson",
    "Organization", "Condition", "Observation", "DocumentReference", "Device", "ServiceRequest",
    "Provenance", "Procedure", "Encounter", "AllergyIntolerance", "QuestionnaireResponse",
)  # fmt: skip
_HEAD = ("text", "mapping", "contact", "description", "purpose", "copyright", "jurisdiction", "keyword")
_TEXTS = (
    "short", "definition", "comment", "requirements", "alias", "mapping", "example", "orderMeaning",
    "meaningWhenMissing", "isModifierReason", "extension",
)  # fmt: skip


def slim(resource: dict[str, Any]) -> dict[str, Any]:
    """Return a definition without its texts for people."""
    kept = {key: value for key, value in resource.items() if key not in _HEAD and key != "extension"}
    for view in ("snapshot", "differential"):
        for element in kept.get(view, {}).get("element", ()):
            for key in _TEXTS:
                element.pop(key, None)
    return kept


def packed_files(source: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield name and content of the JSON files of a published package."""
    with tarfile.open(source, "r:gz") as archive:
        for member in sorted(archive.getmembers(), key=lambda one: one.name):
            name = member.name.rpartition("/")[2]
            stream = archive.extractfile(member) if name.endswith(".json") else None
            if stream is not None and not name.startswith("."):
                yield member.name, json.load(stream)


def source_files(source: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the same of the guide's sources, named as the package would name them."""
    request = json.loads((source / "publication-request.json").read_text(encoding="utf-8"))
    manifest = {"name": request["package-id"], "version": request["version"], "license": "CC0-1.0"}
    yield "package/package.json", manifest | {"fhirVersions": ["4.0.1"], "dependencies": {}}
    for folder, into in (("resources", "package"), ("examples", "package/example")):
        for path in sorted((source / "input" / folder).glob("*.json")):
            content = json.loads(path.read_text(encoding="utf-8"))
            if content.get("resourceType") in KINDS:
                content["version"] = request["version"]
            yield f"{into}/{path.name}", content


def main(source: Path, out: Path = Path(__file__).parent) -> Path:
    """Read a package and write the short one into a folder; returns its file."""
    found: dict[str, dict[str, Any]] = {}
    examples: Counter[tuple[str, ...]] = Counter()
    for path, content in (source_files if source.is_dir() else packed_files)(source):
        folder, _, name = path.rpartition("/")
        kind = content.get("resourceType")
        if folder == "package" and (kind in KINDS or name == "package.json"):
            found[path] = slim(content) if kind else content
        elif folder == "package/example" and kind in TYPES:
            claims = tuple(content.get("meta", {}).get("profile", ()))
            examples[claims] += 1
            if claims and examples[claims] <= 2:
                if kind != "CarePlan":
                    content.pop("text", None)
                found[path] = content
    version = found["package/package.json"]["version"]
    with (
        (out / f"{version}.tgz").open("wb") as raw,
        gzip.GzipFile("", "wb", 9, raw, mtime=0) as packed,
        tarfile.open(fileobj=packed, mode="w") as archive,
    ):
        for name, content in found.items():
            text = json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()
            member = tarfile.TarInfo(name)
            member.size = len(text)
            archive.addfile(member, io.BytesIO(text))
    return out / f"{version}.tgz"


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:3]))
