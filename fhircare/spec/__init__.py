"""The standard, as read-only data: what each type may hold, which codes are allowed, which rules apply.

::

    r4 = definitions("R4")
    r4.type("Observation").kind                                   # "resource"
    r4.node("Observation.component").elements["value[x]"].names   # {"valueQuantity": TypeRef(...), ...}
    r4.value_set("http://hl7.org/fhir/ValueSet/observation-status").codes
    r4.resource_types                                             # every concrete resource type

The data are distilled from HL7's package by ``vendor`` (see ``SOURCES.md``) and read one line at a time, when
asked for. A *node* is whatever has elements of its own: a type (``HumanName``) or a backbone element
(``Observation.component``). Its id is the type's name or the element's path.
"""

from __future__ import annotations

import json
import os
from functools import cache
from typing import Any, NamedTuple

from fhircare.errors import UnknownRelease

UNBOUNDED = 1 << 30
RELEASES = {"R4": "r4", "R5": "r5"}


class TypeRef(NamedTuple):
    """One type an element may have.

    Attributes:
        code: The type's name, such as ``Reference`` or ``dateTime``.
        targets: For Reference and canonical: the allowed target types; None when any resource will do.
        profiles: Names of profiles the value must satisfy, such as ``SimpleQuantity``.
    """

    code: str
    targets: frozenset[str] | None = None
    profiles: tuple[str, ...] = ()


class Binding(NamedTuple):
    """A binding: ``strength``, and the canonicals of the value set and of the outermost one ("" for none)."""

    strength: str
    value_set: str = ""
    max_value_set: str = ""


class Constraint(NamedTuple):
    """An invariant: its key, ``error`` or ``warning``, what it says to people, and its FHIRPath."""

    key: str
    severity: str
    human: str
    expression: str


class Element(NamedTuple):
    """One element of a node.

    Attributes:
        name: As in the definition: ``status`` or ``value[x]``.
        min: 0 or 1 (or more).
        max: ``UNBOUNDED`` for ``*``.
        types: What it may be; empty when ``node`` comes from a contentReference.
        node: Id of the node that holds its children, for a backbone element or a contentReference; else "".
        binding: Its binding, or None.
        constraints: Invariants stated on the element itself (those of a backbone are on its node).
        names: The names it may have in JSON, each with its type: more than one for a choice.
        is_list: True when the JSON is an array.
        absolute: True for a uri whose definition says that it is an absolute one.
    """

    name: str
    min: int
    max: int
    types: tuple[TypeRef, ...]
    node: str
    binding: Binding | None
    constraints: tuple[Constraint, ...]
    names: dict[str, TypeRef]
    is_list: bool
    absolute: bool = False


class Node(NamedTuple):
    """What has elements: its id, the elements in order by name, and the invariants stated on it."""

    id: str
    elements: dict[str, Element]
    constraints: tuple[Constraint, ...]


class TypeDef(NamedTuple):
    """One type.

    Attributes:
        name: ``HumanName``, or the name of a quantity profile.
        kind: ``resource``, ``complex-type`` or ``primitive-type``.
        base: Name of the type it is based on, or "".
        abstract: True for the likes of ``Element``.
        regex: A primitive's lexical form as the definition gives it, or "".
        nodes: The type itself and its backbone elements, by id.
    """

    name: str
    kind: str
    base: str
    abstract: bool
    regex: str
    nodes: dict[str, Node]


class ValueSet(NamedTuple):
    """An expanded value set.

    Attributes:
        url: Its canonical, without version.
        name: What people call it.
        systems: Allowed codes by system.
        open: Systems of which any code may belong, because they cannot be held here.
        known: False for a set that the package names and does not hold.
    """

    url: str
    name: str
    systems: dict[str, tuple[str, ...]]
    open: frozenset[str]
    known: bool

    @property
    def codes(self) -> frozenset[str]:
        """Every allowed code, whatever its system: what a ``code`` element is checked with."""
        return frozenset(code for codes in self.systems.values() for code in codes)


class ExtensionDef(NamedTuple):
    """An extension that the standard defines.

    Attributes:
        url: Its canonical.
        types: The types its value may have; empty when it has parts and no value.
        value_required: True when a value must be there.
        parts: For each part's url: the types of its value (empty for any), whether it must be there, and
            whether it may repeat.
    """

    url: str
    types: frozenset[str]
    value_required: bool
    parts: dict[str, tuple[frozenset[str], bool, bool]]


class _Lines:
    """One data file: its head, and each line when it is asked for."""

    def __init__(self, folder: str, name: str) -> None:
        path = os.path.join(os.path.dirname(__file__), folder, name)  # noqa: PTH118, PTH120 - start-up time
        self.path = path
        raw: bytes = __spec__.loader.get_data(path)  # type: ignore[union-attr]
        end = raw.index(b"\n") + 1
        self.head: dict[str, Any] = json.loads(raw[:end])
        self._raw = raw
        self._start = end

    def get(self, key: str) -> Any:
        """Return the line of ``key``, or None."""
        place = self.head["index"].get(key)
        if place is None:
            return None
        start = self._start + place[0]
        return json.loads(self._raw[start : start + place[1]])


def _constraints(raw: dict[str, Any]) -> tuple[Constraint, ...]:
    return tuple(
        Constraint(key, rule["severity"], rule["human"], rule["expression"])
        for key, rule in raw.get("constraints", {}).items()
    )


def _element(name: str, raw: dict[str, Any]) -> Element:
    most = raw.get("max", "1")
    types = tuple(
        TypeRef(t)
        if isinstance(t, str)
        else TypeRef(
            t["code"], frozenset(t["targets"]) if "targets" in t else None, tuple(t.get("profiles", ()))
        )
        for t in raw.get("types", ())
    )
    if name.endswith("[x]"):
        names = {name[:-3] + t.code[0].upper() + t.code[1:]: t for t in types}
    else:
        names = {name: types[0] if types else TypeRef("BackboneElement")}
    binding = raw.get("binding")
    return Element(
        name,
        raw.get("min", 0),
        UNBOUNDED if most == "*" else int(most),
        types,
        raw.get("node", "") or raw.get("ref", ""),
        Binding(binding["strength"], binding.get("set", ""), binding.get("max", "")) if binding else None,
        _constraints(raw),
        names,
        most not in {"0", "1"},
        raw.get("absolute", False),
    )


def _extension(raw: dict[str, Any]) -> ExtensionDef:
    value = raw["value"] or {"min": 0, "types": []}
    parts = {
        url: (frozenset(part.get("value", {}).get("types", ())), part["min"] > 0, part["max"] != "1")
        for url, part in raw.get("parts", {}).items()
    }
    return ExtensionDef(raw["url"], frozenset(value["types"]), value["min"] > 0, parts)


class Definitions:
    """All definitions of one release. Look-ups are cached; what they hand out must not be changed.

    Attributes:
        release: ``R4`` or ``R5``.
        path: The file they are read from.
        about: ``package``, ``version``, ``fhir``, ``licence`` and ``sha256`` of the package behind the data.
        resource_types: Every concrete resource type.
        complex_types: Every concrete data type with elements.
        primitive_types: Every primitive type.
    """

    def __init__(self, release: str) -> None:
        self.release = release
        self._lines = _Lines(RELEASES[release], "types.jsonl")
        self.path = self._lines.path
        head = self._lines.head
        self.about = {key: head[key] for key in ("package", "version", "fhir", "licence", "sha256")}
        self.resource_types = frozenset(head["kinds"]["resource"])
        self.complex_types = frozenset(head["kinds"]["complex-type"])
        self.primitive_types = frozenset(head["kinds"]["primitive-type"])
        self._types: dict[str, TypeDef | None] = {}
        self._bases: dict[str, str] = {}
        self._sets: dict[str, ValueSet | None] = {}
        self._systems: dict[str, frozenset[str] | None] = {}
        self._codes: _Lines | None = None
        self._extensions: _Lines | None = None
        self._known_extensions: dict[str, ExtensionDef | None] = {}

    def type(self, name: str) -> TypeDef | None:
        """Return a type (or one of the quantity profiles) by name, None when the release has no such type."""
        if name not in self._types:
            raw = self._lines.get(name)
            self._types[name] = None if raw is None else self._read(raw)
        return self._types[name]

    def holds(self, name: str) -> bool:
        """Tell whether there is a type of this name, without reading it."""
        return name in self._lines.head["index"]

    def base(self, name: str) -> str:
        """Return what a type is based on, "" for nothing or no type; the type itself is not made ready."""
        if name not in self._bases:
            known = self._types.get(name)
            raw = None if known else self._lines.get(name)
            self._bases[name] = known.base if known else raw["base"] if raw else ""
        return self._bases[name]

    def type_names(self) -> list[str]:
        """Return the names of everything held, abstract types and quantity profiles included."""
        return list(self._lines.head["index"])

    def _read(self, raw: dict[str, Any]) -> TypeDef:
        nodes: dict[str, Node] = {}
        for node_id, body in raw["nodes"].items():
            rules = _constraints(body)
            base = self.type(raw["base"]) if raw["base"] and "." not in node_id else None
            if base is not None and base.name in base.nodes:
                stated = {rule.key for rule in rules}
                rules = tuple(r for r in base.nodes[base.name].constraints if r.key not in stated) + rules
            nodes[node_id] = Node(node_id, {n: _element(n, e) for n, e in body["elements"].items()}, rules)
        return TypeDef(raw["name"], raw["kind"], raw["base"], raw["abstract"], raw.get("regex", ""), nodes)

    def node(self, node_id: str) -> Node | None:
        """Return a node by id: ``HumanName`` or ``Observation.component``; None when there is none."""
        found = self.type(node_id.split(".", maxsplit=1)[0])
        return found.nodes.get(node_id) if found else None

    def _code_line(self, url: str) -> Any:
        if self._codes is None:
            self._codes = _Lines(RELEASES[self.release], "codes.jsonl")
        return self._codes.get(url.split("|", maxsplit=1)[0])

    def code_system(self, url: str) -> frozenset[str] | None:
        """Return every code of a system, or None when it is not held complete."""
        if url not in self._systems:
            raw = self._code_line(url)
            held = raw is not None and raw["kind"] == "system"
            self._systems[url] = frozenset(raw["codes"]) if held else None
        return self._systems[url]

    def extension(self, url: str) -> ExtensionDef | None:
        """Return an extension that the standard defines, by url; None for all others."""
        if url not in self._known_extensions:
            if self._extensions is None:
                self._extensions = _Lines(RELEASES[self.release], "extensions.jsonl")
            raw = self._extensions.get(url)
            self._known_extensions[url] = None if raw is None else _extension(raw)
        return self._known_extensions[url]

    def value_set(self, url: str) -> ValueSet | None:
        """Return a value set that some element is bound to, None when it is none of those."""
        if url not in self._sets:
            raw = self._code_line(url)
            if raw is None or raw["kind"] != "set":
                self._sets[url] = None
            else:
                systems = {
                    system: tuple(self._code_line(system)["codes"]) if codes == "*" else tuple(codes)
                    for system, codes in raw.get("systems", {}).items()
                }
                self._sets[url] = ValueSet(
                    url,
                    raw.get("name", ""),
                    systems,
                    frozenset(raw.get("open", ())),
                    not raw.get("unknown", False),
                )
        return self._sets[url]


@cache
def definitions(release: str = "R4") -> Definitions:
    """Return the definitions of a release.

    Raises:
        UnknownRelease: For a release whose definitions are not held.
    """
    if release not in RELEASES:
        raise UnknownRelease(f"no definitions for release {release!r}; known are {', '.join(RELEASES)}")
    return Definitions(release)
