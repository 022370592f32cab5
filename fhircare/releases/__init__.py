"""The one room for FHIR releases, and the only importer of fhir.resources.

The house speaks R4's spelling, as plain dicts.
"""

from fhircare.releases.models import as_dict, to_models, validate_models
from fhircare.releases.recognition import detect_release
from fhircare.releases.table import RELEASES, Release, release

__all__ = [
    "RELEASES",
    "Release",
    "as_dict",
    "detect_release",
    "release",
    "to_models",
    "validate_models",
]
