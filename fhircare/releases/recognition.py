"""Which release a bundle is in: told by what only one release has, never guessed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.errors import UnknownRelease
from fhircare.spec.recognise import recognise

if TYPE_CHECKING:
    from collections.abc import Mapping

FHIR_VERSION = {"system": "http://hl7.org/fhir/FHIR-version", "code": "5.0.0"}
"""In Bundle.meta.tag of a bundle of ours in R5: the release by FHIR's own code system of its versions, so
that a bundle in which nothing else tells is still known. One of ours without it is R4."""
_ORIGIN = "https://fhircare.github.io/fhir/CodeSystem/origin"


def detect_release(bundle: Mapping[str, Any]) -> str:
    """Return the release that a bundle or resource belongs to: ``R4`` or ``R5``.

    A bundle of ours says it. Any other is told by the elements and types that only one release's definitions
    have (``fhircare.spec.recognise``), by most of its resources where they do not agree.

    Raises:
        UnknownRelease: When nothing in it belongs to one release alone, or as much to one as to the other.
            We never guess.
    """
    if is_ours(bundle):
        return "R5" if FHIR_VERSION in _tags(bundle) else "R4"
    found = recognise(bundle)
    if found is None:
        raise UnknownRelease("nothing tells which FHIR release it is in — say it with --from R4 or --from R5")
    return found


def is_ours(bundle: Mapping[str, Any]) -> bool:
    """Tell whether a bundle says that it was made here (Bundle.meta.tag)."""
    return bundle.get("resourceType") == "Bundle" and any(
        isinstance(tag, dict) and tag.get("system") == _ORIGIN for tag in _tags(bundle)
    )


def _tags(bundle: Mapping[str, Any]) -> list[Any]:
    meta = bundle.get("meta")
    tags = meta.get("tag") if isinstance(meta, dict) else None
    return tags if isinstance(tags, list) else []
