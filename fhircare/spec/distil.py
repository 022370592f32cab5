"""Distils packages of profiles into the compact form that ships with us. Run by hand, imported by nobody.

::

    python -m fhircare.spec.distil hl7.fhir.r4.core-4.0.1.tgz hl7.fhir.us.core-8.0.0.tgz fhircare/spec/us_core
    python -m fhircare.spec.distil hl7.fhir.r4.core-4.0.1.tgz - fhircare/spec/r4_profiles

writes ``profiles.jsonl``, one line for each StructureDefinition, and ``codes.jsonl``, one for each code
system that the package holds complete and each value set that one of its profiles binds, expanded
(``fhircare.spec.expand``). With ``-`` it takes the profiles on resources and data types that the core
definitions hold themselves (vital signs, ...); their extensions are in ``r4/extensions.jsonl``.

Of a StructureDefinition is kept what a check can ask: no texts for people but those of its invariants, no
mappings, and none of the elements and constraints that say only what the base type says.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path
from typing import Any

from fhircare.spec.expand import Terminology
from fhircare.spec.vendor import read_package, write_lines

Json = dict[str, Any]

HEAD = (
    "resourceType",
    "url",
    "version",
    "name",
    "title",
    "type",
    "kind",
    "derivation",
    "baseDefinition",
    "context",
    "contextInvariant",
)
ELEMENT = ("id", "path", "sliceName", "slicing", "min", "max", "contentReference", "maxLength")
VALUES = ("fixed", "pattern", "minValue", "maxValue")
CORE = "http://hl7.org/fhir/StructureDefinition/"
_SLICING = ("discriminator", "ordered", "rules")
_TYPE = ("code", "profile", "targetProfile")
_BINDING_EXTENSIONS = (
    CORE + "elementdefinition-maxValueSet",
    "http://hl7.org/fhir/tools/StructureDefinition/additional-binding",
)
_TEXTS = frozenset({"documentation", "shortDoco"})


class Core:
    """The types of the release: what they state is asked by the check of the base."""

    def __init__(self, definitions: list[Json]) -> None:
        types = [d for d in definitions if d.get("derivation") != "constraint"]
        self.urls = {d["url"] for d in types}
        self._elements = {e["path"]: e for d in types for e in d["snapshot"]["element"]}

    def says(self, kept: Json, element: Json) -> bool:
        """Tell whether an element of a profile says no more than that of the base type."""
        if ":" in element["id"] or "." not in element["id"]:
            return False
        base = self._elements.get(element["base"]["path"])
        if base is None or any(key.startswith(VALUES) or key == "maxLength" for key in kept):
            return False
        shorn = _element(base, self.urls)
        return all(kept.get(key) == shorn.get(key) for key in ("min", "max", "type", "binding", "constraint"))


def compact(definition: Json, core: Core) -> Json:
    """Return a StructureDefinition with only what a check can ask.

    Args:
        definition: As published, with a snapshot.
        core: The types of the release.
    """
    line = {key: definition[key] for key in HEAD if key in definition}
    elements = definition["snapshot"]["element"]
    sliced = {e["id"].rpartition(":")[0] for e in elements if "sliceName" in e}
    kept = []
    for element in elements:
        one = _element(element, core.urls)
        if element["id"] not in sliced:
            one.pop("slicing", None)
            if core.says(one, element):
                continue
        kept.append(one)
    line["snapshot"] = {"element": kept}
    return line


def _element(element: Json, core: set[str]) -> Json:
    kept = {key: value for key, value in element.items() if key in ELEMENT or key.startswith(VALUES)}
    if "slicing" in kept:
        kept["slicing"] = {key: value for key, value in kept["slicing"].items() if key in _SLICING}
    kinds = [{key: kind[key] for key in _TYPE if key in kind} for kind in element.get("type", ())]
    if kinds:
        kept["type"] = kinds
    binding = element.get("binding")
    if binding and binding["strength"] != "example":
        kept["binding"] = {key: binding[key] for key in ("strength", "valueSet") if key in binding}
        told = [
            {k: [p for p in v if p.get("url") not in _TEXTS] if k == "extension" else v for k, v in e.items()}
            for e in binding.get("extension", ())
            if e.get("url") in _BINDING_EXTENSIONS
        ]
        if told:
            kept["binding"]["extension"] = told
    rules = [
        {
            key: " ".join(rule[key].split()) if key == "human" else rule[key]
            for key in ("key", "severity", "human", "expression", "source")
            if key in rule
        }
        for rule in element.get("constraint", ())
        if rule.get("source", "") not in core
    ]
    if rules:
        kept["constraint"] = rules
    return kept


def value_sets(lines: dict[str, Json]) -> list[str]:
    """Return the canonicals, without version, of every value set that a profile binds, sorted."""
    found: set[str] = set()
    for line in lines.values():
        for element in line["snapshot"]["element"]:
            binding = element.get("binding", {})
            told = [binding.get("valueSet", "")]
            for one in binding.get("extension", ()):
                told += [part.get("valueCanonical", "") for part in (one, *one.get("extension", ()))]
            found.update(one.split("|", maxsplit=1)[0] for one in told if one)
    return sorted(found)


def distil(core_package: Path, package: Path | None, out: Path) -> list[Path]:
    """Read a package (None for the core definitions' own profiles) and write its data files; returns them."""
    core = read_package(core_package)
    content = read_package(package) if package else core
    manifest = content["package"][0]
    types = Core(core["StructureDefinition"])
    definitions = [
        d
        for d in content["StructureDefinition"]
        if d.get("derivation") == "constraint" and "snapshot" in d and (package or d["type"] != "Extension")
    ]
    lines = {d["url"]: compact(d, types) for d in definitions}
    terminology = Terminology(
        [*core.get("CodeSystem", ()), *(content.get("CodeSystem", ()) if package else ())],
        [*core.get("ValueSet", ()), *(content.get("ValueSet", ()) if package else ())],
    )
    held = {s["url"] for s in content.get("CodeSystem", ())} if package else set()
    codes = {url: line for url, line in terminology.systems_as_lines().items() if url in held}
    for url in value_sets(lines):
        codes[url] = terminology.set_as_line(url)
    about = {
        "package": manifest["name"],
        "version": manifest["version"],
        "fhir": (manifest.get("fhirVersions") or manifest.get("fhir-version-list") or [""])[0],
        "licence": manifest.get("license", ""),
        "sha256": hashlib.sha256((package or core_package).read_bytes()).hexdigest(),
    }
    out.mkdir(parents=True, exist_ok=True)
    written = [out / "profiles.jsonl", out / "codes.jsonl"]
    write_lines(written[0], about, lines)
    write_lines(written[1], about, codes)
    return written


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit("usage: python -m fhircare.spec.distil CORE.tgz PACKAGE.tgz|- OUT")
    given = None if sys.argv[2] == "-" else Path(sys.argv[2])
    for made in distil(Path(sys.argv[1]), given, Path(sys.argv[3])):
        sys.stdout.write(f"{made} {made.stat().st_size} bytes\n")
