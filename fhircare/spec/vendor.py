r"""Distils a FHIR package into the data that ships with us. Run by hand (``make spec``), imported by nobody.

::

    python -m fhircare.spec.vendor fhircare/spec/r4 hl7.fhir.r4.core-4.0.1.tgz
    python -m fhircare.spec.vendor fhircare/spec/r5 hl7.fhir.r5.core-5.0.0.tgz \
        hl7.terminology-5.1.0.tgz hl7.fhir.uv.extensions.r5-1.0.0.tgz

reads StructureDefinitions, ValueSets and CodeSystems from the packages (types from the first alone: from R5
on, HL7 keeps most code systems and extensions in packages of their own) and writes into the folder

* ``types.jsonl``: one line for each type: its nodes (the type itself and each backbone element), each with
  its elements (``min``, ``max``, ``types``, ``binding``, ``ref`` for a contentReference) and its own
  constraints;
* ``codes.jsonl``: one line for each code system that the packages hold complete, and for each value set
  that is bound to an element, expanded (``fhircare.spec.expand``).
* ``extensions.jsonl``: one line for each extension the packages define: what its value may be, or its parts.

The first line of each file names the first package, its version and SHA-256 (and ``with`` the others), and
says at which byte each line starts, so that a reader takes only the lines it needs. The same packages give
the same bytes. What is changed on the way, and why, is written in ``SOURCES.md``.
"""

from __future__ import annotations

import hashlib
import json
import re
import sys
import tarfile
from pathlib import Path
from typing import Any

from fhircare.spec.expand import Terminology

Json = dict[str, Any]

CORE = "http://hl7.org/fhir/StructureDefinition/"
FHIRPATH_TYPE = "http://hl7.org/fhirpath/"
FHIR_TYPE = CORE + "structuredefinition-fhir-type"
REGEX = CORE + "regex"
MAX_VALUE_SET = CORE + "elementdefinition-maxValueSet"
# Profiles that element definitions name where one would expect a type; they are kept beside the types.
QUANTITY_PROFILES = ("SimpleQuantity", "MoneyQuantity")
KEPT_KINDS = ("resource", "complex-type", "primitive-type")
# R5's name for what has no elements at all; nothing is of this type.
NOTHING = "Base"


def read_package(path: Path) -> dict[str, list[Json]]:
    """Return the package's resources by ``resourceType``; ``package.json`` is under ``"package"``."""
    found: dict[str, list[Json]] = {}
    with tarfile.open(path, "r:gz") as archive:
        for member in sorted(archive.getmembers(), key=lambda m: m.name):
            own = re.fullmatch(r"package/[^/.][^/]*\.json", member.name)
            stream = archive.extractfile(member) if own else None
            if stream is None:
                continue
            content = json.load(stream)
            kind = "package" if member.name == "package/package.json" else content.get("resourceType", "")
            found.setdefault(kind, []).append(content)
    return found


def _extension(element: Json, url: str) -> Any:
    """Return the value of the element's extension ``url``, or None."""
    for extension in element.get("extension", ()):
        if extension.get("url") == url:
            return next((value for key, value in extension.items() if key.startswith("value")), None)
    return None


def _name(url: str) -> str:
    """Return the last part of a definition's canonical: the type's name."""
    return url.split("|", maxsplit=1)[0].rsplit("/", maxsplit=1)[-1]


def _types(element: Json) -> list[Json | str]:
    """Return an element's types; a bare string where nothing but the name is said."""
    found: list[Json | str] = []
    for kind in element.get("type", ()):
        code: str = kind["code"]
        if code.startswith(FHIRPATH_TYPE):
            # Elements that are XML attributes: the real type is in an extension. 4.0.1 says `string` for the
            # id of a resource, whose own page says `id`.
            is_resource_id = element["base"]["path"] == "Resource.id"
            code = "id" if is_resource_id else (_extension(kind, FHIR_TYPE) or "string")
        entry: Json = {"code": code}
        targets = sorted({_name(url) for url in kind.get("targetProfile", ())})
        if targets and "Resource" not in targets:
            entry["targets"] = targets
        if kind.get("profile"):
            entry["profiles"] = sorted(_name(url) for url in kind["profile"])
        found.append(entry if len(entry) > 1 else code)
    return found


def _binding(element: Json) -> Json | None:
    """Return the binding: ``strength``, ``set`` and, where one is given, ``max``: the outermost set."""
    binding = element.get("binding")
    if not binding:
        return None
    entry: Json = {"strength": binding["strength"]}
    if "valueSet" in binding:
        entry["set"] = binding["valueSet"].split("|")[0]
    outermost = _extension(binding, MAX_VALUE_SET)
    if outermost:
        entry["max"] = outermost.split("|")[0]
    return entry


def _constraints(element: Json, said_elsewhere: set[str]) -> dict[str, Json]:
    """Return the constraints that this element is the first to state."""
    return {
        rule["key"]: {
            "severity": rule["severity"],
            "human": " ".join(rule["human"].split()),
            "expression": rule.get("expression", ""),
        }
        for rule in element.get("constraint", ())
        if rule.get("source", "") not in said_elsewhere
    }


def _element(element: Json, said_elsewhere: set[str]) -> Json:
    """Return one element, with what has its usual value (0..1, no binding) left out."""
    entry: Json = {}
    if element["min"]:
        entry["min"] = element["min"]
    if element["max"] != "1":
        entry["max"] = element["max"]
    types = _types(element)
    if types:
        entry["types"] = types
    if "uri" in types and element.get("definition", "").startswith("An absolute UR"):
        entry["absolute"] = True
    if "contentReference" in element:
        entry["ref"] = element["contentReference"].rsplit("#", maxsplit=1)[-1]
    binding = _binding(element)
    if binding:
        entry["binding"] = binding
    rules = _constraints(element, said_elsewhere)
    if rules:
        entry["constraints"] = rules
    return entry


def distil_type(definition: Json, ancestors: set[str]) -> Json:
    """Return one type as a line of ``types.jsonl``.

    Args:
        definition: A StructureDefinition with a snapshot.
        ancestors: The canonicals of everything it is based on; a constraint they state is not said again.
    """
    name, base = _name(definition["url"]), _name(definition.get("baseDefinition", ""))
    elements = definition["snapshot"]["element"]
    parents = {e["path"].rsplit(".", maxsplit=1)[0] for e in elements if "." in e["path"]}
    line: Json = {
        "name": name,
        "kind": definition["kind"],
        "base": "" if base == NOTHING else base,
        "abstract": definition["abstract"],
    }
    if definition.get("derivation") == "constraint":
        line["profile_of"] = definition["type"]
    nodes: dict[str, Json] = {}
    for element in elements:
        path: str = element["path"]
        is_primitive_value = line["kind"] == "primitive-type" and path == definition["type"] + ".value"
        if is_primitive_value or "sliceName" in element:
            pattern = next((p for t in element.get("type", ()) if (p := _extension(t, REGEX))), None)
            if pattern:
                line["regex"] = pattern
            continue
        here = {CORE + t["code"] for t in element.get("type", ())}
        elsewhere = ancestors | here | {CORE + "Element"}
        if path in parents:
            node = nodes.setdefault(path, {"elements": {}})
            rules = _constraints(element, elsewhere)
            if rules:
                node["constraints"] = rules
        if "." in path:
            parent, own = path.rsplit(".", maxsplit=1)
            entry = _element(element, elsewhere)
            if path in parents:
                entry.pop("constraints", None)
                entry["node"] = path
            nodes[parent]["elements"][own] = entry
    line["nodes"] = nodes
    # Element itself is the one place where ele-1 is stated.
    if name == "Element":
        nodes["Element"]["constraints"] = _constraints(elements[0], set())
    return line


def distil_types(definitions: list[Json]) -> dict[str, Json]:
    """Return every type of the release, abstract ones included, by name."""
    by_url = {d["url"]: d for d in definitions}
    lines: dict[str, Json] = {}
    for definition in definitions:
        is_type = definition.get("derivation") != "constraint" and definition["kind"] in KEPT_KINDS
        if not is_type and _name(definition["url"]) not in QUANTITY_PROFILES:
            continue
        if definition["type"] == NOTHING:
            continue
        ancestors: set[str] = set()
        base = definition.get("baseDefinition")
        while base:
            ancestors.add(base)
            base = by_url[base].get("baseDefinition") if base in by_url else None
        line = distil_type(definition, ancestors)
        lines[line["name"]] = line
    return lines


def _fixed_url(elements: list[Json], url_id: str) -> str:
    """Return the url that the element ``url_id`` is fixed to, or ""."""
    return next((str(e["fixedUri"]) for e in elements if e["id"] == url_id and "fixedUri" in e), "")


def _extension_value(elements: list[Json], value_id: str) -> Json | None:
    """Return what an extension's value may be, None when it has none: ``min`` and ``types``."""
    for element in elements:
        if element["id"] == value_id and element["max"] != "0":
            return {"min": element["min"], "types": [kind["code"] for kind in element.get("type", ())]}
    return None


def distil_extensions(definitions: list[Json]) -> dict[str, Json]:
    """Return what each extension the package defines may hold, by url: its ``value``, or its ``parts``."""
    lines: dict[str, Json] = {}
    for definition in definitions:
        if definition["type"] != "Extension" or definition.get("derivation") != "constraint":
            continue
        elements = definition["snapshot"]["element"]
        line: Json = {"url": definition["url"], "value": _extension_value(elements, "Extension.value[x]")}
        parts: dict[str, Json] = {}
        for element in elements:
            if element["path"] == "Extension.extension" and "sliceName" in element:
                own = element["id"]
                url = _fixed_url(elements, f"{own}.url") or element["sliceName"]
                nested = any(e["id"].startswith(f"{own}.extension:") for e in elements)
                value = _extension_value(elements, f"{own}.value[x]")
                parts[url] = {"min": element["min"], "max": element["max"]}
                if value is not None and not nested:
                    parts[url]["value"] = value
        if parts:
            line["parts"] = parts
        lines[definition["url"]] = line
    return lines


def bound_value_sets(lines: dict[str, Json]) -> list[str]:
    """Return the canonicals of all value sets that a binding stronger than ``example`` names, sorted."""
    found: set[str] = set()
    for line in lines.values():
        for node in line["nodes"].values():
            for element in node["elements"].values():
                binding = element.get("binding", {})
                if binding.get("strength") in {"required", "extensible", "preferred"} and "set" in binding:
                    found.add(binding["set"])
                if "max" in binding:
                    found.add(binding["max"])
    return sorted(found)


def write_lines(path: Path, about: Json, lines: dict[str, Json]) -> None:
    """Write one file: a first line with its origin and where each line starts, then the lines, sorted."""
    bodies = [
        (key, json.dumps(lines[key], ensure_ascii=False, separators=(",", ":"))) for key in sorted(lines)
    ]
    index: dict[str, list[int]] = {}
    start = 0
    encoded = []
    for key, body in bodies:
        raw = body.encode() + b"\n"
        index[key] = [start, len(raw)]
        start += len(raw)
        encoded.append(raw)
    head = json.dumps({**about, "index": index}, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
    path.write_bytes(head + b"".join(encoded))


def _manifest(package: Path, content: dict[str, list[Json]]) -> Json:
    """Return where a package comes from: its name, version, FHIR release, licence and hash."""
    manifest = content["package"][0]
    return {
        "package": manifest["name"],
        "version": manifest["version"],
        "fhir": (manifest.get("fhirVersions") or manifest.get("fhir-version-list") or [""])[0],
        "licence": manifest.get("license", ""),
        "sha256": hashlib.sha256(package.read_bytes()).hexdigest(),
    }


def distil(out: Path, packages: list[Path]) -> list[Path]:
    """Read packages and write the data files into ``out``; returns their paths.

    Args:
        out: The folder of a release.
        packages: The release's core package, then those with more code systems, value sets and extensions;
            what an earlier one holds is not taken from a later one.
    """
    contents = [read_package(package) for package in packages]
    about, *others = [_manifest(p, c) for p, c in zip(packages, contents, strict=True)]
    if others:
        about["with"] = others
    out.mkdir(parents=True, exist_ok=True)
    types = distil_types(contents[0]["StructureDefinition"])
    kinds: dict[str, list[str]] = {kind: [] for kind in KEPT_KINDS}
    for name in sorted(types):
        if not types[name]["abstract"] and "profile_of" not in types[name]:
            kinds[str(types[name]["kind"])].append(name)
    terminology = Terminology(_all(contents, "CodeSystem"), _all(contents, "ValueSet"))
    codes = terminology.systems_as_lines()
    for url in bound_value_sets(types):
        codes[url] = terminology.set_as_line(url)
    written = [out / "types.jsonl", out / "codes.jsonl", out / "extensions.jsonl"]
    write_lines(written[0], {**about, "kinds": kinds}, types)
    write_lines(written[1], about, codes)
    write_lines(written[2], about, distil_extensions(_all(contents, "StructureDefinition")))
    return written


def _all(contents: list[dict[str, list[Json]]], kind: str) -> list[Json]:
    """Return the resources of a kind, those of the first package that has them."""
    found: dict[str, Json] = {}
    for content in reversed(contents):
        found |= {resource["url"]: resource for resource in content.get(kind, ())}
    return list(found.values())


if __name__ == "__main__":
    if len(sys.argv) < 3:
        sys.exit("usage: python -m fhircare.spec.vendor OUT CORE.tgz [MORE.tgz ...]")
    for made in distil(Path(sys.argv[1]), [Path(name) for name in sys.argv[2:]]):
        sys.stdout.write(f"{made} {made.stat().st_size} bytes\n")
