"""Codes of code systems that a package given says are retired.

https://hl7.org/fhir/R4/codesystem-definitions.html#CodeSystem.status: an artifact of status ``retired`` has
been withdrawn or superseded and should no longer be used; and the extension ``structuredefinition-standards-
status`` may say ``deprecated``. A code of such a system is still a code, so this is a warning::

    warning  profile.code-system-retired  CarePlan.category[0].coding[0].system
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.path import Path, render
from fhircare.check.report import Issue

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.check.profiles.library import Given
    from fhircare.check.walk import Walk

STATUS = "http://hl7.org/fhir/StructureDefinition/structuredefinition-standards-status"
_OVER = frozenset({"deprecated", "withdrawn"})


def retired_systems(packages: Iterable[Given]) -> dict[str, str]:
    """Return the titles of the code systems that packages say are retired, by canonical."""
    return {
        str(one["url"]): str(one.get("title") or one.get("name") or one["url"])
        for package in packages
        for one in package
        if one.get("resourceType") == "CodeSystem" and _is_retired(one)
    }


def retired_codes(walk: Walk, systems: dict[str, str]) -> list[Issue]:
    """Return a warning for each Coding of a retired system in a file that has been walked."""
    issues: list[Issue] = []
    for path, coding in _codings(walk.root, (None, str(walk.root.get("resourceType", "Resource")))):
        url = coding["system"]
        if url in systems:
            message = f"{systems[url]} is retired, and should no longer be used."
            mend = "Use a code of another system, or keep it beside one for readers of earlier versions."
            place = render((path, "system"))
            issues.append(
                Issue("warning", "business-rule", place, "profile.code-system-retired", message, mend, url)
            )
    return issues


def _is_retired(system: dict[str, Any]) -> bool:
    if system.get("status") == "retired":
        return True
    extensions = system.get("extension")
    return any(
        isinstance(one, dict) and one.get("url") == STATUS and one.get("valueCode") in _OVER
        for one in (extensions if isinstance(extensions, list) else ())
    )


def _codings(node: Any, path: Path) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Yield every object with a system and a code, with its place."""
    waiting: list[tuple[Any, Path]] = [(node, path)]
    while waiting:
        here, at = waiting.pop()
        if isinstance(here, dict):
            if isinstance(here.get("system"), str) and isinstance(here.get("code"), str):
                yield at, here
            waiting += [(value, (at, key)) for key, value in reversed(here.items())]
        elif isinstance(here, list):
            waiting += [(value, (at, index)) for index, value in reversed(list(enumerate(here)))]
