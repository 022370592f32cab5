"""Writes a profile as Python text that makes its tree again, with its rules compiled to functions.

For a profile whose one rule stands on Patient.name this is what is written::

    def rule_1(n, env, e=None):
        return ((n.get("family") is not None) or ...)

    PROFILE = Profile('http://...', '8.0.0', 'US Core Patient Profile', 'Patient',
        Node('Patient', (), children=(Node('name', (('name', 'HumanName', False),), least=1, rules=(
        Rule('us-core-6', 'error', '...', '...', {'HumanName': rule_1}),)),)), (), ())

so that it can be kept like the checkers of the base types (``fhircare.check.compile``): reading it back
needs neither the definitions nor the FHIRPath compiler. A rule that cannot be compiled becomes a gap.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.fhirpath.build import inline
from fhircare.check.fhirpath.model import SpecModel
from fhircare.check.fhirpath.syntax import FhirPathError
from fhircare.check.profiles.tree import Node, Profile, Rule, Slice, Slicing, Test

if TYPE_CHECKING:
    from fhircare.spec import Definitions

# In the order of Node's arguments; what has its usual value is not written.
_USUAL: dict[str, Any] = {
    "least": 0, "most": None, "types": None, "profiles": {}, "targets": None, "fixed": None, "pattern": None,
    "low": None, "high": None, "longest": 0, "binding": None, "also": (), "rules": (), "children": (),
    "slicing": None,
}  # fmt: skip
# Rules of published profiles whose text cannot be decided as written, and what is asked instead.
MENDED = {
    "(telecom or endpoint)": "telecom.exists() or endpoint.exists()",
    "telecom or endpoint": "telecom.exists() or endpoint.exists()",
}


def profile_source(profile: Profile, definitions: Definitions) -> str:
    """Return the Python text that makes ``PROFILE``, over the globals of FHIRPath and of ``tree``."""
    return _Writer(definitions).text(profile)


class _Writer:
    def __init__(self, definitions: Definitions) -> None:
        self.definitions = definitions
        self.model = SpecModel(definitions)
        self.head: list[str] = []
        self.gaps: dict[str, None] = {}
        self.count = 0

    def text(self, profile: Profile) -> str:
        root = self._node(profile.root, (profile.type,))
        told = [repr(one) for one in (profile.url, profile.version, profile.name, profile.type)]
        gaps = (*profile.gaps, *self.gaps)
        demands = f", {profile.demands!r}" if profile.demands else ""
        made = f"PROFILE = Profile({', '.join(told)}, {root}, {profile.contexts!r}, {gaps!r}{demands})"
        return "\n".join([*self.head, made]) + "\n"

    def _node(self, node: Node, kinds: tuple[str, ...]) -> str:
        """Return the expression of a node; ``kinds`` are the types it may have."""
        asked = [repr(node.name), repr(node.keys)]
        for key, usual in _USUAL.items():
            value = getattr(node, key)
            if value == usual:
                continue
            if key == "rules":
                said = self._tuple(self._rule(rule, kinds) for rule in value)
            elif key == "children":
                said = self._tuple(self._node(child, self._kinds(child)) for child in value)
            elif key == "slicing":
                said = self._slicing(value, kinds)
            elif key == "types":
                said = f"frozenset({tuple(sorted(value))!r})"
            else:
                said = repr(value)
            asked.append(f"{key}={said}")
        return f"Node({', '.join(asked)})"

    @staticmethod
    def _kinds(node: Node) -> tuple[str, ...]:
        return tuple(kind for _, kind, _ in node.keys if node.types is None or kind in node.types)

    @staticmethod
    def _tuple(parts: Any) -> str:
        return "(" + "".join(f"{part}, " for part in parts) + ")"

    def _slicing(self, slicing: Slicing, kinds: tuple[str, ...]) -> str:
        slices = self._tuple(self._slice(one, kinds) for one in slicing.slices)
        return f"Slicing({slicing.rules!r}, {slicing.ordered!r}, {slices})"

    def _slice(self, one: Slice, kinds: tuple[str, ...]) -> str:
        tests = self._tuple(self._test(test) for test in one.tests)
        named = {kind for test in one.tests if test.kind == "type" and not test.steps for kind in test.wanted}
        inside = tuple(kind for kind in kinds if not named or kind in named) or kinds
        return f"Slice({one.name!r}, {tests}, {self._node(one.node, inside)})"

    def _test(self, test: Test) -> str:
        if isinstance(test.wanted, Node):
            said = self._node(test.wanted, self._kinds(test.wanted))
        elif isinstance(test.wanted, frozenset):
            said = f"frozenset({tuple(sorted(test.wanted))!r})"
        else:
            said = repr(test.wanted)
        return f"Test({test.kind!r}, {test.steps!r}, {said})"

    def _rule(self, rule: Rule, kinds: tuple[str, ...]) -> str:
        """Return the expression of a rule, its function for each type written before."""
        asks = []
        for kind in kinds:
            self.count += 1
            try:
                made = inline(
                    MENDED.get(rule.expression, rule.expression), kind, self.model, prefix=f"k_{self.count}_"
                )
            except FhirPathError:
                self.gaps[f"the rule {rule.key}"] = None
                continue
            self.head += [f"{name} = {text}" for name, text in made.constants]
            self.head.append(f"def rule_{self.count}(n, env, e=None):\n    return {made.source}\n")
            asks.append(f"{kind!r}: rule_{self.count}")
        told = ", ".join(repr(one) for one in rule[:4])
        return f"Rule({told}, {{{', '.join(asks)}}})"
