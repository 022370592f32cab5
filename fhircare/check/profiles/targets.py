"""References and canonicals held against the profiles that what they lead to must keep.

https://hl7.org/fhir/R4/references.html, and ElementDefinition.type.targetProfile: "If any profiles are
specified, then the content must conform to at least one of them." What a Reference leads to is looked for in
the file, what a canonical names also among the definitions of packages. Of the target of a Reference outside
the file only its type can be known, from its address; of a canonical's nothing: it is a name, and whether
anybody holds what it names is no question of the profile, so nothing is said.
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

# A resource type ("" when the profile is not known here), the profile ("" for the type alone), and the type
# whose values may lead there: Reference (or CodeableReference) or canonical.
Target = tuple[str, str, str]


def aimed(targets: tuple[Target, ...], item: Item, v: Visit) -> None:
    """Hold a Reference (or the one in a CodeableReference) against the targets a profile allows."""
    found = problem(targets, item.value, item.kind, v.library, v.env)
    if found is not None:
        v.say(item.path, "error", "structure", "profile.target", *found)


def problem(
    targets: tuple[Target, ...], value: Any, kind: str, library: Library, env: Env
) -> tuple[str, str] | None:
    """Return what is wrong with where a reference leads, and how to mend it; None when that is nothing."""
    mine = [(one, url) for one, url, by in targets if (by == "canonical") is (kind == "canonical")]
    if not mine or "" in {one for one, _ in mine}:
        return None
    found, stated = _found(value, kind, library, env)
    target = found[0].get("resourceType") if found else stated
    if not isinstance(target, str):
        return None
    allowed = [url for one, url in mine if one in {target, "Resource"}]
    if not allowed:
        mend = f"Refer to {listed(sorted({one for one, _ in mine}), 6)}"
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


def _found(value: Any, kind: str, library: Library, env: Env) -> tuple[list[dict[str, Any]], Any]:
    """Return the resource that a Reference or canonical leads to, if it is here, and the type it states."""
    if kind == "canonical":
        here = library.named(value, env) if isinstance(value, str) else None
        return ([] if here is None else [here]), None
    if kind == "CodeableReference" and isinstance(value, dict):
        value = value.get("reference")
    return (resolve([value], env), value.get("type")) if isinstance(value, dict) else ([], None)


def _whole(target: dict[str, Any]) -> bool:
    """Tell a resource of the file from the stand-in for one outside it, which has type and reference only."""
    return not (len(target) == 2 and ("/" in str(target.get("id")) or ":" in str(target.get("id"))))


def _name(url: str, library: Library) -> str:
    profile = library.profile(url)
    return profile.name if profile else url
