"""Which profiles are checked on which resource: those it claims, those asked for, and its extensions'.

https://hl7.org/fhir/R4/resource-definitions.html#Meta.profile. A claim that cannot be checked is told, not
believed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.check.path import Path, render
from fhircare.check.profiles.contexts import allowed, broken, is_plain, may_stand, place_of
from fhircare.check.profiles.visit import Item, Visit
from fhircare.check.report import Issue, Severity
from fhircare.check.words import listed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fhircare.check.gather import ResourceScope
    from fhircare.check.profiles.library import Library
    from fhircare.check.profiles.tree import Profile
    from fhircare.check.walk import Env, Walk

CLAIMS_PAGE = "https://hl7.org/fhir/R4/resource-definitions.html#Meta.profile"
CORE = "http://hl7.org/fhir/StructureDefinition/"


def check_claims(walk: Walk, library: Library, asked: Sequence[str]) -> list[Issue]:
    """Return the findings of all profiles on all resources of a file that has been walked."""
    library.forget()
    issues: list[Issue] = []
    bound: set[int] = set()
    found: set[str] = set()
    for scope in walk.gathered.resources:
        wanted = _wanted(scope, library, asked, issues)
        found.update(url for url, _ in wanted)
        for _, profile in wanted:
            bound.add(id(scope))
            _held(profile, scope, walk, library, issues)
    for url in asked:
        one = library.profile(url)
        if one is not None and one.type != "Extension" and url not in found:
            message = f"No {one.type} is there to be held against {one.name}."
            _say(issues, (None, _root(walk)), "information", "profile.nothing", message, "", one.url)
    _extensions(walk, library, issues, bound)
    return list(dict.fromkeys(issues))


def _root(walk: Walk) -> str:
    return str(walk.root.get("resourceType", "Resource"))


def _wanted(
    scope: ResourceScope, library: Library, asked: Sequence[str], issues: list[Issue]
) -> list[tuple[str, Profile]]:
    """Return the profiles to check on a resource: its own claims, then those asked for."""
    wanted: dict[int, tuple[str, Profile]] = {}
    meta = scope.resource.get("meta")
    claims = meta.get("profile") if isinstance(meta, dict) else None
    for index, canonical in enumerate(claims if isinstance(claims, list) else ()):
        if isinstance(canonical, str):
            profile = _claimed(canonical, scope, (((scope.path, "meta"), "profile"), index), library, issues)
            if profile is not None:
                wanted[id(profile)] = (canonical, profile)
    for canonical in asked:
        profile = library.profile(canonical)
        if profile is not None and profile.type in {scope.type, "Resource", "DomainResource"}:
            wanted[id(profile)] = (canonical, profile)
    return list(wanted.values())


def _claimed(
    canonical: str, scope: ResourceScope, place: Path, library: Library, issues: list[Issue]
) -> Profile | None:
    profile = library.profile(canonical)
    kind = canonical.split("|", maxsplit=1)[0].removeprefix(CORE)
    if profile is None and canonical.startswith(CORE) and library.definitions.type(kind) is not None:
        if kind != scope.type and not _is_base(kind, scope.type, library):
            _say_other(issues, place, kind)
        return None
    if profile is None:
        held = library.versions(canonical)
        message = "This profile is not held here, so the claim is not checked."
        mend = "Give the package that holds it with --package."
        if held:
            message = f"This profile is held in version {listed(held)} only, so the claim is not checked."
            mend = "Give the package of that version with --package."
        _say(issues, place, "information", "profile.unknown", message, mend, CLAIMS_PAGE)
        return None
    if profile.type != scope.type and not _is_base(profile.type, scope.type, library):
        _say_other(issues, place, profile.type)
        return None
    return profile


def _is_base(kind: str, scope_type: str, library: Library) -> bool:
    """Tell whether a type is one that a resource type is based on."""
    here = scope_type
    while here and here != kind:
        found = library.definitions.type(here)
        here = found.base if found else ""
    return bool(here)


def _say_other(issues: list[Issue], place: Path, kind: str) -> None:
    message = f"This profile is one of {kind}, not of this resource's type."
    _say(issues, place, "error", "profile.other-type", message, "Take the claim away.", CLAIMS_PAGE)


def _held(profile: Profile, scope: ResourceScope, walk: Walk, library: Library, issues: list[Issue]) -> None:
    if profile.gaps:
        message = f"{profile.name} is checked in part only; left out: {listed(profile.gaps, 6)}."
        _say(issues, scope.path, "information", "profile.partly", message, "", profile.url)
    item = Item(scope.resource, None, scope.path, scope.type)
    _held_to(profile, item, _env(scope, walk, library), library, issues)


def _held_to(profile: Profile, item: Item, env: Env, library: Library, issues: list[Issue]) -> None:
    """Visit a resource or an extension, unless it is plain that nothing is amiss."""
    if not library.plain(profile, item.kind)(item.value, env):
        Visit(profile, library, env, issues).look(profile.root, item)


def _env(scope: ResourceScope, walk: Walk, library: Library) -> Env:
    outer = scope.container if scope.kind == "contained" else None
    return library.env(scope.resource, outer.resource if outer else scope.resource, walk)


def _extensions(walk: Walk, library: Library, issues: list[Issue], bound: set[int]) -> None:
    """Hold every extension with a definition at hand against it; a modifier without one is an error.

    The latter only where a profile is checked: to say that one reads a resource by a profile and pass over
    what changes its meaning would be wrong.
    """
    last: ResourceScope | None = None
    env = _env(walk.scope, walk, library)
    for path, o, scope in walk.gathered.extensions:
        if scope is not last:  # a resource has many, and they come together
            last, env = scope, _env(scope, walk, library)
        url = o["url"]
        profile = library.profile(url)
        if profile is None or profile.type != "Extension":
            if id(scope) in bound and _is_modifier(path):
                message = (
                    "A modifier extension whose definition is not held: it may change what the element means."
                )
                mend = "Give the package that defines it with --package, or do not rely on this resource."
                _say(issues, path, "error", "profile.modifier-unknown", message, mend, url)
            continue
        _in_context(profile, path, o, scope, env, library, issues)
        _held_to(profile, Item(o, None, path, "Extension"), env, library, issues)


def _in_context(
    profile: Profile,
    path: Path,
    o: dict[str, Any],
    scope: ResourceScope,
    env: Env,
    library: Library,
    issues: list[Issue],
) -> None:
    """Tell whether an extension may stand where it does; what cannot be told is said."""
    if is_plain(profile, path, scope, library.definitions.release):
        return
    place = place_of(path, scope, library.definitions.release)
    told, problem = may_stand(profile, place, env, library)
    if told is False:
        message = f"{profile.name} is not meant for this place."
        mend = f"It may stand on {allowed(profile.contexts)}."
        _say(issues, path, "error", "profile.extension.context", message, mend, profile.url)
    elif told is None:
        message = f"Whether {profile.name} is meant for this place cannot be told: {problem}."
        _say(issues, path, "information", "profile.partly", message, "", profile.url)
    for demand, why in broken(profile, place, o, env, library) if profile.demands else ():
        if why:
            message = f"{profile.name} asks for more of its place than can be told: {why}."
            _say(issues, path, "information", "profile.partly", message, "", profile.url)
        else:
            message = f"{profile.name} is not meant for this place."
            mend = f"Make this true of what it stands on: `{demand}`"
            _say(issues, path, "error", "profile.extension.demand", message, mend, profile.url)


def _is_modifier(path: Path) -> bool:
    return path[0] is not None and path[0][1] == "modifierExtension"


def _say(
    issues: list[Issue], place: Path, severity: Severity, rule: str, message: str, mend: str, link: Any
) -> None:
    code = "informational" if severity == "information" else "structure"
    issues.append(Issue(severity, code, render(place), rule, message, mend, str(link)))
