"""What a mutant is, and how places in a resource are named, read and changed."""

from __future__ import annotations

import copy
import json
import re
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.spec import definitions

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from random import Random

    from fhircare.check.report import Severity
    from fhircare.spec import Definitions, Element, TypeRef

Steps = tuple[str | int, ...]
ABSENT: Any = object()
_RELEASE = ContextVar("release", default="R4")


def release() -> str:
    """Return the release that mutants are being made of."""
    return _RELEASE.get()


def standard() -> Definitions:
    """Return the definitions of the release that mutants are being made of."""
    return definitions(_RELEASE.get())


@contextmanager
def made_of(name: str) -> Iterator[None]:
    """Make mutants of another release's resources meanwhile."""
    token = _RELEASE.set(name)
    try:
        yield
    finally:
        _RELEASE.reset(token)


@dataclass(frozen=True, slots=True)
class Mutant:
    """One file with one fault.

    Attributes:
        fault: The class of the fault.
        name: Where it was made, for people.
        text: The file.
        places: The expressions of which one must be named; empty where no place has a meaning.
        twin: A valid near miss, or None.
        level: How bad the finding must be at least.
        release: The FHIR release it is of.
    """

    fault: str
    name: str
    text: bytes
    places: tuple[str, ...]
    twin: bytes | None = None
    level: Severity = "error"
    release: str = field(default_factory=release)


class Site(NamedTuple):
    """One element of a resource: a value, or one item of an array.

    Attributes:
        steps: From the root's type down, with the index for an item.
        node: Id of the definition's node that has the element.
        name: As in the JSON.
        element: Its definition.
        type: Its type.
        value: What is there.
        root: Steps of the resource it stands in.
    """

    steps: Steps
    node: str
    name: str
    element: Element
    type: TypeRef
    value: Any
    root: Steps

    @property
    def whole(self) -> Steps:
        """The steps of the whole array, or of the value itself."""
        return self.steps[:-1] if isinstance(self.steps[-1], int) else self.steps

    @property
    def place(self) -> str:
        return expression(self.steps)


def expression(steps: Steps) -> str:
    """``("Bundle", "entry", 3)`` → ``Bundle.entry[3]``."""
    return "".join(f"[{s}]" if isinstance(s, int) else f".{s}" for s in steps)[1:]


def steps_of(place: str) -> Steps:
    """``a.b[3].c`` → ``("a", "b", 3, "c")``; the names may hold any character but a dot or a bracket."""
    return tuple(int(i) if i else name for name, i in re.findall(r"([^.\[\]]+)|\[(\d+)\]", place))


def sites(resource: dict[str, Any]) -> Iterator[Site]:
    """Yield every element of a resource with its definition, nested resources included."""
    root: Steps = (resource["resourceType"],)
    yield from _inside(resource, root, resource["resourceType"], root)


def _inside(
    holder: dict[str, Any], steps: Steps, node: str, root: Steps, around: Site | None = None
) -> Iterator[Site]:
    definition = standard().node(node)
    if definition is None:
        return
    by_name = {name: (e, t) for e in definition.elements.values() for name, t in e.names.items()}
    for name, value in holder.items():
        if name not in by_name:
            continue
        element, kind = by_name[name]
        if around is not None and name == "reference":
            kind = kind._replace(targets=around.type.targets)
        elif around is not None and name == "concept":
            element = element._replace(binding=around.element.binding)
        items = [(i, v) for i, v in enumerate(value)] if isinstance(value, list) else [(None, value)]
        for i, item in items:
            here = (*steps, name) if i is None else (*steps, name, i)
            if item is None:
                continue
            site = Site(here, node, name, element, kind, item, root)
            yield site
            if isinstance(item, dict):
                if "resourceType" in item:
                    yield from _inside(item, here, item["resourceType"], here)
                else:
                    # What is allowed in a CodeableReference stands on the element that has this type.
                    around = site if kind.code == "CodeableReference" else None
                    yield from _inside(item, here, element.node or kind.code, root, around)


def get(resource: Any, steps: Steps) -> Any:
    """Return what stands at ``steps`` (the first is the root's type), or ABSENT."""
    for step in steps[1:]:
        try:
            resource = resource[step]
        except (KeyError, IndexError, TypeError):
            return ABSENT
    return resource


def edited(resource: dict[str, Any], *edits: tuple[Steps, Any]) -> dict[str, Any]:
    """Return a copy with values put in place, made where they were not, or taken away (ABSENT)."""
    changed = copy.deepcopy(resource)
    for steps, value in edits:
        holder: Any = changed
        for step, following in pairwise(steps[1:]):
            if isinstance(holder, dict) and step not in holder:
                holder[step] = [] if isinstance(following, int) else {}
            holder = holder[step]
        last = steps[-1]
        if value is ABSENT:
            del holder[last]
        elif isinstance(holder, list) and last == len(holder):
            holder.append(value)
        else:
            holder[last] = value
    return changed


def dump(resource: Any) -> bytes:
    """Return the file of a resource."""
    return json.dumps(resource, ensure_ascii=False, indent=1).encode()


Seed = tuple[str, dict[str, Any]]


def may_extend(seed: Seed) -> bool:
    """Tell whether the resource may hold extensions (a Bundle may not)."""
    node = standard().node(seed[1]["resourceType"])
    return node is not None and "extension" in node.elements


MAKERS: list[tuple[str, Callable[[Seed, Random], Iterator[Mutant]]]] = []


def maker(fault: str) -> Callable[[Any], Any]:
    """Register a function that makes mutants of one class from one valid resource."""

    def register(function: Any) -> Any:
        MAKERS.append((fault, function))
        return function

    return register


def mutant(
    fault: str, seed: Seed, where: str, changed: Any, *places: str | Steps, twin: Any = None
) -> Mutant:
    """Return a mutant from resources (or ready bytes) instead of files."""
    return Mutant(
        fault,
        f"{seed[0]}: {where}",
        changed if isinstance(changed, bytes) else dump(changed),
        tuple(p if isinstance(p, str) else expression(p) for p in places),
        None if twin is None else twin if isinstance(twin, bytes) else dump(twin),
    )
