"""Where profiles and value sets are found: those that come with us, and those of packages given.

A canonical with a version (``url|8.0.0``) means that version and no other. Without one, the package that is
asking comes first, then the packages given, then what comes with us.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from fhircare.check.fhirpath.namespace import NAMESPACE
from fhircare.check.profiles import tree
from fhircare.check.walk import Env
from fhircare.spec import ValueSet
from fhircare.spec.shipped import Own, Shipped, shipped, split

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fhircare.check.compile import Compiler
    from fhircare.check.path import Path
    from fhircare.check.profiles.plain import Ask
    from fhircare.check.profiles.tree import Profile
    from fhircare.check.profiles.visit import Visit
    from fhircare.check.walk import Walk

Json = dict[str, Any]
_TREE = {name: vars(tree)[name] for name in ("Node", "Profile", "Rule", "Slice", "Slicing", "Test")}


class Source(Protocol):
    """What a package must offer: its version, and its definitions by url."""

    version: str

    def get(self, url: str) -> Json | None: ...  # noqa: D102


class Given(Source, Protocol):
    """What a package given must offer besides: all its definitions, one after the other."""

    def __iter__(self) -> Iterator[Json]: ...


class Found(NamedTuple):
    """A definition that is held: its url and version, and the package where it is read when needed."""

    url: str
    version: str
    source: Source

    def definition(self) -> Json:
        """Return the definition itself."""
        return self.source.get(self.url) or {}


class Library:
    """All profiles and value sets of one check.

    Attributes:
        compiler: Keeps compiled text, and knows the release.
        definitions: The release's base types.
        sources: The packages, in the order they are asked.
        thorough: True to say also of codes of systems that nobody holds that they could not be looked up.
        aimed: References of the file at hand of which nothing is to be said, each with what asked.
    """

    def __init__(self, compiler: Compiler, packages: Sequence[Given] = (), *, thorough: bool = False) -> None:
        self.thorough = thorough
        self.compiler, self.definitions = compiler, compiler.definitions
        self.sources: tuple[Source, ...] = (*packages, *shipped(self.definitions.release))
        self._given = tuple(packages)
        self._profiles: dict[str, Profile | None] = {}
        self._sets: dict[tuple[str, str], ValueSet | None] = {}
        self._codes: Any = None
        self._asking: dict[tuple[int, str], str | None] = {}
        self._named: dict[str, Json | None] = {}
        self._untold: set[tuple[str, str]] = set()
        self._plain: dict[tuple[int, str], Ask] = {}
        self.aimed: set[tuple[int, str]] = set()

    # --- profiles ---

    def find(self, canonical: str, first: Source | None = None) -> Found | None:
        """Return the definition a canonical names, None when it is not held (in that version)."""
        url, version = split(canonical)
        for source in self.sources if first is None else (first, *self.sources):
            held = self._version(url, source)
            if held is not None and version in {"", held}:
                return Found(url, held, source)
        return None

    @staticmethod
    def _version(url: str, source: Source) -> str | None:
        """Return the version in which a package holds a url, None when it does not."""
        if isinstance(source, Shipped):
            return source.version if source.holds(url) else None
        definition = source.get(url)
        return None if definition is None else str(definition.get("version") or source.version)

    def versions(self, canonical: str) -> list[str]:
        """Return the versions in which a canonical's url is held, whatever version it names."""
        url, _ = split(canonical)
        held = [self._version(url, source) for source in self.sources]
        return [version for version in held if version is not None]

    def profile(self, canonical: str) -> Profile | None:
        """Return a profile made ready, None when it is not held or cannot be made ready."""
        if canonical not in self._profiles:
            found = self.find(canonical)
            self._profiles[canonical] = None if found is None else self._made(found)
        return self._profiles[canonical]

    def _made(self, found: Found) -> Profile | None:
        from fhircare.check.profiles.draft import Unbuildable

        key = f"{found.url}|{found.version}"
        if key not in self._profiles:
            try:
                self._profiles[key] = self._load(found)
            except Unbuildable as problem:
                self._profiles[key] = self._unbuilt(found.definition(), str(problem))
        return self._profiles[key]

    def _load(self, found: Found) -> Profile | None:
        source = found.source
        if isinstance(source, Shipped | Own):
            name = kept_name(source, found.url)
            code = self.compiler.kept(name, lambda: self.source(found.definition(), source))
        else:
            definition = found.definition()
            if definition.get("resourceType") != "StructureDefinition":
                return None
            code = compile(self.source(definition, source), f"<profile {found.url}>", "exec")
        scope: dict[str, Any] = {**NAMESPACE, **_TREE}
        exec(code, scope)  # noqa: S102 - our own text, made of a definition; its values are written with repr
        made: Profile = scope["PROFILE"]
        return made

    def plain(self, profile: Profile, kind: str) -> Ask:
        """Return the quick test that nothing is amiss in a value of a type, made when first asked for."""
        key = (id(profile), kind)
        found = self._plain.get(key)
        if found is None:
            from fhircare.check.profiles.plain import plain

            found = self._plain[key] = plain(profile, kind, self)
        return found

    def source(self, definition: Json, source: Source) -> str:
        """Return the Python text of a profile.

        Raises:
            Unbuildable: When it cannot be made ready.
        """
        from fhircare.check.profiles.build import build
        from fhircare.check.profiles.write import profile_source

        def find(canonical: str) -> Json | None:
            found = self.find(canonical, source)
            return found.definition() if found else None

        return profile_source(build(definition, self.definitions, find), self.definitions)

    def _unbuilt(self, definition: Json, problem: str) -> Profile:
        kind = str(definition.get("type", ""))
        name = str(definition.get("title") or definition.get("name") or definition["url"])
        version = str(definition.get("version", ""))
        return tree.Profile(definition["url"], version, name, kind, tree.Node(kind, ()), (), (problem,))

    # --- questions of a visit ---

    def env(self, resource: Json, root: Json, walk: Walk | None) -> Env:
        """Return what the rules of a profile may ask about a resource."""
        return ProfileEnv(resource, root, walk, self)

    def problem(self, resource: Json, canonical: str, env: Env) -> str | None:
        """Return the first thing that keeps a resource from keeping a profile.

        None when nothing does, or when that cannot be told. A resource that is being asked about already
        is taken to keep it, so that resources may refer to each other; when it then does not, what was
        found by taking it so is forgotten.
        """
        key = (id(resource), canonical)
        if key in self._asking:
            return self._asking[key]
        profile = self.profile(canonical)
        if profile is None or profile.gaps:
            return None
        from fhircare.check.profiles.visit import Broken, Item, Quiet

        before = len(self._asking)
        self._asking[key] = None
        kind = str(resource.get("resourceType", ""))
        env = self.env(resource, resource, env.walk)
        if self.plain(profile, kind)(resource, env):
            return None
        quiet = Quiet(profile, self, env, [])
        told = ""
        try:
            quiet.look(profile.root, Item(resource, None, (None, kind), kind))
        except Broken:
            issue = quiet.issues[-1]
            told = f"{issue.expression}: {issue.message.replace('{profile}', profile.name)}"
            for later in [one for one in list(self._asking)[before + 1 :] if self._asking[one] is None]:
                del self._asking[later]
            self.aimed.clear()
        self._asking[key] = told or None
        return self._asking[key]

    def named(self, canonical: str, env: Env) -> Json | None:
        """Return the resource that a canonical names: contained, in the file, or a definition of a package.

        None when none is held, or when the file holds several and the canonical does not say which.
        https://hl7.org/fhir/R4/references.html#canonical.
        """
        if canonical.startswith("#"):
            return env.resolve(canonical)
        if canonical not in self._named:
            url, version = split(canonical)
            here = [
                scope.resource
                for scope in (env.walk.gathered.resources if env.walk is not None else ())
                if scope.resource.get("url") == url
                and (not version or scope.resource.get("version") in {version, None})
            ]
            found = None if here else self.find(canonical)
            definition = found.definition() if found else None
            self._named[canonical] = here[0] if len(here) == 1 else definition
        return self._named[canonical]

    def untold(self, value_set: str, path: Path, v: Visit) -> None:
        """Say once for a value set that whether codes are in it cannot be told here."""
        key = (value_set, v.profile.url)
        if v.quiet or key in self._untold:
            return
        held = self.value_set(value_set)
        name = held.name if held is not None and held.name else value_set.split("|", maxsplit=1)[0]
        v.say(
            path,
            "information",
            "not-supported",
            "profile.binding.untold",
            f"{{profile}} asks for a code of {name}, and whether this is one cannot be told here",
            "Give the package that holds it and its code systems with --package, or look it up",
        )
        self._untold.add(key)

    def is_untold(self, value_set: str, profile: str) -> bool:
        """Tell whether that has been said already."""
        return (value_set, profile) in self._untold

    def forget(self) -> None:
        """Forget what was found about one file: resources are told apart by where they lie in memory."""
        self._asking.clear()
        self._named.clear()
        self._untold.clear()
        self.aimed.clear()

    # --- value sets ---

    def value_set(self, canonical: str) -> ValueSet | None:
        """Return an expanded value set, None when it is not held."""
        url, version = split(canonical)
        key = (url, version)
        if key not in self._sets:
            self._sets[key] = self._expanded(url)
        return self._sets[key]

    def _expanded(self, url: str) -> ValueSet | None:
        if self._given:
            if self._codes is None:
                from fhircare.check.profiles.expansion import Expansion

                resources = (one for package in reversed(self._given) for one in package)
                self._codes = Expansion(resources, self.definitions)
            found: ValueSet | None = self._codes.value_set(url)
            if found is not None:
                return found
        for source in self.sources[len(self._given) :]:
            if isinstance(source, Shipped):
                line = source.code_line(url)
                if line is not None and line["kind"] == "set":
                    return self._from_line(line, source)
            elif isinstance(source, Own) and url.startswith(source.prefix):
                from fhircare.check.profiles.expansion import Expansion

                return Expansion(source.needed(url), self.definitions).value_set(url)
        return self.definitions.value_set(url)

    def _from_line(self, line: Json, source: Shipped) -> ValueSet:
        systems = {
            system: self._all_of(system, source) if codes == "*" else tuple(codes)
            for system, codes in line.get("systems", {}).items()
        }
        known = not line.get("unknown", False)
        return ValueSet(line["url"], line.get("name", ""), systems, frozenset(line.get("open", ())), known)

    def _all_of(self, system: str, source: Shipped) -> tuple[str, ...]:
        line = source.code_line(system)
        return tuple(line["codes"]) if line else tuple(sorted(self.definitions.code_system(system) or ()))


class ProfileEnv(Env):
    """What rules of a profile may ask: also whether a code is in a value set, a node keeps a profile."""

    __slots__ = ("library",)

    def __init__(self, resource: Json, root: Json, walk: Walk | None, library: Library) -> None:
        super().__init__(resource, root, walk)
        self.library = library

    def member_of(self, value: Any, value_set: str) -> bool | None:
        """Tell whether a code, Coding or CodeableConcept is in a value set; None when it cannot be told."""
        from fhircare.check.profiles.codes import member

        held = self.library.value_set(value_set)
        bare = getattr(value, "value", value)
        if not isinstance(bare, dict):
            return member(held, None, bare)
        codings = bare.get("coding", [bare])
        told = [
            member(held, one.get("system", ""), one.get("code")) for one in codings if isinstance(one, dict)
        ]
        return True if True in told else None if None in told else False

    def conforms_to(self, node: Any, profile: str) -> bool | None:
        """Tell whether a resource or element keeps a profile; None when it cannot be told."""
        from fhircare.check.profiles.visit import Item, Visit

        found = self.library.profile(profile)
        if found is None or found.gaps:
            return None
        bare = getattr(node, "value", node)
        kind = bare.get("resourceType", found.type) if isinstance(bare, dict) else found.type
        if kind != found.type and isinstance(bare, dict) and "resourceType" in bare:
            return False
        visit = Visit(found, self.library, self, [])
        return visit.quietly(found, Item(bare, None, (None, str(kind)), str(kind)))


class PlacedEnv(ProfileEnv):
    """What a demand of an extension on its place may ask: also ``%extension``, the extension itself."""

    __slots__ = ("extension",)

    def __init__(self, env: Env, library: Library, extension: Json) -> None:
        super().__init__(env.resource, env.root_resource, env.walk, library)
        self.extension = extension


def profile_sources(compiler: Compiler) -> Iterator[tuple[str, str]]:
    """Yield what every profile that comes with us is kept under, and its Python text: for the wheel."""
    from fhircare.check.profiles.draft import Unbuildable

    library = Library(compiler)
    for source in library.sources:
        if isinstance(source, Shipped | Own):
            for url in source.urls():
                definition = source.get(url)
                with suppress(Unbuildable):
                    if definition is not None:
                        yield kept_name(source, url), library.source(definition, source)


def kept_name(source: Shipped | Own, url: str) -> str:
    """Return what the compiled text of a profile is kept under."""
    return f"{source.folder}.{url.rsplit('/', maxsplit=1)[-1]}"
