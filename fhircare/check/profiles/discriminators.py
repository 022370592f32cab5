"""What tells a slice: from its discriminators to tests of items.

https://hl7.org/fhir/R4/profiling.html#discriminator. A discriminator names a path; the slice (or a profile
its type names) says what is to be found there:

* ``value``, ``pattern``: the fixed value, pattern or required value set at that path;
* ``exists``: whether the slice asks for the element or forbids it;
* ``type``: its types, or those of the reference's target;
* ``profile``: the profiles its type names, or those of the reference's target.

A path is ``$this`` or names joined by dots, with ``resolve()``, ``ofType(X)`` and ``extension('url')``.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from fhircare.check.profiles.tree import Node, Slice, Slicing, Step, Test

if TYPE_CHECKING:
    from fhircare.check.profiles.build import Builder
    from fhircare.check.profiles.draft import Draft

_STEP = re.compile(
    r"\s*(?:(\$this)|resolve\(\s*(\))|ofType\(\s*([\w.]+)\s*\)|extension\(\s*['\"]([^'\"]+)['\"]\s*\)|(\w+))\s*"
)


def tests_of(draft: Draft, by: list[dict[str, Any]], builder: Builder) -> tuple[tuple[Test, ...], str]:
    """Return the tests of a slice, and why they cannot be had, "" when they can.

    Args:
        draft: The slice.
        by: The discriminators.
        builder: Finds other profiles.
    """
    if not by:
        return (), "no discriminator"
    tests = []
    for one in by:
        kind, path = str(one.get("type", "")), str(one.get("path", ""))
        told = f"{kind}:{path}"
        steps = steps_of(path)
        if steps is None:
            return (), told
        test = _test("value" if kind == "pattern" else kind, steps, draft, builder)
        if test is None:
            return (), told
        tests.append(test)
    return tuple(tests), ""


def steps_of(path: str) -> tuple[Step, ...] | None:
    """Return the steps of a discriminator's path, None when it is not one of the restricted kind."""
    steps: list[Step] = []
    at = 0
    while at < len(path):
        match = _STEP.match(path, at)
        if match is None:
            return None
        this, resolve, of_type, extension, name = match.groups()
        if resolve:
            steps.append(("resolve", ""))
        elif of_type:
            steps.append(("ofType", of_type.removeprefix("FHIR.")))
        elif extension:
            steps.append(("extension", extension))
        elif not this:
            steps.append(name)
        at = match.end()
        if at < len(path):
            if path[at] != "." or at + 1 == len(path):
                return None
            at += 1
    return tuple(steps)


def _test(kind: str, steps: tuple[Step, ...], draft: Draft, builder: Builder) -> Test | None:
    here: list[Draft] = [draft]
    aimed: list[str] | None = None  # the canonicals a reference may aim at, once it has been resolved
    for step in steps:
        aimed = None
        if step == ("resolve", ""):
            aimed = [url for one in here for url in one.targets()]
            here = [found for url in aimed if (found := builder.draft_of(url)) is not None]
        else:
            here = [found for one in here for found in _below(one, step, builder)]
    if kind == "value":
        if steps == ("url",) and not any("fixed" in one.told for one in here):
            return _by_url(draft)
        wanted = [node for one in here if (node := told_values(one, builder)) is not None]
        return Test(kind, steps, wanted[0]) if wanted else None
    if kind == "exists":
        if any(one.told.get("max") == "0" for one in here):
            return Test(kind, steps, False)  # noqa: FBT003 - what is wanted
        return Test(kind, steps, True) if any(one.told.get("min", 0) for one in here) else None  # noqa: FBT003
    if kind == "type":
        codes = [builder.target(url)[0] for url in aimed] if aimed is not None else _codes(here)
        return Test(kind, steps, frozenset(codes)) if codes and all(codes) else None
    if kind == "profile":
        urls = aimed if aimed is not None else [url for one in here for url in one.profiles()]
        return Test(kind, steps, tuple(map(builder.versioned, urls))) if urls else None
    return None


def _codes(here: list[Draft]) -> list[str]:
    return [code for one in here for code in one.codes()]


def _by_url(draft: Draft) -> Test | None:
    """Return the test of an extension's slice whose profile is not held: the url is its canonical."""
    urls = draft.profiles()
    if draft.name not in {"extension", "modifierExtension"} or len(urls) != 1:
        return None
    fixed = urls[0].split("|", maxsplit=1)[0]
    return Test("value", ("url",), Node("url", (("url", "uri", False),), fixed=fixed))


def _below(draft: Draft, step: Step, builder: Builder) -> list[Draft]:
    """Return what a step leads to, in the slice itself or in the profiles that its type names."""
    if isinstance(step, tuple):
        call, argument = step
        if call == "ofType":
            return [one for one in (*draft.slices.values(), draft) if one.codes() == [argument]][:1]
        extensions = draft.children.get("extension")
        for one in extensions.slices.values() if extensions else ():
            urls = [url.split("|", maxsplit=1)[0] for url in one.profiles()]
            url = one.children.get("url")
            if argument in urls or (url is not None and url.told.get("fixed") == argument):
                return [one]
        return []
    found = draft.children.get(step) or draft.children.get(f"{step}[x]")
    if found is not None:
        return [found, *(one for one in found.slices.values() if one.told.get("min", 0))]
    named = [other for url in draft.profiles() if (other := builder.draft_of(url)) is not None]
    return [one for other in named for one in _below(other, step, builder)] if len(named) == 1 else []


def told_values(draft: Draft, builder: Builder) -> Node | None:
    """Return a node that asks only for the values that tell a slice, None when there are none."""
    asked: dict[str, Any] = {}
    for key in ("fixed", "pattern"):
        if key in draft.told:
            asked[key] = draft.told[key]
    binding = draft.told.get("binding", {})
    if not asked and binding.get("strength") == "required" and binding.get("valueSet"):
        asked["binding"] = ("required", binding["valueSet"], "")
    children = []
    for child in draft.children.values():
        node = told_values(child, builder)
        if node is not None:
            node.least = 1
            children.append(node)
    if children and not asked:
        asked["children"] = tuple(children)
    if not asked:
        asked = _in_slices(draft, builder)
    return Node(draft.name, builder.keys(draft), **asked) if asked else None


def _in_slices(draft: Draft, builder: Builder) -> dict[str, Any]:
    """Return the same for an element that is itself sliced: its slices that must be there."""
    slices = []
    for name, one in draft.slices.items():
        wanted = told_values(one, builder) if one.told.get("min", 0) else None
        if wanted is not None:
            inner = Node(draft.name, builder.keys(draft), least=1)
            slices.append(Slice(name, (Test("value", (), wanted),), inner))
    return {"slicing": Slicing("open", False, tuple(slices))} if slices else {}  # noqa: FBT003
