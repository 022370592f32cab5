"""References held against the profiles their targets must keep.

https://hl7.org/fhir/R4/references.html and ElementDefinition.type.targetProfile. A target in the same file
is held against the profiles; of one outside, only its type can be known.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.fhirpath.runtime import resolve
from fhircare.check.words import listed

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.profiles.library import Library
    from fhircare.check.profiles.visit import Item, Visit
    from fhircare.check.walk import Env

# Its resource type ("" when the profile is not known here), and the profile ("" for the type alone).
Target = tuple[str, str]


def aimed(targets: tuple[Target, ...], item: Item, v: Visit) -> None:
    """Hold a Reference (or the one in a CodeableReference) against the targets a profile allows."""
    found = problem(targets, item.value, item.kind, v.library, v.env)
    if found is not None:
        v.say(item.path, "error", "structure", "profile.target", *found)


def problem(
    targets: tuple[Target, ...], value: Any, kind: str, library: Library, env: Env
) -> tuple[str, str] | None:
    """Return what is wrong with where a reference leads, and how to mend it; None when that is nothing."""
    if kind == "CodeableReference" and isinstance(value, dict):
        value = value.get("reference")
    if not isinstance(value, dict) or "" in {one for one, _ in targets}:
        return None
    found = resolve([value], env)
    target = found[0].get("resourceType") if found else value.get("type")
    if not isinstance(target, str):
        return None
    allowed = [url for one, url in targets if one in {target, "Resource"}]
    if not allowed:
        mend = f"Refer to {listed(sorted({one for one, _ in targets}), 6)}"
        return "{profile} allows no such target here", mend
    if "" in allowed or not found or not _whole(found[0]):
        return None
    problems = [library.problem(found[0], url, env) for url in allowed]
    if None in problems:
        return None
    first = next(problem for problem in problems if problem is not None)
    message = f"what this refers to does not keep {listed([_name(url, library) for url in allowed], 3)}"
    return f"{message}, as {{profile}} asks", first


def silent(targets: tuple[Target, ...], kind: str, library: Library) -> Callable[[Any, Env], bool]:
    """Return the test that nothing is wrong with where a reference leads.

    A URN leads to the same entry from everywhere in a file, and files name their patient often: it is
    followed once.
    """
    remembered, mine = library.aimed, id(targets)

    def ask(value: Any, env: Env) -> bool:
        text = value.get("reference") if value.__class__ is dict else None
        if text.__class__ is not str or not text.startswith("urn:") or len(value) > 1:
            return problem(targets, value, kind, library, env) is None
        if (mine, text) in remembered:
            return True
        if problem(targets, value, kind, library, env) is not None:
            return False
        remembered.add((mine, text))
        return True

    return ask


def _whole(target: dict[str, Any]) -> bool:
    """Tell a resource of the file from the stand-in for one outside it, which has type and reference only."""
    return not (len(target) == 2 and ("/" in str(target.get("id")) or ":" in str(target.get("id"))))


def _name(url: str, library: Library) -> str:
    profile = library.profile(url)
    return profile.name if profile else url
