"""Value sets of packages given, expanded from their code systems and from those that come with us.

https://hl7.org/fhir/R4/valueset.html#compositions. What draws on a code system that nobody holds stays open.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.spec import ValueSet
from fhircare.spec.expand import Terminology

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.spec import Definitions

Json = dict[str, Any]
Codes = dict[str, set[str]]


class Expansion(Terminology):
    """The terminology of packages, with that of the release behind it.

    Args:
        resources: ValueSets and CodeSystems; of two with one url the later counts.
        definitions: The release.
    """

    def __init__(self, resources: Iterable[Json], definitions: Definitions) -> None:
        held = list(resources)
        super().__init__(
            [one for one in held if one["resourceType"] == "CodeSystem"],
            [one for one in held if one["resourceType"] == "ValueSet"],
        )
        self._definitions = definitions

    def value_set(self, url: str) -> ValueSet | None:
        """Return a value set of the packages, None for one of elsewhere."""
        resource = self._sets.get(url)
        if resource is None:
            return None
        name = resource.get("title") or resource.get("name") or url
        try:
            found = self.expand(url)
        except (RecursionError, KeyError, TypeError, AttributeError):
            found = None  # it includes itself, or is no value set at all
        if found is None:
            return ValueSet(url, str(name), {}, frozenset(), known=False)
        closed, unbounded = found
        order = {system: tuple(sorted(codes)) for system, codes in sorted(closed.items())}
        return ValueSet(url, str(name), order, frozenset(unbounded), known=True)

    def expand(self, url: str) -> tuple[Codes, set[str]] | None:
        """Return codes by system and open systems; of a set the packages lack, what the release says."""
        bare = url.split("|", maxsplit=1)[0]
        resource = self._sets.get(bare)
        if resource is None:
            found = self._definitions.value_set(bare)
            if found is None or not found.known:
                return None
            return {system: set(codes) for system, codes in found.systems.items()}, set(found.open)
        if "compose" not in resource and "expansion" in resource:
            return _contained(resource["expansion"]), set()
        return super().expand(bare)

    def _from_system(self, part: Json) -> tuple[Codes, set[str]]:
        url: str = part["system"]
        if url not in self._systems and "concept" not in part and "filter" not in part:
            codes = self._definitions.code_system(url)
            if codes is not None:
                return {url: set(codes)}, set()
        return super()._from_system(part)


def _contained(expansion: Json) -> Codes:
    """Return the codes of an expansion made elsewhere, abstract ones left out."""
    codes: Codes = {}
    waiting = list(expansion.get("contains", ()))
    while waiting:
        one = waiting.pop()
        if "code" in one and not one.get("abstract"):
            codes.setdefault(one.get("system", ""), set()).add(one["code"])
        waiting += one.get("contains", ())
    return codes
