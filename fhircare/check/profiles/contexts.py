"""Where an extension may stand: its context of use.

https://hl7.org/fhir/R4/defining-extensions.html#context. Contexts of kind ``element`` and ``extension`` are
looked at; one given as FHIRPath, or by a profile, allows any place here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.check.path import Path, steps
from fhircare.check.words import listed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.check.gather import ResourceScope
    from fhircare.spec import Definitions, Element

CORE = "http://hl7.org/fhir/StructureDefinition/"
ANYWHERE = frozenset({"Element", "*"})


def allowed(contexts: tuple[tuple[str, str], ...]) -> str:
    """Return the places an extension may stand, for a sentence."""
    return listed([expression for _, expression in contexts], 6)


def may_stand(
    contexts: tuple[tuple[str, str], ...], path: Path, scope: ResourceScope, definitions: Definitions
) -> bool:
    """Tell whether an extension may stand where it does.

    Args:
        contexts: Kind and expression of each place it is meant for.
        path: Its place.
        scope: The resource it stands in.
        definitions: The release.
    """
    if not contexts:
        return True
    taken = steps(path)[len(steps(scope.path)) : -2]
    names = [one for one in taken if isinstance(one, str)]
    inside = ""
    if names and names[-1] in {"extension", "modifierExtension"}:
        holder: object = scope.resource
        for step in taken:
            holder = holder[step]  # type: ignore[index]
        inside = str(holder.get("url", "")) if isinstance(holder, dict) else ""
    places = set(_places(scope.type, names, definitions))
    for kind, expression in contexts:
        if kind == "extension":
            if inside == expression:
                return True
        elif kind != "element" or expression in ANYWHERE:
            return True
        else:
            told = expression.rpartition("#")[2] if "#" in expression else expression.removeprefix(CORE)
            if told.startswith("http") or told in places:
                return True
    return False


def _places(root: str, names: list[str], definitions: Definitions) -> Iterator[str]:
    """Yield what the place may be called: its path from each type on the way, and its own type's names."""
    paths, context = [root], root
    kind = root
    for name in names:
        element = _element(context, name, definitions)
        if element is None:
            return
        kind = element.names[name].code if name in element.names else ""
        paths = [f"{path}.{element.name}" for path in paths]
        context = element.node or kind
        if not element.node:
            paths.append(kind)
        if element.node and element.node not in paths:
            paths.append(element.node)
    for path in paths:
        yield path
        yield path.removesuffix("[x]")
    while kind:
        yield kind
        found = definitions.type(kind)
        kind = found.base if found else ""


def _element(context: str, name: str, definitions: Definitions) -> Element | None:
    node = definitions.node(context)
    for element in node.elements.values() if node else ():
        if name in element.names:
            return element
    return None
