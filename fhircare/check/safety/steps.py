"""What is looked at in a plan, in order. Loaded only when there is a plan to look at."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.check.safety.advice import check_advice
from fhircare.check.safety.contacts import check_contacts
from fhircare.check.safety.course import check_course
from fhircare.check.safety.instructions import check_instructions
from fhircare.check.safety.narratives import check_narratives
from fhircare.check.safety.signs import check_signs
from fhircare.check.safety.socks import check_socks
from fhircare.check.safety.terms import check_terms
from fhircare.check.safety.visits import check_visits
from fhircare.check.safety.wear import check_wear

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.safety.held import Held

STEPS: tuple[Callable[[Held], None], ...] = (
    check_course,
    check_contacts,
    check_signs,
    check_advice,
    check_wear,
    check_socks,
    check_visits,
    check_instructions,
    check_terms,
    check_narratives,
)
