"""From drafts to the tree that is checked with: without what the base type asks, slices with their tests."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.primitives import SOUND
from fhircare.check.profiles.discriminators import tests_of
from fhircare.check.profiles.draft import ADDITIONAL, CORE, FHIRPATH_TYPE, Draft, Reader, Unbuildable
from fhircare.check.profiles.tree import Also, Node, Profile, Rule, Slice, Slicing

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from fhircare.spec import Definitions

Json = dict[str, Any]

MAX_VALUE_SET = CORE + "elementdefinition-maxValueSet"
TOLD = frozenset({"required", "extensible", "preferred"})
# https://hl7.org/fhir/R5/valueset-additional-binding-purpose.html: what a purpose asks of a resource. Others
# ask nothing of it: minimum (as the extension minValueSet) speaks of what systems support, candidate, ui,
# starter and component of how they are made.
PURPOSES = {
    "maximum": "required", "required": "required", "extensible": "extensible", "preferred": "preferred",
    "current": "current", "best-practice": "preferred",
}  # fmt: skip
_URL = {"type": "value", "path": "url"}
_TYPE = {"type": "type", "path": "$this"}


def build(definition: Json, definitions: Definitions, find: Callable[[str], Json | None]) -> Profile:
    """Return a StructureDefinition made ready, its rules not yet compiled (``write`` does that).

    Args:
        definition: The StructureDefinition, with a snapshot or a differential.
        definitions: The release's base types.
        find: Returns a StructureDefinition by canonical, or None.

    Raises:
        Unbuildable: When it cannot be made ready at all; says why.
    """
    return Builder(definitions, find).profile(definition)


class Builder:
    """Builds one profile.

    Attributes:
        definitions: The release's base types.
        find: Returns a StructureDefinition by canonical, or None.
        gaps: What cannot be asked here, in words.
    """

    def __init__(self, definitions: Definitions, find: Callable[[str], Json | None]) -> None:
        self.definitions, self.find = definitions, find
        self.reader = Reader(definitions, find)
        self.gaps: dict[str, None] = {}

    def profile(self, definition: Json) -> Profile:
        """Return the whole profile."""
        root = self.reader.read(definition)
        node = self._node(root, sliced=False) or Node(root.name, ())
        name = definition.get("title") or definition.get("name") or definition.get("url", "")
        return Profile(
            str(definition.get("url", "")),
            str(definition.get("version", "")),
            str(name),
            str(definition.get("type", "")),
            node,
            _uses(definition) if definition.get("type") == "Extension" else (),
            tuple(self.gaps),
            tuple(str(one) for one in definition.get("contextInvariant", ())),
        )

    def draft_of(self, canonical: str) -> Draft | None:
        """Return the draft of another profile, None when it is not known or cannot be read."""
        found = self.find(canonical)
        try:
            return self.reader.read(found) if found else None
        except Unbuildable:
            return None

    def _node(self, draft: Draft, *, sliced: bool) -> Node | None:
        """Return what is asked of an element, None when that is nothing.

        Args:
            draft: The element, or a slice of it.
            sliced: True for a slice: how often it must be there is its own.
        """
        told, element = draft.told, draft.element
        asked: dict[str, Any] = {}
        least = int(told.get("min", 0))
        if least > (0 if sliced or element is None else element.min) and element is not None:
            asked["least"] = least
        most = told.get("max", "*")
        if most != "*" and element is not None and (sliced or int(most) < element.max):
            asked["most"] = int(most)
        if "max" in told and most == "0" and element is None:
            self.gaps["the profile allows nothing of its type"] = None
        asked |= self._types(draft)
        for key in ("fixed", "pattern", "low", "high"):
            if key in told:
                asked[key] = told[key]
        if told.get("maxLength"):
            asked["longest"] = int(told["maxLength"])
        binding = self._binding(draft)
        if binding:
            asked["binding"] = binding
        also = tuple(_additional(draft.told.get("binding") or {}))
        if also:
            asked["also"] = also
        rules = self._rules(draft)
        if rules:
            asked["rules"] = rules
        if most != "0":
            children = tuple(
                node
                for child in draft.children.values()
                if (node := self._node(child, sliced=False)) is not None
            )
            if children:
                asked["children"] = children
            slicing = self._slicing(draft)
            if slicing:
                asked["slicing"] = slicing
        return Node(draft.name, self.keys(draft), **asked) if asked or sliced else None

    def keys(self, draft: Draft) -> tuple[tuple[str, str, bool], ...]:
        """Return the names an element may have in JSON, each with its type and whether it is primitive."""
        element = draft.element
        if element is None:
            return ()
        return tuple(
            (key, element.node or ref.code, not element.node and ref.code in SOUND)
            for key, ref in element.names.items()
        )

    def _types(self, draft: Draft) -> dict[str, Any]:
        element = draft.element
        if element is None or element.node or not draft.types():
            return {}
        asked: dict[str, Any] = {}
        codes = {kind.get("code", "") for kind in draft.types()}
        base = {ref.code for ref in element.types}
        is_open = len(base) > 1 or any(self._is_resource(code) for code in base)
        if is_open and codes != base and not any(code.startswith(FHIRPATH_TYPE) for code in codes):
            asked["types"] = frozenset(codes)
        profiles: dict[str, tuple[str, ...]] = {}
        usual = {name for ref in element.types for name in ref.profiles}
        for kind in draft.types():
            told = kind.get("profile", ())
            urls = tuple(self.versioned(url) for url in told if url.removeprefix(CORE) not in usual)
            if urls:
                profiles[kind["code"]] = urls
        if profiles:
            asked["profiles"] = profiles
        targets = self._targets(draft)
        if targets:
            asked["targets"] = targets
        return asked

    def _is_resource(self, code: str) -> bool:
        found = self.definitions.type(code)
        return found is not None and found.kind == "resource"

    def _targets(self, draft: Draft) -> tuple[tuple[str, str, str], ...]:
        """Return what a reference or a canonical may aim at, where the base type allows more."""
        found: list[tuple[str, str, str]] = []
        base = draft.element.types if draft.element else ()
        for by in ("Reference", "canonical"):
            named = by == "canonical"
            told = [
                url
                for kind in draft.types()
                if (kind.get("code") == "canonical") is named
                for url in kind.get("targetProfile", ())
            ]
            aimed = dict.fromkeys((*self.target(url), by) for url in told)
            usual = {name for ref in base if (ref.code == "canonical") is named for name in ref.targets or ()}
            if any(url for _, url, _ in aimed) or not {kind for kind, _, _ in aimed} >= (
                usual or {"Resource"}
            ):
                found += aimed
        return tuple(found)

    def target(self, canonical: str) -> tuple[str, str]:
        """Return the type a canonical is about ("" when unknown), and it again unless it is a type itself."""
        name = canonical.split("|", maxsplit=1)[0].removeprefix(CORE)
        if canonical.startswith(CORE) and self.definitions.holds(name):
            return name, ""
        found = self.find(canonical)
        return (str(found.get("type", "")) if found else ""), self.versioned(canonical)

    def versioned(self, canonical: str) -> str:
        """Return a canonical with the version that is meant here, so that no other package answers to it."""
        found = self.find(canonical) if "|" not in canonical else None
        return f"{canonical}|{found['version']}" if found and found.get("version") else canonical

    def _binding(self, draft: Draft) -> tuple[str, str, str] | None:
        told = draft.told.get("binding")
        if not told or told.get("strength") not in TOLD:
            return None
        base = draft.element.binding if draft.element else None
        url = str(told.get("valueSet") or (base.value_set if base else ""))
        outer = next(
            (
                str(one.get("valueCanonical") or one.get("valueUri") or "")
                for one in told.get("extension", ())
                if one.get("url") == MAX_VALUE_SET
            ),
            "",
        )
        bare = url.split("|", maxsplit=1)[0]
        if base and base.value_set == bare and base.strength == told["strength"]:
            return None
        if base and base.max_value_set == outer.split("|", maxsplit=1)[0]:
            outer = ""
        return (str(told["strength"]), url, outer) if url or outer else None

    def _rules(self, draft: Draft) -> tuple[Rule, ...]:
        stated = self._stated(draft)
        return tuple(
            Rule(
                rule["key"],
                rule.get("severity", "error"),
                " ".join(str(rule.get("human", "")).split()),
                rule["expression"],
                {},
            )
            for rule in draft.rules.values()
            if rule.get("expression")
            and rule["key"] not in stated
            and not self._is_core(rule.get("source", ""))
        )

    def _is_core(self, source: str) -> bool:
        name = source.removeprefix(CORE)
        return bool(source) and name != source and self.definitions.holds(name.split(".")[0])

    def _stated(self, draft: Draft) -> set[str]:
        """Return the keys of the invariants that the base type states there."""
        element = draft.element
        contexts = [draft.context]
        keys = {"ele-1", "ext-1"}
        if element is not None:
            keys |= {rule.key for rule in element.constraints}
            contexts += [element.node] if element.node else [ref.code for ref in element.types]
        for context in contexts:
            node = self.definitions.node(context) if context else None
            keys |= {rule.key for rule in node.constraints} if node else set()
        return keys

    def _slicing(self, draft: Draft) -> Slicing | None:
        """Return how an element is sliced, with the tests of each slice."""
        if not draft.slices:
            return None
        told = draft.slicing or {}
        by = told.get("discriminator") or []
        if draft.name in {"extension", "modifierExtension"}:
            by = by or [_URL]
        elif draft.name.endswith("[x]"):
            by = by or [_TYPE]
        slices = []
        for name, one in draft.slices.items():
            tests, problem = tests_of(one, by, self)
            if problem:
                self.gaps[f"the slices of {draft.name.removesuffix('[x]')} ({problem})"] = None
                return None
            node = self._node(one, sliced=True)
            if node is not None:
                slices.append(Slice(name, tests, node))
        rules = told.get("rules", "open")
        ordered = bool(told.get("ordered"))
        if rules == "open" and not ordered and not any(_asks(one.node) for one in slices):
            return None
        return Slicing(rules, ordered, tuple(slices))


def _additional(binding: Json) -> Iterator[Also]:
    """Yield the additional bindings that ask something of a resource, in R5's way or in R4's."""
    told = [one for one in binding.get("additional", ()) if isinstance(one, dict)]
    for extension in binding.get("extension", ()):
        if extension.get("url") == ADDITIONAL:
            parts: Json = {}
            for part in extension.get("extension", ()):
                value = next((part[key] for key in part if key.startswith("value")), None)
                if part.get("url") == "usage":
                    parts.setdefault("usage", []).append(value)
                else:
                    parts[str(part.get("url"))] = value
            told.append(parts)
    for one in told:
        purpose = PURPOSES.get(str(one.get("purpose")))
        if purpose and isinstance(one.get("valueSet"), str):
            usage = one.get("usage") or ()
            where = ", ".join(_context(context) for context in usage if isinstance(context, dict))
            yield purpose, one["valueSet"], one.get("any") is True, where


def _context(usage: Json) -> str:
    """Return a UsageContext in words."""
    code = usage.get("code") or {}
    value = next((usage[key] for key in usage if key.startswith("value")), None)
    codings = value.get("coding") if isinstance(value, dict) else None
    first = codings[0] if isinstance(codings, list) and codings and isinstance(codings[0], dict) else {}
    said = (value.get("text") if isinstance(value, dict) else "") or first.get("display") or first.get("code")
    return f"{code.get('code', 'context')} is {said or 'as the profile says'}"


def _asks(node: Node) -> bool:
    """Tell whether a slice asks anything, so that it is worth telling who is in it."""
    return bool(
        node.least or node.most is not None or node.rules or node.children or node.binding or node.profiles
        or node.also or node.targets or node.slicing or node.low is not None or node.high is not None
        or node.longest or node.types
    )  # fmt: skip


def _uses(definition: Json) -> tuple[tuple[str, str], ...]:
    """Return where an extension may be used: kind and expression."""
    return tuple(
        (str(one.get("type", "")), str(one.get("expression", "")))
        for one in definition.get("context", ())
        if isinstance(one, dict)
    )
