"""Reading a bundle of any release: heard in R4's spelling, its places named as they stand in what came."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from fhircare.bundle.reading import Reading, read
from fhircare.bundle.retold import moved
from fhircare.errors import UnknownRelease
from fhircare.releases import HOUSE, detect_release, heard

if TYPE_CHECKING:
    from fhircare.releases import Heard


def listened(document: dict[str, Any]) -> Heard:
    """Return a bundle or resource in R4's spelling; where nothing tells a release it is taken as R4."""
    try:
        found = detect_release(document)
    except UnknownRelease:
        found = HOUSE
    return heard(document, found)


def read_heard(found: Heard) -> Reading:
    """Return what a bundle that was heard says, and where it says it in the release that it came in.

    Raises:
        BundleError: For what is neither a Bundle nor a CarePlan.
    """
    told = read(found.bundle)
    if found.bundle is found.came:
        return told
    return replace(
        told,
        places={place: found.place(path) for place, path in told.places.items()},
        unread=tuple(replace(one, path=found.place(one.path)) for one in told.unread),
        guest=moved(told.guest, found.place),
    )
