"""A profile made ready: a tree of what it asks beyond the base type, and nothing else.

A ``Node`` stands for one element of the profile; what the base type asks already is left out, because the
base check asks it. A node with slices has a ``Slicing``, and each slice is a node again, for the items that
its tests let in. Rules are functions, made from their FHIRPath when the tree was compiled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable

    Ask = Callable[[Any, Any, Any], bool]

# An additional binding: purpose, value set, whether one of the items is enough, and the contexts it is for.
Also = tuple[str, str, bool, str]
# A step of a discriminator: an element's name, or what is called on it.
Step = str | tuple[str, str]


class Rule(NamedTuple):
    """An invariant that a profile adds.

    Attributes:
        key: Such as ``us-core-6``.
        severity: ``error`` or ``warning``.
        human: What it says to people.
        expression: Its FHIRPath.
        asks: For each type the element may have ("" for any), the rule as a function.
    """

    key: str
    severity: str
    human: str
    expression: str
    asks: dict[str, Ask]


class Test(NamedTuple):
    """What one discriminator asks of an item.

    Attributes:
        kind: ``value`` (also for pattern), ``exists``, ``type`` or ``profile``.
        steps: How to get from the item to what is looked at; empty for the item itself.
        wanted: For ``value`` a Node; for ``exists`` a bool; for ``type`` a set of type names; for
            ``profile`` the canonicals, of which one must be kept.
    """

    kind: str
    steps: tuple[Step, ...]
    wanted: Any


class Slicing:
    """How a list of items is divided.

    Attributes:
        rules: ``open``, ``closed`` or ``openAtEnd``.
        ordered: True when the items come in the order of the slices.
        slices: The slices, in order.
        step: Where every slice is told by one text of its own at the same element, as extensions are by
            their ``url``: that element; else "".
        by_text: Then the place in ``slices`` of each such text.
    """

    __slots__ = ("by_text", "ordered", "rules", "slices", "step")

    def __init__(self, rules: str, ordered: bool, slices: tuple[Slice, ...]) -> None:  # noqa: FBT001
        self.rules, self.ordered, self.slices = rules, ordered, slices
        told = [_told_by(one) for one in slices]
        self.by_text = {text: index for index, (_, text) in enumerate(told)}
        steps = {step for step, _ in told}
        self.step = steps.pop() if len(steps) == 1 and len(self.by_text) == len(slices) else ""


class Slice(NamedTuple):
    """One slice: its name, what lets an item in (all of it), and what is asked of those let in."""

    name: str
    tests: tuple[Test, ...]
    node: Node


def _told_by(one: Slice) -> tuple[str, str]:
    """Return the element and the text that alone let an item into a slice; ("", "") when it is not so."""
    if len(one.tests) == 1 and one.tests[0].kind == "value" and len(one.tests[0].steps) == 1:
        step, wanted = one.tests[0].steps[0], one.tests[0].wanted
        texts = [text for text in (wanted.fixed, wanted.pattern) if text is not None]
        more = wanted.children or wanted.binding or wanted.slicing
        if isinstance(step, str) and not more and len(texts) == 1 and isinstance(texts[0], str):
            return step, texts[0]
    return "", ""


class Node:
    """What a profile asks of one element.

    Attributes:
        name: The element's name in the definition: ``status``, ``value[x]``.
        keys: The names it may have in JSON, each with its type and whether that is a primitive one.
        least: How often it must be there.
        most: How often it may be there, None for as often as the base allows.
        types: The types it may have, None for those of the base.
        profiles: For a type's name: the profiles of which its value must keep one.
        targets: Of which the target of a reference must keep one: its type ("" unknown), the profile's
            canonical ("" for the type alone), and ``Reference`` or ``canonical`` for what leads there; None
            for what the base allows.
        fixed: The value it must have, None when there is none.
        pattern: What its value must hold, likewise.
        low: The least value, likewise.
        high: The greatest value, likewise.
        longest: The greatest length of a text, 0 when there is none.
        binding: Strength, value set and outermost value set ("" for none), or None.
        also: Additional bindings that say something of a resource.
        rules: Invariants.
        children: What is asked of the elements in it.
        slicing: How the items are sliced, or None.
        bare: True when nothing is asked of an item itself, only how many there are or what is in them.
        needed: True when something may be amiss although there is no item: one is due, or a slice may be.
        by_key: For each name in JSON, those of companions of primitives too: its place in ``keys``.
    """

    __slots__ = (
        "also",
        "bare",
        "binding",
        "by_key",
        "children",
        "fixed",
        "high",
        "keys",
        "least",
        "longest",
        "low",
        "most",
        "name",
        "needed",
        "pattern",
        "profiles",
        "rules",
        "slicing",
        "targets",
        "types",
    )

    def __init__(
        self,
        name: str,
        keys: tuple[tuple[str, str, bool], ...],
        *,
        least: int = 0,
        most: int | None = None,
        types: frozenset[str] | None = None,
        profiles: dict[str, tuple[str, ...]] | None = None,
        targets: tuple[tuple[str, str, str], ...] | None = None,
        fixed: Any = None,
        pattern: Any = None,
        low: Any = None,
        high: Any = None,
        longest: int = 0,
        binding: tuple[str, str, str] | None = None,
        also: tuple[Also, ...] = (),
        rules: tuple[Rule, ...] = (),
        children: tuple[Node, ...] = (),
        slicing: Slicing | None = None,
    ) -> None:
        self.name, self.keys, self.least, self.most = name, keys, least, most
        self.types, self.profiles, self.targets = types, profiles or {}, targets
        self.fixed, self.pattern, self.low, self.high, self.longest = fixed, pattern, low, high, longest
        self.binding, self.rules, self.children, self.slicing = binding, rules, children, slicing
        self.also = also
        values = (types, fixed, pattern, low, high, binding, targets)
        self.bare = all(one is None for one in values) and not (longest or profiles or rules or also)
        self.needed = least > 0 or slicing is not None
        self.by_key = {key: index for index, (key, _, _) in enumerate(keys)}
        self.by_key |= {f"_{key}": index for index, (key, _, primitive) in enumerate(keys) if primitive}

    @property
    def plain(self) -> str:
        """The element's name without ``[x]``."""
        return self.name.removesuffix("[x]")


class Profile(NamedTuple):
    """A profile made ready.

    Attributes:
        url: Its canonical, without version.
        version: Its version, "" when it has none.
        name: What people call it.
        type: The type it is about: ``Patient``, ``Extension``.
        root: The tree.
        contexts: For an extension: where it may be used, kind and expression.
        gaps: What of it cannot be asked here, in words.
        demands: For an extension: FHIRPath that must be true of the element it stands on.
    """

    url: str
    version: str
    name: str
    type: str
    root: Node
    contexts: tuple[tuple[str, str], ...] = ()
    gaps: tuple[str, ...] = ()
    demands: tuple[str, ...] = ()
