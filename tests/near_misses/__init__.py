"""Resources that are legal and look wrong: one for each rule of the standard that is easily got wrong.

Each stands beside the line of FHIR R4 (4.0.1) that makes it legal. Invented content only.
"""

from tests.near_misses.bundles import BUNDLES, REFERENCES
from tests.near_misses.elements import ELEMENTS
from tests.near_misses.primitives import PRIMITIVES, RAW
from tests.near_misses.rules import RULES

__all__ = ["ALL", "RAW"]

ALL = [*PRIMITIVES, *ELEMENTS, *RULES, *REFERENCES, *BUNDLES]
