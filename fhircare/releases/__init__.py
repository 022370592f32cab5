"""The one room for FHIR releases, and the only importer of fhir.resources.

The house speaks R4's spelling, as plain dicts. A release is a row of ``RELEASES``; what the house says is
*said* in it, and what comes in it is *heard*: hub and spokes, never pairs. R4 says and hears everything
unchanged::

    say(bundle, "R5")                 # R4's spelling → R5
    hear(bundle, "R5")                # R5 → R4's spelling; hear(say(bundle, "R5"), "R5") == bundle
    convert(bundle, "R5")             # either way, with notes of what the other release does not have
    heard(bundle)                     # at the door: whatever release it is in → R4's spelling, and back

How it is done: ``walk`` goes through a resource by the definitions of both releases; ``rules`` holds what
they do not tell, one table a family; what a release lacks is kept in FHIR's cross-version extensions
(``kept``). Two things concern a bundle as a whole: R5's DeviceAssociation (``association``), and which
release a bundle is in (``recognition``).
"""

from fhircare.releases.conversion import Converted, convert, hear, say
from fhircare.releases.hearing import Heard, heard
from fhircare.releases.models import as_dict, to_models, validate_models
from fhircare.releases.recognition import detect_release
from fhircare.releases.table import HOUSE, RELEASES, Release, release
from fhircare.releases.walk import Note

__all__ = [
    "HOUSE",
    "RELEASES",
    "Converted",
    "Heard",
    "Note",
    "Release",
    "as_dict",
    "convert",
    "detect_release",
    "hear",
    "heard",
    "release",
    "say",
    "to_models",
    "validate_models",
]
