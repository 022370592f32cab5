"""Whether an element is one that a profile defines: ``http://example.org/p#Patient.identifier:mrn``.

https://hl7.org/fhir/R4/codesystem-extension-context-type.html: any element whose ElementDefinition.id is this
one, slices included. A resource is an instance of a profile when it claims it, or one based on it, or else
when it keeps it; an extension is by its url; a value of any other type when it keeps it. A profile without an
element id means its root.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.path import Path, steps
from fhircare.check.profiles.visit import Item, Visit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.check.profiles.contexts import Place
    from fhircare.check.profiles.draft import Draft
    from fhircare.check.profiles.library import Found, Library
    from fhircare.check.walk import Env

Json = dict[str, Any]
Verdict = bool | None


def is_element(expression: str, place: Place, env: Env, library: Library) -> tuple[Verdict, str]:
    """Tell whether an element is the one of a profile, and why that cannot be told.

    Args:
        expression: The profile's canonical, with ``#`` and the id of an element of it or without.
        place: The element.
        env: What rules may ask about the resource it stands in.
        library: Where profiles are found.
    """
    url, _, wanted = expression.partition("#")
    found = library.find(url)
    if found is None:
        return None, f"{url} is not held"
    definition = found.definition()
    kind = str(definition.get("type", ""))
    ways = [step.partition(":") for step in (wanted or kind).split(".")[1:]]
    problem = ""
    for anchor in _anchors(kind, place, library):
        below = _below(anchor, place)
        if len(below) != len(ways) or not _is_instance(definition, anchor, place, env, library):
            continue
        told, why = _follows(found, anchor, ways, below, Visit(_profile(url, library), library, env, []))
        if told:
            return True, ""
        problem = problem or why
    return (None, problem) if problem else (False, "")


def _profile(url: str, library: Library) -> Any:
    """Return a profile made ready; what a slice asks is asked in its name."""
    return library.profile(url)


def _anchors(kind: str, place: Place, library: Library) -> Iterator[Item]:
    """Yield the elements of a type that the place stands in, or is, from the root down."""
    from fhircare.check.profiles.contexts import called, stepped

    release = library.definitions.release
    here: Any = place.scope.resource
    beside: Any = None
    path: Path = place.scope.path
    names: tuple[str, ...] = ()
    taken = steps(place.path)[len(steps(path)) : -2]
    for step in (None, *taken):
        if step is not None:
            (here, beside), path = stepped(here, beside, step), (path, step)
        if isinstance(step, str):
            names = (*names, step)
        told, types = called(release, place.scope.type, names)
        listed = isinstance(here, list) or isinstance(beside, list)
        if not listed and (told == kind or (not names and kind in types)):
            yield Item(here, beside, path, told)


def _below(anchor: Item, place: Place) -> list[tuple[str, Path]]:
    """Return the elements from an anchor down to the place: each one's JSON name, and its path with index."""
    found: list[tuple[str, Path]] = []
    here: Path = anchor.path
    for step in steps(place.path)[len(steps(anchor.path)) : -2]:
        here = (here, step)
        if isinstance(step, str):
            found.append((step, here))
        else:
            found[-1] = (found[-1][0], here)
    return found


def _is_instance(definition: Json, anchor: Item, place: Place, env: Env, library: Library) -> bool:
    url = str(definition.get("url", ""))
    if anchor.kind == "Extension":
        return bool(anchor.value.get("url") == url) if isinstance(anchor.value, dict) else False
    if anchor.path == place.scope.path:
        meta = place.scope.resource.get("meta")
        claims = meta.get("profile") if isinstance(meta, dict) else None
        for claim in claims if isinstance(claims, list) else ():
            if isinstance(claim, str) and url in _based_on(claim, library):
                return True
        return library.problem(place.scope.resource, url, env) is None
    profile = library.profile(url)
    return profile is not None and Visit(profile, library, env, []).quietly(profile, anchor)


def _based_on(canonical: str, library: Library) -> list[str]:
    """Return a profile's canonical and those of the profiles it is based on, without versions."""
    urls: list[str] = []
    here = canonical
    while here and here.partition("|")[0] not in urls:
        urls.append(here.partition("|")[0])
        found = library.find(here)
        here = str(found.definition().get("baseDefinition", "")) if found else ""
    return urls


def _follows(
    found: Found, anchor: Item, ways: list[tuple[str, str, str]], below: list[tuple[str, Path]], visit: Visit
) -> tuple[Verdict, str]:
    """Tell whether the elements from an anchor down are those of an id, slice by slice."""
    from fhircare.check.profiles.build import Builder
    from fhircare.check.profiles.draft import Unbuildable

    def find(canonical: str) -> Json | None:
        held = visit.library.find(canonical, found.source)
        return held.definition() if held else None

    builder = Builder(visit.library.definitions, find)
    try:
        draft: Draft | None = builder.reader.read(found.definition())
    except Unbuildable as fault:
        return None, str(fault)
    for (name, _, slice_name), (key, path) in zip(ways, below, strict=True):
        draft = draft.children.get(name) or draft.children.get(f"{name}[x]") if draft else None
        if name.removesuffix("[x]") != key and not (
            name.endswith("[x]") and key.startswith(name.removesuffix("[x]"))
        ):
            return False, ""
        if not slice_name:
            continue
        item = _item(anchor, path)
        told, why = _in_slice(draft, slice_name, item, builder, visit)
        if not told:
            return told, why
        draft = draft.slices.get(slice_name) if draft else None
    return True, ""


def _item(anchor: Item, path: Path) -> Item:
    """Return what stands at a path below an anchor."""
    from fhircare.check.profiles.contexts import stepped

    here: Any = anchor.value
    beside: Any = anchor.beside
    for step in steps(path)[len(steps(anchor.path)) :]:
        here, beside = stepped(here, beside, step)
    return Item(here, beside, path, "")


def _in_slice(draft: Draft | None, name: str, item: Item, builder: Any, visit: Visit) -> tuple[Verdict, str]:
    from fhircare.check.profiles.discriminators import tests_of
    from fhircare.check.profiles.slicing import belongs
    from fhircare.check.profiles.tree import Node, Slice

    one = draft.slices.get(name) if draft else None
    if draft is None or one is None:
        return None, f"no slice {name} is defined there"
    key = item.path[1] if isinstance(item.path[1], str) else item.path[0][1]
    if draft.name.endswith("[x]") and isinstance(key, str):
        return key == name, ""
    by = (draft.slicing or {}).get("discriminator") or []
    if draft.name in {"extension", "modifierExtension"}:
        by = by or [{"type": "value", "path": "url"}]
    tests, problem = tests_of(one, by, builder)
    if problem:
        return None, f"the slice {name} ({problem})"
    told = belongs(Slice(name, tests, Node(draft.name, ())), item, visit)
    return told, "" if told is not None else f"the slice {name}"
