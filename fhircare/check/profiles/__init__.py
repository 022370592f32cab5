"""The check against profiles, run beside the check of the base types.

::

    from fhircare.check import check
    from fhircare.check.profiles import Against
    from fhircare.spec.packages import load_packages

    against = Against(["http://example.org/StructureDefinition/x"], load_packages(path).packages)
    report = check(text, against=against)

Every profile that a resource claims in ``meta.profile`` is checked when it is held: US Core 8.0.0, the
profiles of R4 itself and our own come with us, others from packages. Profiles asked for are checked on every
resource of their type. An extension is checked inside wherever it stands, when its definition is held.

``draft`` reads StructureDefinitions, ``build`` and ``discriminators`` make the tree of ``tree``, ``write``
writes it as Python that is kept; ``visit``, ``slicing``, ``targets``, ``codes`` and ``values`` hold a
resource against it; ``library`` finds profiles and value sets; ``retired`` warns of code systems that a
package says are over. What of a profile cannot be asked here is
told as a finding (``profile.partly``), never left out in silence.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.errors import Fault, PackageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fhircare.check.compile import Compiler
    from fhircare.check.gather import Gathered
    from fhircare.check.profiles.library import Given, Library
    from fhircare.check.report import Issue
    from fhircare.check.walk import Walk

__all__ = ["Against"]

# What the canonicals of extensions begin with whose definitions come with us.
PREFIXES = ("http://hl7.org/fhir/us/core/", "https://fhircare.github.io/fhir/")
# FHIR's published versions, by release: a package is for the release its version begins like.
VERSIONS = {"R4": "4.0", "R4B": "4.3", "R5": "5.0"}


class Against:
    """What resources are held against beside what they claim.

    Attributes:
        profiles: Canonicals of profiles that every resource of their type must keep.
        packages: Packages to find profiles and value sets in, before those that come with us.
    """

    def __init__(self, profiles: Sequence[str] = (), packages: Sequence[Given] = ()) -> None:
        self.profiles, self.packages = tuple(profiles), tuple(packages)
        self._libraries: dict[str, Library] = {}
        self._retired: dict[str, str] | None = {} if not self.packages else None

    def library(self, compiler: Compiler) -> Library:
        """Return the library of a release, the same each time.

        Raises:
            PackageError: When a profile asked for is held neither by us nor by the packages.
        """
        release = compiler.definitions.release
        if release not in self._libraries:
            from fhircare.check.profiles.library import Library

            fitting = [package for package in self.packages if _fits(package, release)]
            library = Library(compiler, fitting, thorough=bool(self.profiles))
            _all_held(self.profiles, library)
            self._libraries[release] = library
        return self._libraries[release]

    def issues(self, walk: Walk, compiler: Compiler) -> list[Issue]:
        """Return the findings of every profile on the resources of a file that has been walked.

        Raises:
            PackageError: As ``library``.
        """
        if not self.profiles and not self._concern(walk.gathered):
            return []
        from fhircare.check.profiles.claims import check_claims

        issues = check_claims(walk, self.library(compiler), self.profiles)
        if self._retired is None:
            from fhircare.check.profiles.retired import retired_systems

            self._retired = retired_systems(self.packages)
        if self._retired:
            from fhircare.check.profiles.retired import retired_codes

            issues += retired_codes(walk, self._retired)
        return issues

    def _concern(self, gathered: Gathered) -> bool:
        """Tell whether anything in a file has to do with profiles; without, nothing more is imported."""
        for scope in gathered.resources:
            meta = scope.resource.get("meta")
            if meta.__class__ is dict and "profile" in meta:
                return True
        wanted = bool(self.packages)
        return any(wanted or o["url"].startswith(PREFIXES) for _, o, _ in gathered.extensions)


def _fits(package: Given, release: str) -> bool:
    told: tuple[str, ...] = getattr(package, "releases", ())
    return not told or any(one.startswith(VERSIONS.get(release, "")) for one in told)


def _all_held(profiles: Sequence[str], library: Library) -> None:
    faults = []
    for canonical in profiles:
        if library.profile(canonical) is None:
            held = library.versions(canonical)
            problem = f"is held in version {', '.join(held)} only" if held else "is not held here"
            faults.append(Fault(canonical, problem, "give the package that holds it with --package"))
    if faults:
        raise PackageError(faults)
