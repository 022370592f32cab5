"""Where an extension may stand, each kind of context beside the words of the standard that decide it.

Quotations are of R4's and R5's code system ``extension-context-type`` and of
``StructureDefinition.contextInvariant`` (CC0). HL7's reference validator agrees but where a case says so.
"""

from __future__ import annotations

from typing import Any

import pytest

from fhircare.check import Against, check
from fhircare.spec.packages import Package
from tests.test_profiles_slicing import BASE, element, profile, sliced

Json = dict[str, Any]
CORE = "http://hl7.org/fhir/StructureDefinition/"
MRN = "http://example.org/mrn"
MINE = BASE + "mine"
CLAIM = {"meta": {"profile": [MINE]}}


def extension(*contexts: tuple[str, str], name: str = "note", demands: tuple[str, ...] = ()) -> Json:
    """Return the definition of an extension by the contexts it is meant for."""
    told = [{"type": kind, "expression": expression} for kind, expression in contexts]
    url = element("Extension.url", fixedUri=BASE + name)
    definition = profile("Extension", url, name=name, context=told)
    return definition | ({"contextInvariant": list(demands)} if demands else {})


NOTE: Json = {"url": BASE + "note", "valueString": "x"}
MY_PATIENT = profile(
    "Patient",
    sliced("Patient.identifier", ("value", "system")),
    element("Patient.identifier:mrn", min=0),
    element("Patient.identifier:mrn.system", min=1, fixedUri=MRN),
    element("Patient.birthDate", min=1),
    name="mine",
)
OUTER = extension(("element", "Patient"), name="outer")


def patient(**more: Any) -> Json:
    return {"resourceType": "Patient"} | more


def told(resource: Json, *definitions: Json) -> list[tuple[str, str]]:
    """Return severity and rule of what is found about extensions."""
    package = Package({"name": "tested", "version": "1"}, [*definitions, MY_PATIENT, OUTER])
    report = check(resource, against=Against((), [package]))
    return [(i.severity, i.rule) for i in report.issues if "extension" in i.rule or "partly" in i.rule]


WRONG = [("error", "profile.extension.context")]
UNTOLD = [("information", "profile.partly")]
HERE = {"extension": [NOTE]}
CONTACT = {"contact": [{"name": {"text": "a"}} | HERE]}
NUMBER = {"identifier": [{"system": MRN, "value": "1"} | HERE]}
OTHER_NUMBER = {"identifier": [{"system": "http://example.org/other", "value": "1"} | HERE]}
BORN = {"birthDate": "1960-01-01", "_birthDate": HERE}
DEAD = {"deceasedBoolean": True, "_deceasedBoolean": HERE}
LATE = {"deceasedDateTime": "2026", "_deceasedDateTime": HERE}
IN_CONTAINED = {
    "resourceType": "Observation", "status": "final", "code": {"text": "x"}, "subject": {"reference": "#p"},
    "contained": [patient(id="p", **CONTACT)],
}  # fmt: skip
VALUE_SET = {"resourceType": "ValueSet", "status": "active", "url": "http://example.org/v"} | HERE
Where = list[tuple[str, str]]

CASES: list[tuple[str, tuple[str, str], Json, Where]] = [
    # "The context is all elements that match the FHIRPath query found in the expression."
    ("found", ("fhirpath", "Patient.contact"), patient(**CONTACT), []),
    ("not found", ("fhirpath", "Patient.contact"), patient(**HERE), WRONG),
    ("another type", ("fhirpath", "Patient.contact"), VALUE_SET, WRONG),
    ("the root, where so", ("fhirpath", "Patient.where(active = true)"), patient(active=True, **HERE), []),
    ("the root, where not", ("fhirpath", "Patient.where(active = true)"), patient(active=False, **HERE),
     WRONG),
    ("one of a list", ("fhirpath", f"identifier.where(system = '{MRN}')"), patient(**NUMBER), []),
    ("another of a list", ("fhirpath", f"identifier.where(system = '{MRN}')"), patient(**OTHER_NUMBER),
     WRONG),
    ("a primitive", ("fhirpath", "Patient.birthDate"), patient(**BORN), []),
    ("a primitive without value", ("fhirpath", "Patient.birthDate"), patient(_birthDate=HERE), []),
    ("a choice", ("fhirpath", "Patient.deceased"), patient(**DEAD), []),
    ("a choice of the other type", ("fhirpath", "Patient.deceased.ofType(boolean)"), patient(**LATE), WRONG),
    ("a contained resource", ("fhirpath", "Patient.contact"), IN_CONTAINED, []),
    ("from its container", ("fhirpath", "Observation.contained.ofType(Patient).contact"), IN_CONTAINED, []),
    ("no such element", ("fhirpath", "Patient.nothing"), patient(**HERE), WRONG),
    # The validator stops at these; here it is said that it cannot be told.
    ("no FHIRPath", ("fhirpath", "Patient.where("), patient(**HERE), UNTOLD),
    ("a function nobody knows", ("fhirpath", "Patient.frob()"), patient(**HERE), UNTOLD),
    # "The context is a particular extension ..., and the expression is just a uri that identifies the
    # extension."
    ("in it", ("extension", BASE + "outer"), patient(extension=[{"url": BASE + "outer"} | HERE]), []),
    ("in another", ("extension", BASE + "other"),
     patient(extension=[{"url": BASE + "outer"} | HERE]),
     WRONG),
    ("in none", ("extension", BASE + "outer"), patient(**HERE), WRONG),
    ("in its value", ("extension", BASE + "outer"),
     patient(extension=[{"url": BASE + "outer", "valueString": "y", "_valueString": HERE}]),
     WRONG),
    # "... any element that has an ElementDefinition.id that matches ... If there is no #, the Element id is
    # one defined in the base specification."
    ("an element", ("element", "Patient.contact"), patient(**CONTACT), []),
    ("its type", ("element", "BackboneElement"), patient(**CONTACT), []),
    ("an element by its canonical", ("element", CORE + "Patient"), patient(**HERE), []),
    ("a choice's id", ("element", "Patient.deceased[x]"), patient(**DEAD), []),
    ("a choice's slice by type", ("element", "Patient.deceased[x]:deceasedBoolean"), patient(**DEAD), []),
    ("the other slice", ("element", "Patient.deceased[x]:deceasedBoolean"), patient(**LATE), WRONG),
    ("a JSON name is no id", ("element", "Patient.deceasedBoolean"), patient(**DEAD), WRONG),
    ("an interface of R5", ("element", "CanonicalResource"), VALUE_SET, []),
    ("not on one without", ("element", "CanonicalResource"), patient(**HERE), WRONG),
    # "The full path for the element is [url]#[elementid] ... This includes ElementDefinition Ids that have
    # slicing identifiers." The validator looks neither at the url nor at slices.
    ("of a profile that is claimed", ("element", f"{MINE}#Patient.contact"), patient(**CLAIM, **CONTACT), []),
    ("another element of it", ("element", f"{MINE}#Patient.contact"), patient(**CLAIM, **HERE), WRONG),
    ("kept without a claim", ("element", f"{MINE}#Patient.birthDate"), patient(**BORN), []),
    ("neither claimed nor kept", ("element", f"{MINE}#Patient.contact"), patient(**CONTACT), WRONG),
    ("its root", ("element", MINE), patient(**CLAIM, **HERE), []),
    ("its root, not kept", ("element", MINE), patient(**HERE), WRONG),
    ("its slice", ("element", f"{MINE}#Patient.identifier:mrn"), patient(**CLAIM, **NUMBER), []),
    ("not in its slice", ("element", f"{MINE}#Patient.identifier:mrn"), patient(**CLAIM, **OTHER_NUMBER),
     WRONG),
    ("a slice nobody defines", ("element", f"{MINE}#Patient.identifier:ssn"), patient(**CLAIM, **NUMBER),
     UNTOLD),
    ("a profile not held", ("element", f"{BASE}gone#Patient"), patient(**HERE), UNTOLD),
    ("an extension's definition", ("element", f"{BASE}outer#Extension"),
     patient(extension=[{"url": BASE + "outer"} | HERE]), []),
    ("another kind of context", ("mapping", "rim"), patient(**HERE), UNTOLD),
]  # fmt: skip


@pytest.mark.parametrize(("context", "resource", "wanted"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_a_context(context: tuple[str, str], resource: Json, wanted: Where) -> None:
    """The place is allowed, is not, or is said not to be known."""
    assert told(resource, extension(context)) == wanted


def test_in_the_other_release() -> None:
    """R5 has its own names: a Library is a metadata resource, a Person is none."""
    package = Package({"name": "tested", "version": "1"}, [extension(("element", "MetadataResource"))])

    def rules(resource: Json) -> list[str]:
        report = check(resource | HERE, release="R5", against=Against((), [package]))
        return [i.rule for i in report.issues if "extension" in i.rule]

    assert rules({"resourceType": "Library", "status": "active", "type": {"text": "x"}}) == []
    assert rules({"resourceType": "Person"}) == ["profile.extension.context"]


def test_one_context_of_several_is_enough() -> None:
    """Also where another cannot be told."""
    several = extension(("fhirpath", "frob()"), ("element", "Organization"), ("element", "Patient"))
    assert told(patient(**HERE), several) == []


def test_a_profile_based_on_the_one_named_counts() -> None:
    """A claim of it is a claim of what it is based on."""
    heir = profile("Patient", name="heir", baseDefinition=MINE)
    resource = patient(meta={"profile": [heir["url"]]}, **CONTACT)
    assert told(resource, extension(("element", f"{MINE}#Patient.contact")), heir) == []


DEMANDS = [
    # "All the rules must be true." So empty will not do, as in the validator.
    ("true", "active = true", patient(active=True, **HERE), True),
    ("false", "active = true", patient(active=False, **HERE), False),
    ("empty", "active = true", patient(**HERE), False),
    # "... the FHIRPath focus is the element that holds the extension, and %extension refers to the extension
    # itself." The validator of HAPI does not know %extension.
    ("of the extension", "%extension.value = 'x'", patient(**HERE), True),
    ("of another", "%extension.value = 'y'", patient(**HERE), False),
    ("on a backbone element", "name.exists()", patient(**CONTACT), True),
    ("on a primitive", "$this > @1950-01-01", patient(**BORN), True),
    ("on a primitive too late", "$this > @1970-01-01", patient(**BORN), False),
]


@pytest.mark.parametrize(
    ("demand", "resource", "kept"), [d[1:] for d in DEMANDS], ids=[d[0] for d in DEMANDS]
)
def test_what_must_be_true_of_its_place(demand: str, resource: Json, kept: bool) -> None:  # noqa: FBT001
    """``contextInvariant``, asked only where the extension is."""
    definition = extension(("element", "Element"), demands=("true", demand))

    assert told(resource, definition) == ([] if kept else [("error", "profile.extension.demand")])


def test_a_demand_that_cannot_be_told_is_said() -> None:
    """A broken expression is no verdict."""
    assert told(patient(**HERE), extension(("element", "Patient"), demands=("frob()",))) == UNTOLD
