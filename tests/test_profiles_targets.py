"""What references and canonicals lead to, held against the profiles a profile asks of it.

The words that decide are those of FHIR R4 (CC0) on ElementDefinition.type.targetProfile, in
elementdefinition-definitions.html: "Used when the type is 'Reference' or 'canonical', and identifies a
profile structure ... that applies to the target ... If any profiles are specified, then the content must
conform to at least one of them." And of references.html#canonical: a canonical names a resource by its
``url``, with ``|version`` where one version is meant, and with ``#id`` a contained one.
"""

from __future__ import annotations

from typing import Any

import pytest

from fhircare.check import Against, check
from fhircare.spec.packages import Package
from tests.test_profiles_slicing import element, found, observation, profile

Json = dict[str, Any]
CORE = "http://hl7.org/fhir/StructureDefinition/"
DATED = profile("Questionnaire", element("Questionnaire.date", min=1), name="dated")
FORM = "http://example.org/form"
BROKEN = [("error", "profile.target", "Bundle.entry[1].resource.questionnaire")]


def asks(*targets: str) -> Json:
    kind = [{"code": "canonical", "targetProfile": list(targets)}]
    return profile("QuestionnaireResponse", element("QuestionnaireResponse.questionnaire", type=kind))


def answers(canonical: str) -> Json:
    return {"resourceType": "QuestionnaireResponse", "status": "completed", "questionnaire": canonical}


def form(**more: Any) -> Json:
    return {"resourceType": "Questionnaire", "status": "active", "url": FORM} | more


def together(*resources: Json) -> Json:
    entries = [
        {"fullUrl": f"urn:uuid:00000000-0000-4000-8000-00000000000{number}", "resource": one}
        for number, one in enumerate(resources)
    ]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def told(resource: Json, *definitions: Json) -> list[tuple[str, str, str]]:
    """Return what is found, without that a Bundle holds nothing of another type."""
    return [one for one in found(resource, *definitions) if one[1] != "profile.nothing"]


@pytest.mark.parametrize(
    ("canonical", "held", "right"),
    [
        (FORM, form(date="2026"), True),
        (FORM, form(), False),
        (f"{FORM}|2", form(version="2"), False),
        (f"{FORM}|2", form(version="1"), True),  # another version: what it holds is not known
        ("http://example.org/elsewhere", form(), True),  # likewise a form that nobody holds
    ],
)
def test_what_a_canonical_names_in_the_file_keeps_its_profile(
    canonical: str,
    held: Json,
    right: bool,  # noqa: FBT001 - one of a table
) -> None:
    """It is found by its url, in the version that is meant; the finding stands at the canonical."""
    assert told(together(held, answers(canonical)), asks(DATED["url"]), DATED) == ([] if right else BROKEN)


def test_one_of_several_profiles_is_enough() -> None:
    """The content must conform to at least one of them."""
    titled = profile("Questionnaire", element("Questionnaire.title", min=1), name="titled")
    definitions = (asks(DATED["url"], titled["url"]), DATED, titled)

    assert told(together(form(title="A form"), answers(FORM)), *definitions) == []
    assert told(together(form(), answers(FORM)), *definitions) == BROKEN


def test_two_of_one_url_cannot_be_told_apart() -> None:
    """A canonical without a version that two resources answer to judges neither."""
    file = together(form(version="1"), answers(FORM), form(version="2"))

    assert told(file, asks(DATED["url"]), DATED) == []


def test_a_contained_one() -> None:
    """A canonical may name a contained resource by its id."""
    response = answers("#f") | {"contained": [form(id="f")]}

    assert told(response, asks(DATED["url"]), DATED) == [
        ("error", "profile.target", "QuestionnaireResponse.questionnaire")
    ]
    assert told(response | {"contained": [form(id="f", date="2026")]}, asks(DATED["url"]), DATED) == []


def test_what_a_package_holds_is_followed_too() -> None:
    """A value set of the package given must keep the profile that the standard publishes for shared ones."""
    kind = [{"code": "canonical", "targetProfile": [CORE + "shareablevalueset"]}]
    definition = profile("Questionnaire", element("Questionnaire.item.answerValueSet", type=kind))
    bare = {"resourceType": "ValueSet", "url": "http://example.org/set", "status": "active"}
    whole = bare | {
        "version": "1", "name": "Set", "experimental": False, "publisher": "x", "description": "x",
    }  # fmt: skip
    item = {"linkId": "1", "text": "x", "type": "choice", "answerValueSet": bare["url"]}
    asking = form(item=[item])

    assert found(asking, definition, whole) == []
    assert found(asking, definition, bare) == [
        ("error", "profile.target", "Questionnaire.item[0].answerValueSet")
    ]


def test_fewer_types() -> None:
    """A profile may let a canonical name fewer types than the base does."""
    kind = [{"code": "canonical", "targetProfile": [CORE + "PlanDefinition"]}]
    definition = profile("CarePlan", element("CarePlan.instantiatesCanonical", type=kind))
    plan = {
        "resourceType": "CarePlan", "status": "active", "intent": "plan",
        "subject": {"display": "x"}, "instantiatesCanonical": [FORM],
    }  # fmt: skip

    assert told(together(form(), plan), definition) == [
        ("error", "profile.target", "Bundle.entry[1].resource.instantiatesCanonical[0]")
    ]
    assert told(plan, definition) == []


def test_each_type_of_a_choice_has_its_own_targets() -> None:
    """Where an element may be a Reference or a canonical, each leads to what is said of it alone."""
    kinds = [
        {"code": "Reference", "targetProfile": [CORE + "Patient"]},
        {"code": "canonical", "targetProfile": [DATED["url"]]},
    ]
    definition = profile("Task", element("Task.input.value[x]", type=kinds))

    def task(**value: Any) -> Json:
        part = {"type": {"text": "x"}} | value
        return {"resourceType": "Task", "status": "draft", "intent": "order", "input": [part]}

    def places(value: Json) -> list[tuple[str, str, str]]:
        return told(together(form(), task(**value)), definition, DATED)

    assert places({"valueReference": {"reference": "Patient/1"}}) == []
    assert places({"valueReference": {"reference": "Questionnaire/1"}}) == [
        ("error", "profile.target", "Bundle.entry[1].resource.input[0].valueReference")
    ]
    assert places({"valueCanonical": FORM}) == [
        ("error", "profile.target", "Bundle.entry[1].resource.input[0].valueCanonical")
    ]


def test_the_order_of_entries_does_not_matter() -> None:
    """Of two that refer to each other one breaks its profile: then neither keeps it, both ways round."""
    names = ("urn:uuid:00000000-0000-4000-8000-00000000000a", "urn:uuid:00000000-0000-4000-8000-00000000000b")

    def leads(element_id: str, to: str) -> Json:
        kind = [{"code": "Reference", "targetProfile": [to]}]
        return element(element_id, type=kind)

    born = profile("Patient", element("Patient.birthDate", min=1), name="born")
    related = profile("RelatedPerson", leads("RelatedPerson.patient", born["url"]), name="related")
    born["differential"]["element"].insert(1, leads("Patient.link.other", related["url"]))
    patient = {
        "resourceType": "Patient", "meta": {"profile": [born["url"]]},
        "link": [{"other": {"reference": names[1]}, "type": "seealso"}],
    }  # fmt: skip
    relative = {
        "resourceType": "RelatedPerson", "meta": {"profile": [related["url"]]},
        "patient": {"reference": names[0]},
    }  # fmt: skip
    entries = [
        {"fullUrl": name, "resource": one} for name, one in zip(names, (patient, relative), strict=True)
    ]
    package = Package({"name": "tested", "version": "1"}, [born, related])
    places = set()
    for order in (entries, entries[::-1]):
        bundle = {"resourceType": "Bundle", "type": "collection", "entry": order}
        issues = check(bundle, against=Against((), [package])).issues
        places.add(frozenset(
            (one.rule, one.expression.split(".resource.")[1]) for one in issues if "profile." in one.rule
        ))  # fmt: skip

    assert places == {
        frozenset(
            {("profile.min", "birthDate"), ("profile.target", "link[0].other"), ("profile.target", "patient")}
        )
    }


def test_of_a_reference_that_leads_out_of_the_file_only_the_type_is_judged() -> None:
    """Its address names the type; what it holds nobody here can know, and nothing is said of that."""
    born = profile("Patient", element("Patient.birthDate", min=1), name="born")
    definition = profile(
        "Observation",
        element("Observation.subject", type=[{"code": "Reference", "targetProfile": [born["url"]]}]),
    )

    assert found(observation(subject={"reference": "Patient/1"}), definition, born) == []
    assert found(observation(subject={"reference": "Device/1"}), definition, born) == [
        ("error", "profile.target", "Observation.subject")
    ]
