"""Whether a bundle of ours agrees with itself.

Much in a bundle is said twice, so that every receiver finds it where it looks: the end of a visit follows
from its start and length, the flags repeat the warning signs, the instruction to the person says the
timing, the narrative says it all. The plan is read from one of the places. Writing that plan anew gives
what the others ought to say, so every difference is a contradiction; ``REDUNDANT`` names the elements that
are never read, and what each follows from.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

REDUNDANT: tuple[tuple[str, str], ...] = (
    # Every resource
    (r".*\.text\.(status|div)", "the narrative says what the elements say"),
    (r"\w+\.language", "the narrative is in English"),
    (r".*\.display", "a display follows from its code"),
    (r".*\.(unit|valueQuantity\.system|low\.system|detailQuantity\.system)", "follows from the UCUM code"),
    (r".*\[\]\.valueQuantity\[\]\.system", "follows from the UCUM code"),
    (
        r".*(extension|property|orderDetail|component|measure)(\[\])*\.(.*\.)?type\.text",
        "follows from its code",
    ),
    (r"(?!Bundle)\w+\.meta\.profile\[\]", "a claim, which the check proves"),
    (
        r"(?!Bundle|CarePlan)\w+\.meta\.security\[\]\.\w+",
        "the CarePlan's own label says that the data are invented",
    ),
    (
        r"(?!CarePlan|Patient|Practitioner|Organization|Device|Goal|ServiceRequest)\w+\.identifier\[\]\.\w+",
        "our own identifiers follow from the plan's number and from what the thing is",
    ),
    (r"PractitionerRole\.identifier\[\]\.\w+", "likewise"),
    (r"DeviceUseStatement\.identifier\[\]\.\w+", "likewise"),
    (r"Bundle\.(type|timestamp|identifier\.\w+|meta\..*)", "the CarePlan says it"),
    # The clinic and people
    (
        r"Organization\.(active|telecom\[\]\.use|address\[\]\.use|contact\[\]\..*\.use)",
        "is so for every clinic",
    ),
    (
        r"(Organization\.contact\[\]\.purpose|HealthcareService\.characteristic\[\])\.text",
        "follows from its code",
    ),
    (r"HealthcareService\.(name|type\[\]\.coding\[\]\.\w+)", "the clinic says it"),
    (
        r"HealthcareService\.availableTime\[\]\._available(Start|End)Time\..*",
        "all times are in one zone; the first is read",
    ),
    (r"HealthcareService\.notAvailable\[\]\._description\..*", "says that there is no reason"),
    (r"Patient\.(active|communication\[\]\.preferred|communication\[\]\..*\.system)", "one language is told"),
    (r"PractitionerRole\.(code\[\]\..*|telecom\[\]\.use)", "the CareTeam says the role"),
    (r"(Patient\.identifier|PractitionerRole\.telecom)\[\]\._(system|value)\..*", "says that there is none"),
    (r"Practitioner\.resourceType", "the role leads to it, whatever it is"),
    (r"CareTeam\.(name|period\.start|participant\[\]\.role\[\]\..*)", "the PractitionerRole says the role"),
    # The limb and what was observed
    (
        r"Condition\.(recordedDate|(clinicalStatus\..*system)|verificationStatus\..*|category\[\]\..*)",
        "is so for every condition of a plan",
    ),
    (r"Condition\.(code|bodySite\[\]|extension\[\]\.valueCodeableConcept)\.text", "follows from its code"),
    (r"Observation\.(category\[\]\..*|bodySite\..*)", "follows from what is observed, and from the limb"),
    (r"Observation\.(.*\.)?(code|type|valueCodeableConcept)\.text", "follows from its code"),
    # What was delivered
    (r"Device\.(deviceName\[\]\.type|type\.text|property\[\]\.type\.text)", "follows from its code"),
    (r"Device\.udiCarrier\[\]\.(deviceIdentifier|issuer)", "is taken out of carrierHRF"),
    (r"Device\.parent\.reference", "follows from the kind of part"),
    (r"DeviceUseStatement\.(recordedOn|bodySite\..*)", "follows from the delivery, and from the limb"),
    # Goals and what is asked for
    (r"Goal\.(category\[\]|target\[\]\.measure)\.text", "follows from its code"),
    (r"ServiceRequest\.category\[\]\.coding\[\]\.\w+", "is so for every request of the plan"),
    (r"ServiceRequest\.patientInstruction", "says to the person what timing and details say"),
    (r"ServiceRequest\.(.*valueCodeableConcept|asNeededCodeableConcept)\.text", "follows from its code"),
    (r"ServiceRequest\.asNeededBoolean", "says that there is no timing"),
    (r"ServiceRequest\.extension\[\]\..*", "names the goal of daily wear (pertainsToGoal)"),
    (r"Flag\.(extension\[\]\..*|category\[\]\..*|code\.text|period\.start)", "repeats the warning signs"),
    (
        r"Appointment\.(serviceType|appointmentType)(\[\])?\.coding\[\]\.\w+",
        "follows from who sees the person",
    ),
    (r"Appointment\.(reasonCode\[\]\.text|description)", "follows from what the visit is for"),
    (r"Appointment\.end", "is start and minutesDuration"),
    (r"Appointment\.participant\[\]\.(required|status|type\[\]\..*)", "follows from status and role"),
    # The plan's own
    (r"CarePlan\.replaces\[\]\.identifier\.\w+", "is the revision before this one"),
    (r"CarePlan\.(category\[\]\..*|title|description)", "is so for every plan"),
    (r"CarePlan\.period\.(start|end)", "is the first and the last day of the schedule"),
    (r"Questionnaire\..*", "is the same form for every plan"),
    (r"Provenance\..*", "says again who wrote the plan, when and from what"),
    # References that say again whom and what the plan is about
    (r".*\.(recorder|owner|source|author|requester|sender)\.reference", "the CareTeam says who"),
    (
        r".*\.(performer|basedOn|reasonReference|addresses|recipient|contributor|onBehalfOf)(\[\])?\.reference",
        "follows from the plan as a whole",
    ),
    (
        r".*\.(providedBy|organization|managingOrganization(\[\])?|actor)\.reference",
        "is the clinic, or the person",
    ),
)
"""Elements never read: a pattern of the path from the resource, without indexes, and what it follows from."""


def redundant(shape: str) -> str:
    """Return what an element that is never read follows from, "" when the plan is read from it.

    Args:
        shape: Its path from the resource, indexes left empty, such as ``Appointment.reasonCode[].text``.
    """
    return next((why for pattern, why in REDUNDANT if re.fullmatch(pattern, shape)), "")


def differences(bundle: Mapping[str, Any], rebuilt: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the FHIRPath of every element in which two bundles differ, entries met by their fullUrl.

    Entries that only the first one has (a diary, a handout, a Composition) are no difference; an entry that
    it lacks is. What a document says of itself as a Bundle is its own.
    """
    mine, theirs = dict(bundle), dict(rebuilt)
    if mine.get("type") == "document":
        mine, theirs = ({"entry": one.get("entry")} for one in (mine, theirs))
    return tuple(_differences(mine, theirs, "Bundle"))


def _differences(mine: Any, theirs: Any, path: str) -> Iterator[str]:
    if isinstance(mine, dict) and isinstance(theirs, dict):
        for name in [*mine, *(name for name in theirs if name not in mine)]:
            yield from _differences(mine.get(name), theirs.get(name), f"{path}.{name}")
    elif path == "Bundle.entry" and isinstance(mine, list) and isinstance(theirs, list):
        known = {_full_url(entry): entry for entry in theirs}
        for index, one in enumerate(mine):
            if (other := known.pop(_full_url(one), None)) is not None:
                yield from _differences(one, other, f"{path}[{index}]")
        if known:
            yield path
    elif isinstance(mine, list) and isinstance(theirs, list):
        for index, one in enumerate(mine):
            yield from _differences(one, theirs[index] if index < len(theirs) else None, f"{path}[{index}]")
        if len(mine) < len(theirs):
            yield path
    elif not _same(mine, theirs):
        yield path


def _same(mine: Any, theirs: Any) -> bool:
    """Tell whether two primitives say the same: 3 may be an int or a Decimal, but 2.5 is not 2.50."""
    both = (mine, theirs)
    if all(isinstance(one, int | Decimal) and not isinstance(one, bool) for one in both):
        return str(mine) == str(theirs)
    return type(mine) is type(theirs) and bool(mine == theirs)


def _full_url(entry: Any) -> Any:
    url = entry.get("fullUrl") if isinstance(entry, dict) else None
    return url if isinstance(url, str) else None
