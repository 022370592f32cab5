"""References held against the profiles their targets must keep.

https://hl7.org/fhir/R4/references.html and ElementDefinition.type.targetProfile. A target in the same file
is held against the profiles; of one outside, only its type can be known.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.fhirpath.runtime import resolve
from fhircare.check.words import listed

if TYPE_CHECKING:
    from fhircare.check.profiles.visit import Item, Visit

# Its resource type ("" when the profile is not known here), and the profile ("" for the type alone).
Target = tuple[str, str]


def aimed(targets: tuple[Target, ...], item: Item, v: Visit) -> None:
    """Hold a Reference (or the one in a CodeableReference) against the targets a profile allows."""
    value = item.value
    if item.kind == "CodeableReference" and isinstance(value, dict):
        value = value.get("reference")
    if not isinstance(value, dict) or "" in {kind for kind, _ in targets}:
        return
    found = resolve([value], v.env)
    stated = value.get("type")
    kind = found[0].get("resourceType") if found else stated
    if not isinstance(kind, str):
        return
    allowed = [url for one, url in targets if one in {kind, "Resource"}]
    if not allowed:
        mend = f"Refer to {listed(sorted({one for one, _ in targets}), 6)}"
        v.say(item.path, "error", "structure", "profile.target", "{profile} allows no such target here", mend)
        return
    if "" in allowed or not found or not _whole(found[0]):
        return
    problems = [v.library.problem(found[0], url, v.env) for url in allowed]
    if None in problems:
        return
    first = next(problem for problem in problems if problem is not None)
    message = f"what this refers to does not keep {listed([_name(url, v) for url in allowed], 3)}"
    v.say(item.path, "error", "structure", "profile.target", f"{message}, as {{profile}} asks", first)


def _whole(target: dict[str, Any]) -> bool:
    """Tell a resource of the file from the stand-in for one outside it, which has type and reference only."""
    return not (len(target) == 2 and ("/" in str(target.get("id")) or ":" in str(target.get("id"))))


def _name(url: str, v: Visit) -> str:
    profile = v.library.profile(url)
    return profile.name if profile else url
