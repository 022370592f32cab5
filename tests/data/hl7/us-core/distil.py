"""Rebuild ``profiles.json.gz``: ``python distil.py hl7.fhir.us.core-*.tgz > profiles.json.gz``.

Kept of each profile that a bundle may claim: its elements' path, slice, cardinality, fixed and pattern
values, required bindings with the codes of their value sets, and invariants. Nothing is changed in what is
kept.
"""

from __future__ import annotations

import gzip
import io
import json
import sys
import tarfile
from typing import Any

CLAIMED = (
    "patient", "practitioner", "practitionerrole", "organization", "relatedperson", "careteam", "goal",
    "careplan", "condition-problems-health-concerns", "servicerequest", "simple-observation", "body-weight",
    "provenance", "documentreference",
)  # fmt: skip
_KEPT = ("id", "path", "sliceName", "min", "max", "slicing")


def _element(element: dict[str, Any], sets: dict[str, Any]) -> dict[str, Any]:
    kept = {name: element[name] for name in _KEPT if name in element}
    kept |= {name: value for name, value in element.items() if name.startswith(("fixed", "pattern"))}
    binding = element.get("binding", {})
    if (
        binding.get("strength") == "required"
        and (url := binding.get("valueSet", "").partition("|")[0]) in sets
    ):
        kept["codes"] = _codes(sets[url], sets)
    rules = [
        {name: rule[name] for name in ("key", "severity", "expression")}
        for rule in element.get("constraint", ())
        if rule["key"].startswith(("us-core", "pd-", "provenance"))
    ]
    return kept | ({"rules": rules} if rules else {})


def _codes(value_set: dict[str, Any], sets: dict[str, Any]) -> list[list[str]] | None:
    """Return [system, code] pairs, None when a whole system or a filter is included."""
    found: list[list[str]] = []
    for part in value_set.get("compose", {}).get("include", ()):
        if part.get("filter") or not (part.get("concept") or part.get("valueSet")):
            return None
        found += [[part["system"], concept["code"]] for concept in part.get("concept", ())]
        for url in part.get("valueSet", ()):
            inner = _codes(sets[url], sets) if url in sets else None
            if inner is None:
                return None
            found += inner
    return found


def main() -> None:
    """Write the profiles of all packages, by version and name."""
    told: dict[str, dict[str, Any]] = {}
    for path in sys.argv[1:]:
        with tarfile.open(path) as package:
            held = {
                member.name.rpartition("/")[2]: json.load(package.extractfile(member))  # type: ignore[arg-type]
                for member in package.getmembers()
                if (member.name.endswith(".json") and "/StructureDefinition-us-core" in member.name)
                or "/ValueSet-" in member.name
            }
        sets = {one["url"]: one for name, one in held.items() if name.startswith("ValueSet-")}
        for name in CLAIMED:
            profile = held.get(f"StructureDefinition-us-core-{name}.json")
            if profile:
                elements = [_element(one, sets) for one in profile["snapshot"]["element"]]
                told.setdefault(profile["version"], {})[name] = elements
    buffer = io.BytesIO()
    with gzip.GzipFile(fileobj=buffer, mode="wb", mtime=0) as out:
        out.write(json.dumps(told, separators=(",", ":")).encode())
    sys.stdout.buffer.write(buffer.getvalue())


if __name__ == "__main__":
    main()
