"""A profile while it is being read: a tree of drafts, filled from a snapshot or from differentials in turn.

``read`` fills the tree. Of a StructureDefinition with a snapshot, the snapshot is taken. Of one without, the
tree of its base definition is made first, and its differential laid over it; that is the same as making the
snapshot, less what the base *type* says: nothing of that is copied, because the base check asks it.

https://hl7.org/fhir/R4/profiling.html#snapshot and elementdefinition.html#id.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.spec import Definitions, Element

Json = dict[str, Any]

FHIRPATH_TYPE = "http://hl7.org/fhirpath/"
CORE = "http://hl7.org/fhir/StructureDefinition/"
ADDITIONAL = "http://hl7.org/fhir/tools/StructureDefinition/additional-binding"
"""R4's way to say R5's ElementDefinition.binding.additional."""


class Unbuildable(Exception):  # noqa: N818 - what it says is told as a finding
    """A profile that cannot be made ready; says why."""


class Draft:
    """One element, or one slice of it, as far as it has been read.

    Attributes:
        name: The element's name in the definition, ``value[x]``; the type's name for the root.
        element: The base type's element; None for the root.
        context: Where the children's definitions are: a type or the id of a backbone element; "" unknown.
        told: What the profile says of it: ``min``, ``max``, ``type``, ``fixed``, ``pattern``, ``low``,
            ``high``, ``maxLength``, ``binding``.
        rules: Its invariants by key.
        children: Drafts of what is in it, by name.
        slicing: As the profile says it, or None.
        slices: Drafts of its slices, by name.
    """

    __slots__ = ("children", "context", "element", "name", "rules", "slices", "slicing", "told")

    def __init__(self, name: str, element: Element | None, context: str) -> None:
        self.name, self.element, self.context = name, element, context
        self.told: Json = {}
        self.rules: dict[str, Json] = {}
        self.children: dict[str, Draft] = {}
        self.slicing: Json | None = None
        self.slices: dict[str, Draft] = {}

    def types(self) -> list[Json]:
        """Return the types the profile names for it."""
        found: list[Json] = self.told.get("type", [])
        return found

    def codes(self) -> list[str]:
        """Return the names of the types it may have: the profile's, or else the base type's."""
        if self.types():
            return [kind.get("code", "") for kind in self.types()]
        return [one.code for one in self.element.types] if self.element else []

    def profiles(self) -> list[str]:
        """Return the canonicals of the profiles its types name."""
        return [url for kind in self.types() for url in kind.get("profile", ())]

    def targets(self) -> list[str]:
        """Return the canonicals its references may aim at."""
        return [url for kind in self.types() for url in kind.get("targetProfile", ())]


class Reader:
    """Reads StructureDefinitions of one release into drafts.

    Attributes:
        definitions: The release's base types.
        find: Returns a StructureDefinition by canonical, or None.
    """

    def __init__(self, definitions: Definitions, find: Callable[[str], Json | None]) -> None:
        self.definitions, self.find = definitions, find
        self._deep = 0

    def read(self, definition: Json) -> Draft:
        """Return the draft of a profile's root.

        Raises:
            Unbuildable: When a definition it is based on is not known, or an element has no place.
        """
        if self._deep > 30:
            raise Unbuildable("its base definitions go round in a circle")
        snapshot = (definition.get("snapshot") or {}).get("element")
        kind = str(definition.get("type", ""))
        if self.definitions.type(kind) is None:
            raise Unbuildable(f"its type {kind} is not one of this release")
        if snapshot:
            root = Draft(kind, None, kind)
            self._lay(root, snapshot)
            return root
        root = self._base(definition, kind)
        self._lay(root, (definition.get("differential") or {}).get("element") or [])
        return root

    def _base(self, definition: Json, kind: str) -> Draft:
        base = str(definition.get("baseDefinition", ""))
        if not base or base.split("|", maxsplit=1)[0] == CORE + kind:
            return Draft(kind, None, kind)
        found = self.find(base)
        if found is None:
            name = base.removeprefix(CORE)
            if base.startswith(CORE) and self.definitions.type(name) is not None:
                return Draft(kind, None, kind)
            raise Unbuildable(f"its base definition {base} is not held")
        self._deep += 1
        try:
            return self.read(found)
        finally:
            self._deep -= 1

    def _lay(self, root: Draft, elements: list[Json]) -> None:
        """Lay elements over a tree, in their order."""
        places: dict[str, str] = {}
        named = all(_has_id(element) for element in elements)  # as in all that is published today
        for element in elements:
            self._tell(self._place(root, element["id"] if named else _id_of(element, places)), element)

    def _place(self, root: Draft, element_id: str) -> Draft:
        """Return the draft an element is about, made now when it is not there yet."""
        here = root
        for step in element_id.split(".")[1:]:
            name, _, slice_name = step.partition(":")
            here = self._child(here, name, element_id)
            if here.element is not None and name != here.name and not slice_name:
                slice_name = name  # valueQuantity: a slice of value[x] by type
                _narrow(here, name)
            if slice_name:
                here = self._slice(here, slice_name)
        return here

    def _child(self, parent: Draft, name: str, element_id: str) -> Draft:
        held = parent.children.get(name)
        if held is not None:
            return held
        for context in [parent.context] if parent.context else _contexts(parent):
            node = self.definitions.node(context)
            for element in node.elements.values() if node else ():
                if element.name == name or name in element.names:
                    found = parent.children.get(element.name)
                    if found is None:
                        found = Draft(element.name, element, _context(element))
                        parent.children[element.name] = found
                    return found
        if name == "value" and parent.context in self.definitions.primitive_types:
            return Draft(name, None, "")  # the primitive's own value: an attribute in XML, no element in JSON
        raise Unbuildable(f"its element {element_id} is none of the base type's")

    @staticmethod
    def _slice(parent: Draft, name: str) -> Draft:
        """Return a slice; of a slice's slice (``a/b``) the inner one."""
        here = parent
        whole = ""
        for part in name.split("/"):
            whole = f"{whole}/{part}" if whole else part
            found = here.slices.get(whole)
            if found is None:
                found = Draft(parent.name, parent.element, parent.context)
                one = _one_type(parent, part)
                if one:
                    found.context = one
                    found.told["type"] = [{"code": one}]
                here.slices[whole] = found
            here = found
        return here

    def _tell(self, draft: Draft, element: Json) -> None:
        """Write down what an element of the profile says."""
        told = draft.told
        for key in ("min", "max", "maxLength"):
            if key in element:
                told[key] = element[key]
        if "binding" in element:
            told["binding"] = _bound(told.get("binding", {}), element["binding"])
        for key, value in element.items():
            for start, into in (
                ("fixed", "fixed"),
                ("pattern", "pattern"),
                ("minValue", "low"),
                ("maxValue", "high"),
            ):
                if key.startswith(start) and key[len(start) : len(start) + 1].isupper():
                    told[into] = value
        if element.get("type"):
            told["type"] = element["type"]
            codes = {_plain(kind.get("code", "")) for kind in element["type"]}
            if len(codes) == 1 and draft.element is not None and not draft.element.node:
                draft.context = codes.pop()
        if "slicing" in element:
            draft.slicing = {**(draft.slicing or {}), **element["slicing"]}
        for rule in element.get("constraint", ()):
            draft.rules[rule["key"]] = rule


def _bound(before: Json, binding: Json) -> Json:
    """Return a binding laid over the one before it; additional bindings come on top of those before."""
    told = before | binding
    held = [one for one in before.get("extension") or () if one.get("url") == ADDITIONAL]
    olds: tuple[tuple[str, list[Json]], ...] = (
        ("extension", held),
        ("additional", list(before.get("additional") or ())),
    )
    for key, old in olds:
        if old and key in binding:
            new: list[Json] = binding[key]
            told[key] = [*new, *(one for one in old if one not in new)]
    return told


def _plain(code: str) -> str:
    return "string" if code.startswith(FHIRPATH_TYPE) else code


def _context(element: Element) -> str:
    if element.node:
        return element.node
    codes = {kind.code for kind in element.types}
    return codes.pop() if len(codes) == 1 else ""


def _contexts(draft: Draft) -> list[str]:
    """Return where the children of an element of several types may be defined."""
    return [_plain(code) for code in draft.codes()]


def _narrow(draft: Draft, name: str) -> None:
    """Allow a choice the type that an element is named after, and others so named only.

    Where the choice is sliced already, its types stay as they are: so do HL7's snapshots.
    """
    if draft.slicing is None and draft.element is not None:
        code = draft.element.names[name].code
        named = draft.told.setdefault("named", [])
        if code not in named:
            named.append(code)
            draft.told["type"] = [{"code": one} for one in named]


def _one_type(parent: Draft, name: str) -> str:
    """Return the type that the name of a choice's slice says (``valueQuantity``), "" when it says none."""
    if parent.element is None or not parent.element.name.endswith("[x]"):
        return ""
    found = parent.element.names.get(name)
    return found.code if found else ""


def _has_id(element: Json) -> bool:
    found = element.get("id")
    return isinstance(found, str) and ("." in found or "." not in element["path"])


def _id_of(element: Json, places: dict[str, str]) -> str:
    """Return the id of an element, made from path and slice name where it has none.

    Args:
        element: The element.
        places: For each path met so far: the id it has now; kept up to date.
    """
    path: str = element["path"]
    found: str = element.get("id", "")
    if not _has_id(element):
        parent, _, last = path.rpartition(".")
        found = f"{places.get(parent, parent)}.{last}" if parent else last
        if "sliceName" in element:
            found += f":{element['sliceName']}"
    places[path] = found
    for other in [one for one in places if one.startswith(f"{path}.")]:
        del places[other]
    return found
