"""What one walk over a file collects on its way, for the checks that need to see the whole file.

The walk knows each element's type, so it writes down every reference, canonical, link and resource it
meets. The checks of references and bundles read only this and never walk again. Plain tuples, because a
big bundle has many.
"""

from __future__ import annotations

from typing import Any, Literal

from fhircare.check.path import Path


class ResourceScope:
    """One resource met in the file.

    Attributes:
        path: Its place, such as ``Bundle.entry[3].resource`` (as a nested tuple).
        resource: The resource itself, as read.
        type: Its ``resourceType``, always one the release knows.
        kind: ``root`` the file's own resource; ``entry`` a ``Bundle.entry.resource``; ``contained``;
            ``part`` any other nested resource (``Parameters.parameter.resource``,
            ``Bundle.entry.response.outcome``).
        container: The scope it stands in (the Bundle for an entry, the owner for a contained one); None
            for the root.
        full_url: ``fullUrl`` of the entry it stands in, when that is a string.
    """

    __slots__ = ("container", "full_url", "kind", "path", "resource", "type")

    def __init__(
        self,
        path: Path,
        resource: dict[str, Any],
        type: str,  # noqa: A002 - FHIR's word
        kind: Literal["root", "entry", "contained", "part"] = "root",
        container: ResourceScope | None = None,
        full_url: str | None = None,
    ) -> None:
        self.path, self.resource, self.type = path, resource, type
        self.kind, self.container, self.full_url = kind, container, full_url


# (place, the Reference object, allowed target types or None for any, the resource it stands in)
ReferenceAt = tuple[Path, dict[str, Any], frozenset[str] | None, ResourceScope]
# (place, the string found there, allowed target types or None for any, the resource it stands in)
LinkAt = tuple[Path, str, frozenset[str] | None, ResourceScope]


class Gathered:
    """Everything the walk collected from one file, in document order.

    Attributes:
        resources: Every resource, an owner before what it contains.
        references: Every Reference that is a JSON object, whatever it holds.
        canonicals: Every canonical that is a string, version and fragment still on it.
        urls: Every ``uri`` and ``url`` that could point at a resource: ``Attachment.url``, ``valueUri``
            and the like; not ``system``, ``Extension.url`` or ``Identifier.system``, which name and do
            not point.
        narratives: Every ``Narrative.div`` that is a string; target types are None.
        element_ids: The id of every element that has one, with the resource it stands in.
        extensions: Every extension with an absolute url that the standard itself does not define.
        codings: Every Coding, and every Quantity, which has a system and a code as well.
        concepts: Every CodeableConcept with a text, with its place and the resource it stands in.
        faultless: True once the walk has found nothing, not even to warn of: then no coding stands where
            none may be, and these lists have them all.
    """

    __slots__ = (
        "canonicals",
        "codings",
        "concepts",
        "element_ids",
        "extensions",
        "faultless",
        "narratives",
        "references",
        "resources",
        "urls",
    )

    def __init__(self) -> None:
        self.resources: list[ResourceScope] = []
        self.references: list[ReferenceAt] = []
        self.canonicals: list[LinkAt] = []
        self.urls: list[LinkAt] = []
        self.narratives: list[LinkAt] = []
        self.codings: list[dict[str, Any]] = []
        self.concepts: list[tuple[Path, dict[str, Any], ResourceScope]] = []
        self.faultless = False
        self.element_ids: list[tuple[Path, str, ResourceScope]] = []
        self.extensions: list[tuple[Path, dict[str, Any], ResourceScope]] = []
