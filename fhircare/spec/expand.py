"""Expands value sets from the code systems of a package, as far as they can be expanded.

A value set may draw on systems that no package holds (SNOMED CT, LOINC, BCP 47). Its expansion therefore
has two
parts: ``systems`` with every allowed code, and ``open``: systems of which any code may belong. Only
``vendor`` uses this.

Rules: https://hl7.org/fhir/R4/valueset.html#compositions and https://hl7.org/fhir/R4/codesystem.html#filters.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

Json = dict[str, Any]
Codes = dict[str, set[str]]


class _System:
    """One code system: its codes, who stands under whom, and their properties."""

    def __init__(self, resource: Json) -> None:
        self.complete = resource.get("content") == "complete"
        self.insensitive = resource.get("caseSensitive") is False
        self.codes: dict[str, Json] = {}
        self.parents: dict[str, set[str]] = {}
        for code, concept, parent in self._walk(resource.get("concept", []), None):
            self.codes[code] = concept
            above = self.parents.setdefault(code, set())
            if parent:
                above.add(parent)
            for prop in concept.get("property", ()):
                if prop.get("code") in {"subsumedBy", "parent"} and "valueCode" in prop:
                    above.add(prop["valueCode"])

    def _walk(self, concepts: list[Json], parent: str | None) -> Iterator[tuple[str, Json, str | None]]:
        for concept in concepts:
            yield concept["code"], concept, parent
            yield from self._walk(concept.get("concept", []), concept["code"])

    def ancestors(self, code: str) -> set[str]:
        """Return everything above ``code``."""
        found: set[str] = set()
        waiting = list(self.parents.get(code, ()))
        while waiting:
            above = waiting.pop()
            if above not in found:
                found.add(above)
                waiting.extend(self.parents.get(above, ()))
        return found

    def select(self, rule: Json) -> set[str] | None:
        """Return the codes a filter lets through, or None when the filter is one we cannot evaluate."""
        op, prop, value = rule["op"], rule["property"], rule["value"]
        if op == "is-a":
            return {c for c in self.codes if c == value or value in self.ancestors(c)}
        if op == "descendent-of":
            return {c for c in self.codes if value in self.ancestors(c)}
        if op == "is-not-a":
            return {c for c in self.codes if c != value and value not in self.ancestors(c)}
        if op == "regex" and prop == "code":
            return {c for c in self.codes if re.fullmatch(value, c)}
        if op == "=" and prop == "parent":
            return {c for c, above in self.parents.items() if value in above}
        if op in {"=", "in"}:
            wanted = set(value.split(",")) if op == "in" else {value}
            return {c for c, concept in self.codes.items() if wanted & self._property(concept, prop)}
        return None

    @staticmethod
    def _property(concept: Json, name: str) -> set[str]:
        """Return the values a concept has for a property, as text."""
        return {
            str(value)
            for prop in concept.get("property", ())
            if prop.get("code") == name
            for key, value in prop.items()
            if key.startswith("value")
        }


class Terminology:
    """All code systems and value sets of one package."""

    def __init__(self, systems: list[Json], sets: list[Json]) -> None:
        self._systems = {s["url"]: _System(s) for s in systems}
        self._sets = {s["url"]: s for s in sets}

    def systems_as_lines(self) -> dict[str, Json]:
        """Return every complete code system as a line: ``{"url": ..., "kind": "system", "codes": [...]}``."""
        lines: dict[str, Json] = {}
        for url, system in self._systems.items():
            if system.complete and system.codes:
                lines[url] = {"url": url, "kind": "system", "codes": list(system.codes)}
                if system.insensitive:
                    lines[url]["insensitive"] = True
        return lines

    def set_as_line(self, url: str) -> Json:
        """Return a value set as a line: ``systems`` (lists of codes, ``"*"`` for all of one) and ``open``."""
        line: Json = {"url": url, "kind": "set"}
        expansion = self.expand(url)
        if expansion is None:
            return {**line, "unknown": True}
        closed, unbounded = expansion
        line["name"] = self._sets[url].get("title") or self._sets[url].get("name", "")
        line["systems"] = {
            system: "*" if self._is_whole(system, codes) else self._in_order(system, codes)
            for system, codes in sorted(closed.items())
        }
        if unbounded:
            line["open"] = sorted(unbounded)
        return line

    def _is_whole(self, url: str, codes: set[str]) -> bool:
        system = self._systems.get(url)
        return system is not None and system.complete and codes == set(system.codes)

    def _in_order(self, url: str, codes: set[str]) -> list[str]:
        """Return codes in the order of their system, then by name."""
        order = {c: i for i, c in enumerate(self._systems[url].codes)} if url in self._systems else {}
        return sorted(codes, key=lambda c: (order.get(c, len(order)), c))

    def expand(self, url: str) -> tuple[Codes, set[str]] | None:
        """Return (codes by system, open systems), or None for a set the package lacks."""
        resource = self._sets.get(url.split("|", maxsplit=1)[0])
        if resource is None:
            return None
        compose = resource.get("compose", {})
        closed: Codes = {}
        unbounded: set[str] = set()
        for part in compose.get("include", ()):
            codes, free = self._part(part)
            for system, found in codes.items():
                closed.setdefault(system, set()).update(found)
            unbounded |= free
        for part in compose.get("exclude", ()):
            codes, _ = self._part(part)
            for system, found in codes.items():
                if system in closed:
                    closed[system] -= found
        return {s: c for s, c in closed.items() if s not in unbounded}, unbounded

    def _part(self, part: Json) -> tuple[Codes, set[str]]:
        """Expand one include or exclude: its own system, cut with each value set it names."""
        known = [self.expand(url) for url in part.get("valueSet", ())]
        results = [expansion for expansion in known if expansion is not None]
        if "system" in part:
            # A set that is not held here cuts nothing away: every code of the system may be in it.
            results.append(self._from_system(part))
        elif not results:
            results.append(({}, set(part["valueSet"])))
        closed, unbounded = results[0]
        for codes, free in results[1:]:
            closed, unbounded = _both(closed, unbounded, codes, free)
        return closed, unbounded

    def _from_system(self, part: Json) -> tuple[Codes, set[str]]:
        url: str = part["system"]
        if "concept" in part:
            return {url: {c["code"] for c in part["concept"]}}, set()
        system = self._systems.get(url)
        if system is None or not system.complete:
            return {}, {url}
        codes = set(system.codes)
        for rule in part.get("filter", ()):
            chosen = system.select(rule)
            if chosen is None:
                return {}, {url}
            codes &= chosen
        return {url: codes}, set()


def _both(closed: Codes, free: set[str], other: Codes, other_free: set[str]) -> tuple[Codes, set[str]]:
    """Return what belongs to both expansions."""
    codes: Codes = {}
    for system in set(closed) | set(other):
        mine, yours = closed.get(system), other.get(system)
        if mine is not None and yours is not None:
            codes[system] = mine & yours
        elif mine is not None and system in other_free:
            codes[system] = mine
        elif yours is not None and system in free:
            codes[system] = yours
    return codes, free & other_free
