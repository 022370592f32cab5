"""The plan as a FHIR R4 bundle, both ways: the single source of everything after it.

::

    bundle = to_bundle(plan)                  # a dict, Bundle of type collection
    reading = read(bundle)
    reading.plan == plan                      # True
    reading.source("clinic.phone")            # "Bundle.entry[0].resource.contact[0].telecom[0].value"
    load(dump(bundle)) == bundle              # True

One module per family of resources, each with both directions below a table of what lives where. Dicts
travel, in R4's spelling and with ``Decimal`` for numbers; models of fhir.resources only validate
(``fhircare.releases``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.bundle import us_core as us_core_table
from fhircare.bundle.advice import write_advice
from fhircare.bundle.agreement import differences
from fhircare.bundle.appointment import write_visits
from fhircare.bundle.care import write_sock_guide, write_tasks
from fhircare.bundle.careplan import bundle_of, write_careplan
from fhircare.bundle.clinic import write_clinic
from fhircare.bundle.device import write_devices
from fhircare.bundle.draft import Draft
from fhircare.bundle.goal import write_goals, write_measurements
from fhircare.bundle.limb import write_conditions, write_observations
from fhircare.bundle.located import Node
from fhircare.bundle.order import write_order
from fhircare.bundle.people import write_large_print, write_patient, write_professionals
from fhircare.bundle.provenance import write_provenance
from fhircare.bundle.questionnaire import write_questionnaire
from fhircare.bundle.reading import Reading, read
from fhircare.bundle.schedule import write_schedule
from fhircare.bundle.signs import write_flags, write_signs
from fhircare.bundle.socks import write_socks
from fhircare.bundle.source import Unread
from fhircare.bundle.text import dump, load
from fhircare.bundle.wear import write_days
from fhircare.releases import as_dict, validate_models
from fhircare.spec import terms

if TYPE_CHECKING:
    from fhircare.plan import Plan


def to_bundle(
    plan: Plan, *, validate: bool = True, us_core: str = us_core_table.DEFAULT, apart: bool = True
) -> dict[str, Any]:
    """Return the plan as a FHIR R4 Bundle of type collection; referenced entries come first.

    The same plan gives the same bundle, byte for byte.

    Args:
        plan: The plan.
        validate: False to leave out building the models of fhir.resources, which costs most of the time;
            for those who check the bundle themselves.
        us_core: The version of US Core whose profiles are claimed (``bundle.us_core.CHOICES``), or ``none``.
        apart: False to let one object stand in several places (a reference to the person), which saves a
            fifth of the time; for those who write the bundle and change nothing in it.

    Raises:
        UnknownRelease: For a version of US Core that is not one of those.
        BundleError: When the models refuse it, because the plan holds what FHIR cannot, such as a control
            character in a text.
    """
    draft = Draft(plan, us_core)
    write_clinic(draft)
    write_patient(draft)
    large_print = write_large_print(draft)
    write_professionals(draft)
    conditions = write_conditions(draft)
    order = write_order(draft, conditions[:1] if plan.limb else [])
    devices = [*write_devices(draft), *write_socks(draft)]
    observations = [*write_observations(draft), *write_measurements(draft)]
    goals = write_goals(draft, conditions)
    wear = [*write_schedule(draft), *write_days(draft, goals)]
    care = [*write_tasks(draft), *write_sock_guide(draft), *write_advice(draft), *write_signs(draft)]
    flags = [*write_flags(draft), *([large_print] if large_print else [])]
    activities = [*wear, *care, *write_visits(draft)]
    support = [*order, *devices, *observations, *flags]
    write_questionnaire(draft)
    careplan = write_careplan(
        draft, addresses=conditions, support=support, goals=goals, activities=activities
    )
    write_provenance(draft, [careplan, *activities])
    bundle = bundle_of(draft, apart=apart)
    if validate:
        validate_models(bundle)
    return bundle


def from_bundle(bundle: Any) -> Plan:
    """Return the plan that a bundle holds; what it does not say is absent (None or empty).

    A bundle that says it is ours is held to the models of fhir.resources first; one from elsewhere is a
    guest, and read as far as it goes. To know where each leaf came from, use ``read``.

    Args:
        bundle: A dict, or a model of fhir.resources.

    Raises:
        BundleError: For what is neither a Bundle nor a CarePlan, or says it is ours and is no valid bundle.
    """
    document = as_dict(bundle)
    if claims_ours(document):
        validate_models(document)
    return read(document).plan


def contradictions(reading: Reading) -> tuple[str, ...]:
    """Return the FHIRPath of every element of a bundle of ours that contradicts the plan read from it.

    What a bundle says twice must agree: narratives, instructions, flags, ends and titles are compared with
    the bundle made anew from its plan. Meaningful only for a bundle as it was made (``claims_ours``) and
    read with ``load``: a server may have changed ids, another system says things its own way, and a float
    has lost its zeros.
    """
    return differences(reading.bundle, to_bundle(reading.plan, validate=False))


def claims_ours(bundle: dict[str, Any]) -> bool:
    """Tell whether a bundle says that it was made here (Bundle.meta.tag)."""
    tags = Node(bundle, "Bundle").get("meta").items("tag")
    return any(tag.get("system").value == terms.uri("origin") for tag in tags)


__all__ = [
    "Reading",
    "Unread",
    "claims_ours",
    "contradictions",
    "dump",
    "from_bundle",
    "load",
    "read",
    "to_bundle",
]
