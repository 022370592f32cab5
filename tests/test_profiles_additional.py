"""Additional bindings, each purpose beside the words that decide it, in R5's form and in R4's extension.

Quotations are of R5's code system ``additional-binding-purpose`` and of its ElementDefinition (CC0). The
extension minValueSet is the purpose *minimum* in older words.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.test_profiles_elements import COLOURS, ELSEWHERE, WARM
from tests.test_profiles_slicing import coded, element, found, observation, profile

Json = dict[str, Any]
ADDITIONAL = "http://hl7.org/fhir/tools/StructureDefinition/additional-binding"
MIN = "http://hl7.org/fhir/StructureDefinition/elementdefinition-minValueSet"
ANY = {
    "resourceType": "ValueSet", "url": "http://example.org/any", "name": "Any", "status": "active",
    "compose": {"include": [{"system": "http://example.org/codes"}]},
}  # fmt: skip
USE = {"code": {"system": "http://terminology.hl7.org/CodeSystem/usage-context-type", "code": "gender"},
       "valueCodeableConcept": {"text": "women"}}  # fmt: skip


def in_r5(purpose: str, value_set: str = "warm", **more: Any) -> Json:
    """Return a binding with an additional one, as R5 says it."""
    told = {"purpose": purpose, "valueSet": f"http://example.org/{value_set}"} | more
    return {"strength": "example", "valueSet": "http://example.org/any", "additional": [told]}


def in_r4(purpose: str, value_set: str = "warm", **more: Any) -> Json:
    """Return the same by the extension for R4."""
    parts = [
        {"url": "purpose", "valueCode": purpose},
        {"url": "valueSet", "valueCanonical": f"http://example.org/{value_set}"},
        {"url": "documentation", "valueMarkdown": "why"},
        *({"url": key, f"value{value[0]}": value[1]} for key, value in more.items()),
    ]
    told = {"url": ADDITIONAL, "extension": parts}
    return {"strength": "example", "valueSet": "http://example.org/any", "extension": [told]}


def asked(binding: Json, code: Json, where: str = "Observation.code") -> list[tuple[str, str]]:
    """Return severity and rule of what is found where a code of an observation is bound."""
    resource = observation(code=code)
    if where == "Observation.category":
        resource = observation(category=code)
    held = profile("Observation", element(where, binding=binding))
    return [(level, rule) for level, rule, _ in found(resource, held, COLOURS, WARM, ELSEWHERE, ANY)]


PURPOSES: list[tuple[str, list[tuple[str, str]]]] = [
    # "A required binding, for use when the binding strength is 'extensible' or 'preferred'"
    ("maximum", [("error", "profile.binding.required")]),
    # "This value set is used as a required binding (in addition to the base binding (not a replacement) ...)"
    ("required", [("error", "profile.binding.required")]),
    # "This value set is used as an extensible binding (in addition to the base binding ...)"
    ("extensible", [("warning", "profile.binding.extensible")]),
    # "New records are required to use this value set, but legacy records may use other codes."
    ("current", [("information", "profile.binding.current")]),
    # "This is the value set that is preferred in a given context ..."
    ("preferred", [("information", "profile.binding.preferred")]),
    # "The minimum allowable value set - any conformant system SHALL support all these codes"
    ("minimum", []),
    # "This value set is a candidate to substitute for the overall conformance value set in some situations"
    ("candidate", []),
    # "This value set is provided for user look up in a given context."
    ("ui", []),
    # "This value set is a good set of codes to start with when designing your system"
    ("starter", []),
    # "This value set is a component of the base value set."
    ("component", []),
]


@pytest.mark.parametrize("say", [in_r5, in_r4], ids=["R5", "R4"])
@pytest.mark.parametrize(("purpose", "wanted"), PURPOSES, ids=[purpose for purpose, _ in PURPOSES])
def test_each_purpose(say: Any, purpose: str, wanted: list[tuple[str, str]]) -> None:
    """A code in the set is never told; one outside it as the purpose says."""
    assert asked(say(purpose), coded("red")) == []
    assert asked(say(purpose), coded("blue")) == wanted


def test_it_is_asked_in_addition() -> None:
    """ "... not a replacement": the binding itself is asked too."""
    binding = in_r5("preferred") | {"strength": "required"}

    assert asked(binding, coded("blue")) == [("information", "profile.binding.preferred")]
    assert asked(binding, coded("none", "http://example.org/other")) == [
        ("error", "profile.binding.required")
    ]


@pytest.mark.parametrize("purpose", ["extensible", "current", "preferred"])
def test_a_code_of_another_system_is_no_slip(purpose: str) -> None:
    """Where none of the set fits, another's may be used; only under *required* it may not."""
    other = coded("sweat", "http://example.org/other")

    assert asked(in_r5(purpose), other) == []
    assert asked(in_r5("required"), other) == [("error", "profile.binding.required")]


def test_all_repeats_or_any_one() -> None:
    """``any``: "Whether the binding applies to all repeats, or just to any one of them"."""
    both, neither = [coded("red"), coded("blue")], [coded("blue"), coded("blue")]
    error = ("error", "profile.binding.required")
    for all_of, one_of in (
        (in_r5("required"), in_r5("required", any=True)),
        (in_r4("required"), in_r4("required", any=("Boolean", True))),
    ):
        assert asked(all_of, both, "Observation.category") == [error]
        assert asked(all_of, neither, "Observation.category") == [error, error]
        assert asked(one_of, both, "Observation.category") == []
        assert asked(one_of, neither, "Observation.category") == [error]


def test_in_a_context_of_use_only() -> None:
    """``usage`` "qualifies the usage of the binding"; no resource says that it is in one: no error."""
    for binding in (in_r5("required", usage=[USE]), in_r4("required", usage=("UsageContext", USE))):
        assert asked(binding, coded("blue")) == [("information", "profile.binding.required")]
        assert asked(binding, coded("red")) == []


def test_a_set_that_is_not_held_is_told_where_it_is_required() -> None:
    """As with any required binding; where it is only preferred, nothing is said."""
    assert asked(in_r5("required", "gone"), coded("blue")) == [("information", "profile.binding.untold")]
    assert asked(in_r5("preferred", "gone"), coded("blue")) == []


def test_a_profile_adds_to_those_it_is_based_on() -> None:
    """Both the heir's and the one before are asked."""
    base = profile("Observation", element("Observation.code", binding=in_r5("extensible")), name="before")
    also = {"purpose": "preferred", "valueSet": "http://example.org/elsewhere"}
    heir = profile(
        "Observation", element("Observation.code", binding={"strength": "example", "additional": [also]}),
        name="heir", baseDefinition=base["url"],
    )  # fmt: skip
    told = found(observation(code=coded("blue")), heir, base, COLOURS, WARM, ELSEWHERE, ANY)

    assert [rule for _, rule, _ in told] == ["profile.binding.extensible"]


def test_the_least_a_system_supports_asks_nothing_of_a_resource() -> None:
    """The extension minValueSet: what "any conformant system SHALL support"."""
    binding = {"strength": "required", "valueSet": "http://example.org/any"}
    least = [{"url": MIN, "valueCanonical": "http://example.org/warm"}]

    assert asked(binding | {"extension": least}, coded("blue")) == []
