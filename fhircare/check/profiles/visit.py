"""One resource held against one profile: a walk down the profile's tree beside the resource.

https://hl7.org/fhir/R4/profiling.html. A ``Visit`` tells what it finds; a ``Quiet`` one only whether there
is anything. The structure has been checked before: what is not as the base type has it is passed over here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.fhirpath.runtime import UNDECIDABLE
from fhircare.check.path import render
from fhircare.check.profiles import codes, slicing, targets, words
from fhircare.check.profiles.values import holds, outside, same, specialises
from fhircare.check.report import Issue, Severity
from fhircare.check.words import listed, sentence

if TYPE_CHECKING:
    from fhircare.check.path import Path
    from fhircare.check.profiles.library import Library
    from fhircare.check.profiles.tree import Node, Profile
    from fhircare.check.walk import Env


class Item(NamedTuple):
    """One item of an element.

    Attributes:
        value: Its JSON, None for a primitive with extensions only.
        beside: For a primitive, the object with its id and extensions, or None.
        path: Its place.
        kind: Its type; a resource's ``resourceType``.
    """

    value: Any
    beside: Any
    path: Path
    kind: str


class Broken(Exception):  # noqa: N818 - it carries a verdict, not an error
    """A quiet visit has found an error, and need not look further."""


class Visit:
    """A resource, or an element, held against a profile.

    Attributes:
        profile: The profile.
        library: Where other profiles and value sets are found.
        env: What rules may ask.
        issues: What was found so far.
        unsure: True once something could not be told, because what it needs is not held here.
        quiet: Whether it only asks whether there is an error, and tells nothing.
    """

    quiet = False

    __slots__ = ("env", "issues", "library", "profile", "unsure")

    def __init__(self, profile: Profile, library: Library, env: Env, issues: list[Issue]) -> None:
        self.profile, self.library, self.env, self.issues = profile, library, env, issues
        self.unsure = False

    def say(self, path: Path, severity: Severity, code: str, rule: str, message: str, mend: str = "") -> None:
        """Write down a finding; its link is the profile's canonical."""
        text = sentence(message.replace("{profile}", self.profile.name))
        self.issues.append(Issue(severity, code, render(path), rule, text, sentence(mend), self.profile.url))

    def look(self, node: Node, item: Item) -> None:
        """Hold one item against a node: its value, what is in it, and the rules on it."""
        value = item.value
        if not node.bare:
            if not self._of_type(node, item, item.kind):
                return
            self._itself(node, item, value, item.kind)
        if node.children:
            if value.__class__ is dict:
                self.below(node, value, item.path)
            elif item.beside.__class__ is dict:
                self.below(node, item.beside, item.path)

    def _of_type(self, node: Node, item: Item, kind: str) -> bool:
        if node.types is None or specialises(kind, node.types, self.library.definitions):
            return True
        mend = f"Use {listed(sorted(node.types), 6)}"
        self.say(item.path, "error", "structure", "profile.type", "{profile} allows no such type here", mend)
        return False

    def _itself(self, node: Node, item: Item, value: Any, kind: str) -> None:
        """Hold an item's own value, and the rules on it, against a node."""
        if node.fixed is not None and not same(value, node.fixed):
            told = words.of_value(node.fixed)
            self.say(
                item.path, "error", "value", "profile.fixed", "{profile} fixes this value", f"It is {told}"
            )
        if node.pattern is not None and not holds(value, node.pattern):
            told = words.of_value(node.pattern)
            message = "{profile} asks for more, or other, content here"
            self.say(item.path, "error", "value", "profile.pattern", message, f"It holds {told}")
        if node.longest and isinstance(value, str) and len(value) > node.longest:
            message = "longer than {profile} allows"
            mend = f"At most {node.longest} characters"
            self.say(item.path, "error", "too-long", "profile.length", message, mend)
        if node.low is not None or node.high is not None:
            self._within(node, item)
        if node.binding is not None:
            codes.bound(node.binding, item, self)
        for also in node.also:
            if not also[2]:
                codes.also_bound(also, [item], self)
        if node.targets is not None:
            targets.aimed(node.targets, item, self)
        urls = node.profiles.get(kind)
        if urls:
            self.kept(urls, item)
        if node.rules:
            self._rules(node, item)

    def below(self, node: Node, o: dict[str, Any], p: Path) -> None:
        """Hold the elements of an object against the children of its node."""
        names = o.keys()
        for child in node.children:
            if not child.needed and names.isdisjoint(child.by_key.keys()):
                continue
            self.several(child, items(child, o, p), p)

    def several(self, node: Node, found: list[Item], p: Path, name: str = "") -> None:
        """Hold all items of an element, or of one slice of it, against its node.

        Args:
            node: The element's node, or the slice's.
            found: The items.
            p: The place of the object that holds them.
            name: The slice; "" for the element itself.
        """
        if len(found) < node.least:
            self._too_few(node, found, p, name)
        if node.most is not None and len(found) > node.most:
            what = words.of_element(node, name)
            place = found[node.most].path if node.most else found[0].path
            message = f"{{profile}} allows {words.times(node.most)} of {what}, and there are {len(found)}"
            if not node.most:
                message = f"{{profile}} does not allow {what}"
            mend = f"Keep {node.most}" if node.most else "Take it away"
            self.say(place, "error", "structure", "profile.max", message, mend)
        for item in found:
            self.look(node, item)
        for also in node.also:
            if also[2] and found:
                codes.also_bound(also, found, self)
        if node.slicing is not None:
            slicing.divide(node, node.slicing, found, p, self)

    def _too_few(self, node: Node, found: list[Item], p: Path, name: str) -> None:
        what = words.of_element(node, name)
        amount = f"at least {node.least} of " if node.least > 1 else ""
        message = f"{{profile}} asks for {amount}{what}, and there {words.are(len(found))}"
        mend = f"Add {node.plain}{words.telling(node)}"
        self.say((p, node.plain), "error", "required", "profile.min", message, mend)

    def _within(self, node: Node, item: Item) -> None:
        for limit, sign, word in ((node.low, -1, "least"), (node.high, 1, "most")):
            if limit is not None and outside(item.kind, item.value, limit, sign):
                message = f"beyond what {{profile}} allows at {word}"
                mend = f"At {word} {words.of_value(limit)}"
                self.say(item.path, "error", "value", "profile.range", message, mend)

    def _rules(self, node: Node, item: Item) -> None:
        for rule in node.rules:
            ask = rule.asks.get(item.kind) or rule.asks.get("")
            if ask is None:
                continue
            try:
                kept = ask(item.value, self.env, item.beside)
            except UNDECIDABLE:
                continue  # the structure is wrong, and said so
            if not kept:
                severity: Severity = "warning" if rule.severity == "warning" else "error"
                self.say(
                    item.path,
                    severity,
                    "invariant",
                    rule.key,
                    rule.human,
                    f"Make this hold: `{rule.expression}`",
                )

    def kept(self, urls: tuple[str, ...], item: Item) -> None:
        """Hold a value against the profiles its type names: one of them must be kept."""
        known = [profile for profile in map(self.library.profile, urls) if profile is not None]
        if len(known) < len(urls):
            self.unsure = True
            return
        if len(known) == 1:
            self.within(known[0]).look(known[0].root, item)
        elif not any(self.quietly(profile, item) for profile in known):
            mend = f"Keep one of {listed([profile.name for profile in known], 4)}"
            message = "{profile} asks for a value that keeps one of several profiles"
            self.say(item.path, "error", "structure", "profile.nested", message, mend)

    def within(self, profile: Profile) -> Visit:
        """Return the visit of a nested profile: same issues, other profile."""
        inner = type(self)(profile, self.library, self.env, self.issues)
        inner.unsure = self.unsure
        return inner

    def quietly(self, profile: Profile, item: Item) -> bool:
        """Tell whether an item keeps a profile, as far as that can be told."""
        if item.beside is None and self.library.plain(profile, item.kind)(item.value, self.env):
            return True
        quiet = Quiet(profile, self.library, self.env, [])
        try:
            quiet.look(profile.root, item)
        except Broken:
            return False
        return True


class Heard(Visit):
    """A visit that stops at the first finding, whatever it is; it tells nothing.

    Raises:
        Broken: From ``look`` and what it calls, at the first finding.
    """

    __slots__ = ()

    def say(self, *_finding: Any, **_more: Any) -> None:
        """Stop."""
        raise Broken


class Quiet(Visit):
    """A visit that stops at the first error.

    Raises:
        Broken: From ``look`` and what it calls, at the first error.
    """

    __slots__ = ()
    quiet = True

    def say(self, path: Path, severity: Severity, code: str, rule: str, message: str, mend: str = "") -> None:
        """Stop when it is an error."""
        if severity == "error":
            self.issues.append(Issue(severity, code, render(path), rule, message, mend, self.profile.url))
            raise Broken


def items(node: Node, o: dict[str, Any], p: Path) -> list[Item]:
    """Return the items of an element in the object that holds it, in order."""
    found: list[Item] = []
    keys = node.keys
    if len(keys) > 2:  # a choice: one look at each name that is there, in the order of the definition
        by_key = node.by_key
        there = {by_key[key] for key in o if key in by_key}
        if not there:
            return found
        keys = tuple(keys[index] for index in sorted(there))
    for key, kind, primitive in keys:
        value = o.get(key)
        beside = o.get(f"_{key}") if primitive else None
        if value is None and not beside:
            continue
        at = (p, key)
        if value.__class__ is not list and beside.__class__ is not list:
            found.append(Item(value, beside, at, _kind(value, kind)))
            continue
        values = value if value.__class__ is list else []
        besides = beside if beside.__class__ is list else []
        for index in range(max(len(values), len(besides))):
            one = values[index] if index < len(values) else None
            other = besides[index] if index < len(besides) else None
            if one is not None or other:
                found.append(Item(one, other, (at, index), _kind(one, kind)))
    return found


def _kind(value: Any, kind: str) -> str:
    """Return an item's type: what its element says, or which resource it is."""
    if kind == "Resource" and value.__class__ is dict:
        return str(value.get("resourceType", kind))
    return kind
