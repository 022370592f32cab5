"""Where an extension may stand: its context of use, and what must be true of the element it stands on.

https://hl7.org/fhir/R4/defining-extensions.html#context and codesystem-extension-context-type.html:

* ``element``: an element with this id in the base definitions, or in a profile (``url#id``: ``instances``);
* ``extension``: an extension of this url;
* ``fhirpath``: all elements that the expression finds in the resource.

One of them must allow the place. https://hl7.org/fhir/R4/structuredefinition-definitions.html
#StructureDefinition.contextInvariant: all of these must be true; the focus is the element that holds the
extension, and ``%extension`` the extension itself.

Each answer is True, False, or None where it cannot be told, and a finding says why.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.path import Path, steps
from fhircare.check.words import listed
from fhircare.spec import definitions as of_release

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from fhircare.check.gather import ResourceScope
    from fhircare.check.profiles.library import Library
    from fhircare.check.profiles.tree import Profile
    from fhircare.check.walk import Env
    from fhircare.spec import Definitions, Element

Verdict = bool | None
CORE = "http://hl7.org/fhir/StructureDefinition/"
ANYWHERE = frozenset({"Element", "*"})
# https://hl7.org/fhir/R5/canonicalresource.html and metadataresource.html: any resource with such elements.
# No type is based on these two, and R4 has the words alone.
INTERFACES = {
    "CanonicalResource": frozenset({"url", "version", "status"}),
    "MetadataResource": frozenset({"url", "approvalDate", "effectivePeriod"}),
}


class Place(NamedTuple):
    """Where an extension stands.

    Attributes:
        path: The extension's place.
        scope: The resource it stands in.
        holder: The object that holds it: the element, or for a primitive the object beside its value.
        value: The element's own value: of a primitive the bare one, None without; else ``holder``.
        kind: The element's type, or the id of a backbone element.
        names: What the element may be called by ids of the base definitions, its types included.
    """

    path: Path
    scope: ResourceScope
    holder: Any
    value: Any
    kind: str
    names: frozenset[str]


def place_of(path: Path, scope: ResourceScope, release: str) -> Place:
    """Return where the extension at a path stands."""
    taken = steps(path)[len(steps(scope.path)) : -2]
    value: Any = scope.resource
    beside: Any = None
    for step in taken:
        value, beside = stepped(value, beside, step)
    kind, ids = called(release, scope.type, tuple(one for one in taken if isinstance(one, str)))
    return Place(path, scope, value if beside is None else beside, value, kind, ids)


def stepped(value: Any, beside: Any, step: str | int) -> tuple[Any, Any]:
    """Return what a step of a path leads to, and the object beside it, which primitives may have."""
    if isinstance(step, str):
        holder = value if isinstance(value, dict) else beside
        return (holder.get(step), holder.get(f"_{step}")) if isinstance(holder, dict) else (None, None)
    return _at(value, step), _at(beside, step)


def _at(listed: Any, index: int) -> Any:
    return listed[index] if isinstance(listed, list) and index < len(listed) else None


def is_plain(profile: Profile, path: Path, scope: ResourceScope, release: str) -> bool:
    """Tell whether the names of the elements down to an extension allow its place, which is quickly told.

    False says only that ``may_stand`` and ``broken`` have to look.
    """
    names: list[str] = []
    here: Any = path[0][0] if path[0] is not None else None
    while here is not None and here is not scope.path:
        here, step = here
        if step.__class__ is str:
            names.append(step)
    return not profile.demands and _named(profile.contexts, release, scope.type, tuple(reversed(names)))


@lru_cache(maxsize=10_000)
def _named(contexts: tuple[tuple[str, str], ...], release: str, root: str, names: tuple[str, ...]) -> bool:
    told = [expression.removeprefix(CORE) for kind, expression in contexts if kind == "element"]
    return not contexts or any(one in ANYWHERE or one in called(release, root, names)[1] for one in told)


def allowed(contexts: tuple[tuple[str, str], ...]) -> str:
    """Return the places an extension may stand, for a sentence."""
    return listed([expression for _, expression in contexts], 6)


def may_stand(profile: Profile, place: Place, env: Env, library: Library) -> tuple[Verdict, str]:
    """Tell whether one of an extension's contexts allows its place, and why that cannot be told.

    Args:
        profile: The extension's definition.
        place: Where it stands.
        env: What rules may ask about the resource it stands in.
        library: Where profiles are found.
    """
    if not profile.contexts:
        return True, ""
    problem = ""
    for kind, expression in profile.contexts:
        told, why = _allows(kind, expression, place, env, library)
        if told:
            return True, ""
        problem = problem or why
    return (None, problem) if problem else (False, "")


def broken(
    profile: Profile, place: Place, extension: dict[str, Any], env: Env, library: Library
) -> Iterator[tuple[str, str]]:
    """Yield each demand of an extension that is not true where it stands, and why when it cannot be told."""
    from fhircare.check.fhirpath.runtime import UNDECIDABLE
    from fhircare.check.fhirpath.syntax import FhirPathError
    from fhircare.check.profiles.library import PlacedEnv

    beside = place.holder if place.holder is not place.value else None
    for demand in profile.demands:
        try:
            ask = _truth(demand, place.kind, library.definitions.release)
            if not ask(place.value, PlacedEnv(env, library, extension), beside):
                yield demand, ""
        except FhirPathError as fault:
            yield demand, fault.problem
        except UNDECIDABLE:
            yield demand, "the element is not as its definition has it"


def _allows(kind: str, expression: str, place: Place, env: Env, library: Library) -> tuple[Verdict, str]:
    """Tell whether one context allows a place; with a reason where that cannot be told."""
    if kind == "fhirpath":
        return _found(expression, place, env, library)
    if kind == "extension":
        return expression in _urls(place), ""
    if kind != "element":
        return None, f"the kind of context {kind} is not known"
    if expression in ANYWHERE:
        return True, ""
    told = expression.removeprefix(CORE)
    if "#" not in told and not told.startswith(("http:", "https:", "urn:")):
        return told in place.names or _implements(told, place, library.definitions), ""
    from fhircare.check.profiles.instances import is_element

    return is_element(expression, place, env, library)


def _urls(place: Place) -> list[str]:
    """Return what an enclosing extension is called: its url; a part also the whole's with ``#part``."""
    taken = steps(place.path)[len(steps(place.scope.path)) : -2]
    if len(taken) < 2 or taken[-2] not in {"extension", "modifierExtension"}:
        return []
    url = str(place.holder.get("url", "")) if isinstance(place.holder, dict) else ""
    if ":" in url or len(taken) < 4:
        return [url]
    outer: Any = place.scope.resource
    beside: Any = None
    for step in taken[:-2]:
        outer, beside = stepped(outer, beside, step)
    return [url, f"{outer.get('url', '')}#{url}"] if isinstance(outer, dict) else [url]


def _found(expression: str, place: Place, env: Env, library: Library) -> tuple[Verdict, str]:
    """Tell whether an expression finds the element, in its resource or in the one that contains that."""
    from fhircare.check.fhirpath.runtime import UNDECIDABLE, Box
    from fhircare.check.fhirpath.syntax import FhirPathError, UnknownElementError

    roots = [place.scope.resource]
    if env.root_resource is not place.scope.resource:
        roots.append(env.root_resource)
    problem = ""
    for root in roots:
        try:
            ask = _items(expression, str(root.get("resourceType", "")), library.definitions.release)
            found = ask(root, env, None)
        except UnknownElementError:
            continue  # another type's elements: it finds nothing here
        except FhirPathError as fault:
            problem = fault.problem
            continue
        except UNDECIDABLE:
            problem = "the resource is not as its definition has it"
            continue
        for one in found:
            held = (one.value, one.element) if one.__class__ is Box else (one,)
            if any(part is place.holder for part in held):
                return True, ""
    return (None, f"{problem}: {expression}") if problem else (False, "")


@lru_cache(maxsize=1000)
def _items(expression: str, context: str, release: str) -> Callable[[Any, Env, Any], list[Any]]:
    from fhircare.check.fhirpath.build import compile_items
    from fhircare.check.fhirpath.model import SpecModel

    return compile_items(expression, context, SpecModel(of_release(release)))


@lru_cache(maxsize=1000)
def _truth(expression: str, context: str, release: str) -> Callable[[Any, Env, Any], bool]:
    from fhircare.check.fhirpath.build import compile_truth
    from fhircare.check.fhirpath.model import SpecModel

    return compile_truth(expression, context, SpecModel(of_release(release)))


def _implements(name: str, place: Place, definitions: Definitions) -> bool:
    """Tell whether an extension stands on a resource itself that has the elements of an interface."""
    if name not in INTERFACES or place.holder is not place.scope.resource:
        return False
    node = definitions.node(place.scope.type)
    return node is not None and node.elements.keys() >= INTERFACES[name]


@lru_cache(maxsize=10_000)
def called(release: str, root: str, names: tuple[str, ...]) -> tuple[str, frozenset[str]]:
    """Return the type of an element, and what ids of the base definitions may call it.

    Args:
        release: The release.
        root: The resource's type.
        names: The names of the elements down to it, as in JSON.
    """
    definitions = of_release(release)
    paths, kind, context, base = [root], root, root, root
    for name in names:
        element = _element(context, name, definitions)
        if element is None:
            return "", frozenset()
        code = element.names[name].code
        sliced = [f"{path}.{element.name}:{name}" for path in paths if name != element.name]
        paths = [f"{path}.{element.name}" for path in paths] + sliced
        kind = context = element.node or code
        base = code or "BackboneElement"
        paths += [one for one in (element.node or code,) if one not in paths]
    found = {*paths, *(path.removesuffix("[x]") for path in paths)}
    while base:
        found.add(base)
        known = definitions.type(base)
        base = known.base if known else ""
    return kind, frozenset(found)


def _element(context: str, name: str, definitions: Definitions) -> Element | None:
    node = definitions.node(context)
    for element in node.elements.values() if node else ():
        if name in element.names:
            return element
    return None
