"""References: what they may lead to, and whether they lead anywhere (https://hl7.org/fhir/R4/references.html)."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.check import check
from fhircare.check.resolution import read_target
from fhircare.spec import definitions

TYPES = definitions("R4").resource_types
UUID = "urn:uuid:11111111-1111-4111-8111-11111111111a"
OTHER = "urn:uuid:21111111-1111-4111-8111-11111111111a"
PATIENT: dict[str, Any] = {"resourceType": "Patient", "id": "p1"}


def found(resource: dict[str, Any], *, level: str = "error") -> list[tuple[str, str]]:
    """The rules broken and their places, of one severity."""
    return [(i.rule, i.expression) for i in check(resource).issues if i.severity == level]


def plan(subject: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"resourceType": "CarePlan", "status": "active", "intent": "plan", "subject": subject, **more}


def bundle(kind: str, *entries: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def entry(url: str, resource: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"fullUrl": url, "resource": resource, **more}


@pytest.mark.parametrize(
    ("text", "kind", "base", "type_name", "id_", "version"),
    [
        ("Patient/p1", "restful", "", "Patient", "p1", ""),
        ("Patient/p1/_history/2", "restful", "", "Patient", "p1", "2"),
        ("http://x.org/fhir/Patient/p1", "restful", "http://x.org/fhir/", "Patient", "p1", ""),
        (
            "https://x.org/a/b/Patient/p.1-2/_history/3",
            "restful",
            "https://x.org/a/b/",
            "Patient",
            "p.1-2",
            "3",
        ),
        ("http://x.org/Foo/1", "absolute", "", "", "", ""),
        ("http://x.org/opaque?a=Patient/1", "absolute", "", "", "", ""),
        ("Patient?identifier=a|b", "conditional", "", "Patient", "", ""),
        ("#p", "fragment", "", "", "p", ""),
        ("#", "fragment", "", "", "", ""),
        (UUID, "urn", "", "", "", ""),
        ("urn:oid:1.2.3", "urn", "", "", "", ""),
        ("Foo/1", "malformed", "", "", "", ""),
        ("Patient/a_b", "malformed", "", "", "", ""),
        ("not a reference", "malformed", "", "", "", ""),
    ],
)
def test_a_reference_is_read_by_its_text(
    text: str, kind: str, base: str, type_name: str, id_: str, version: str
) -> None:
    """The RESTful URL pattern: references.html#regex."""
    assert read_target(text, TYPES) == (kind, base, type_name, id_, version)


@given(st.sampled_from(sorted(TYPES)), st.from_regex(r"[A-Za-z0-9\-.]{1,64}", fullmatch=True))
def test_every_type_and_id_make_a_relative_reference(type_name: str, id_: str) -> None:
    """[type]/[id], for every resource type and every FHIR id."""
    target = read_target(f"{type_name}/{id_}", TYPES)
    assert (target.kind, target.type, target.id) == ("restful", type_name, id_)


@given(st.text(max_size=30))
def test_no_text_upsets_the_reading(text: str) -> None:
    """Whatever stands in a reference, reading it gives a kind, and the check gives a report."""
    found(plan({"reference": text}))


@pytest.mark.parametrize(
    ("subject", "expected"),
    [
        ({"reference": "Patient/p1"}, []),
        ({"reference": "Group/g"}, []),
        ({"reference": "Goal/g"}, [("reference.target", "CarePlan.subject.reference")]),
        ({"reference": "http://x.org/fhir/Goal/g"}, [("reference.target", "CarePlan.subject.reference")]),
        ({"reference": "http://x.org/opaque"}, []),
        ({"type": "Goal", "display": "x"}, [("reference.target", "CarePlan.subject.type")]),
        ({"reference": "Patient/p1", "type": "Patient"}, []),
        ({"reference": "Patient/p1", "type": "Group"}, [("reference.type", "CarePlan.subject.type")]),
        ({"identifier": {"value": "7"}}, []),
        ({"reference": "Foo/1"}, [("reference.format", "CarePlan.subject.reference")]),
        ({"reference": "Patient/a_b"}, [("reference.format", "CarePlan.subject.reference")]),
        ({"reference": "Patient/p1/_history/2"}, []),
        ({"reference": "#gone"}, [("ref-1", "CarePlan.subject")]),
        ({"reference": "#"}, [("ref-1", "CarePlan.subject")]),
    ],
)
def test_a_reference_standing_alone(subject: dict[str, Any], expected: list[tuple[str, str]]) -> None:
    """CarePlan.subject may lead to a Patient or a Group; outside a Bundle only the text can tell."""
    assert found(plan(subject)) == expected


def test_the_type_of_what_is_found_counts_and_not_what_the_url_looks_like() -> None:
    """A urn:uuid names no type: the entry it leads to does."""
    goal = {
        "resourceType": "Goal",
        "lifecycleStatus": "active",
        "description": {"text": "x"},
        "subject": {"display": "x"},
    }
    wrong = bundle("collection", entry(OTHER, plan({"reference": UUID})), entry(UUID, goal))
    right = bundle("collection", entry(OTHER, plan({"reference": UUID})), entry(UUID, PATIENT))
    assert found(wrong) == [("reference.target", "Bundle.entry[0].resource.subject.reference")]
    assert found(right) == []


@pytest.mark.parametrize("kind", ["collection", "searchset", "history", "transaction", "batch"])
@pytest.mark.parametrize("urn", [UUID, "urn:oid:1.2.3"])
def test_a_urn_that_no_entry_has_is_an_error_in_every_bundle(kind: str, urn: str) -> None:
    """A URN can be found in the Bundle alone (bundle.html#references)."""
    broken = bundle(kind, entry(OTHER, plan({"reference": urn})))
    assert ("reference.unresolved", "Bundle.entry[0].resource.subject.reference") in found(broken)


def test_a_urn_in_upper_case_is_not_the_one_in_lower_case() -> None:
    """URIs are compared as they are; the mend names the reason."""
    upper = UUID[:9] + UUID[9:].upper()
    report = check(bundle("collection", entry(OTHER, plan({"reference": upper})), entry(UUID, PATIENT)))
    (issue,) = [i for i in report.issues if i.rule == "reference.unresolved"]
    assert "lower case" in issue.mend


def test_a_urn_outside_any_bundle_is_only_information() -> None:
    """One resource taken out of its Bundle is not wrong for that."""
    assert found(plan({"reference": UUID})) == []
    assert found(plan({"reference": UUID}), level="information") == [
        ("reference.unresolved", "CarePlan.subject.reference")
    ]


@pytest.mark.parametrize(
    ("own", "target_url", "text", "expected"),
    [
        ("http://x.org/fhir/CarePlan/c", "http://x.org/fhir/Patient/p1", "Patient/p1", []),
        ("http://x.org/fhir/CarePlan/c", "http://x.org/fhir/Patient/p1", "http://x.org/fhir/Patient/p1", []),
        ("http://x.org/fhir/CarePlan/c", "http://x.org/fhir/Patient/p1", "Patient/p9", []),
        ("http://x.org/fhir/CarePlan/c", "http://y.org/fhir/Patient/p1", "Patient/p1", ["reference.base"]),
        ("http://x.org/fhir/CarePlan/c", UUID, "Patient/p1", ["reference.base"]),
        (OTHER, UUID, "Patient/p1", ["reference.base"]),
        (OTHER, UUID, "Patient/p9", ["reference.relative"]),
        (OTHER, "http://x.org/fhir/Patient/p1", "http://x.org/fhir/Patient/p1", []),
    ],
)
def test_a_relative_reference_is_completed_from_the_entrys_own_url(
    own: str, target_url: str, text: str, expected: list[str]
) -> None:
    """The root of the fullUrl and type/id; else it has no meaning (bundle.html#references)."""
    made = bundle("collection", entry(own, plan({"reference": text}, id="c")), entry(target_url, PATIENT))
    rules = [rule for rule, place in found(made, level="warning") if place.endswith("subject.reference")]
    assert found(made) == []
    assert rules == expected


def test_in_a_transaction_a_relative_reference_is_meant_for_the_server() -> None:
    """Nothing is said of Patient/p9 in a transaction: the server may have it."""
    request = {"method": "POST", "url": "CarePlan"}
    made = bundle("transaction", entry(OTHER, plan({"reference": "Patient/p9"}), request=request))
    assert [r for r, p in found(made, level="warning") if p.endswith("reference")] == []


def test_a_version_is_matched_with_the_entrys_version() -> None:
    """Remove the version before matching fullUrl, then match meta.versionId (bundle.html#references)."""
    one = entry("http://x.org/Patient/p1", {**PATIENT, "meta": {"versionId": "1"}})
    two = entry("http://x.org/Patient/p1", {**PATIENT, "meta": {"versionId": "2"}})

    def made(text: str) -> dict[str, Any]:
        return bundle(
            "collection", entry("http://x.org/CarePlan/c", plan({"reference": text}, id="c")), one, two
        )

    assert found(made("Patient/p1/_history/2")) == []
    assert found(made("Patient/p1")) == [
        ("reference.ambiguous", "Bundle.entry[0].resource.subject.reference")
    ]
    assert ("reference.version", "Bundle.entry[0].resource.subject.reference") in found(
        made("Patient/p1/_history/3"), level="warning"
    )


@pytest.mark.parametrize(
    ("kind", "level"), [("collection", "error"), ("document", "error"), ("transaction", ""), ("batch", "")]
)
def test_a_search_in_place_of_a_reference_belongs_in_a_transaction(kind: str, level: str) -> None:
    """Conditional references are resolved by the server that processes a transaction (http.html#trules)."""
    made = bundle(kind, entry(OTHER, plan({"reference": "Patient?identifier=a|b"})))
    place = "Bundle.entry[0].resource.subject.reference"
    levels = [
        i.severity for i in check(made).issues if i.rule == "reference.conditional" and i.expression == place
    ]
    assert levels == ([level] if level else [])


def test_entries_of_a_batch_may_not_lean_on_one_being_created() -> None:
    """References to an entry that is created in the same batch are non-conformant (http.html#brules)."""
    plain = bundle(
        "batch",
        entry(OTHER, plan({"reference": UUID}), request={"method": "POST", "url": "CarePlan"}),
        entry(UUID, {"resourceType": "Patient"}, request={"method": "POST", "url": "Patient"}),
    )
    assert found(plain) == [("reference.batch", "Bundle.entry[0].resource.subject.reference")]
    assert found({**plain, "type": "transaction"}) == []


def test_contained_resources_see_their_neighbours_and_their_container() -> None:
    """`#id` is looked for in the container, `#` is the container (references.html#contained)."""
    goal = {
        "resourceType": "Goal", "id": "g", "lifecycleStatus": "active", "description": {"text": "x"},
        "subject": {"reference": "#p"}, "addresses": [{"reference": "#c"}],
    }  # fmt: skip
    condition = {"resourceType": "Basic", "id": "b", "code": {"text": "x"}, "subject": {"reference": "#"}}
    service = {"resourceType": "Condition", "id": "c", "subject": {"reference": "#p"}}
    made = plan(
        {"reference": "#p"},
        goal=[{"reference": "#g"}],
        contained=[PATIENT | {"id": "p"}, goal, condition, service],
    )
    assert found(made) == []
    goal["subject"] = {"reference": "#q"}
    assert found(made) == [("ref-1", "CarePlan.contained[1].subject")]


def test_contained_resources_that_only_lead_to_each_other_are_told() -> None:
    """dom-3 is content with a circle, but nothing leads into it."""
    one = {"resourceType": "Location", "id": "a", "partOf": {"reference": "#b"}}
    two = {"resourceType": "Location", "id": "b", "partOf": {"reference": "#a"}}
    made = plan({"reference": "Patient/p1"}, contained=[one, two])
    islands = [(r, p) for r, p in found(made, level="warning") if r == "contained.island"]
    assert islands == [
        ("contained.island", "CarePlan.contained[0]"),
        ("contained.island", "CarePlan.contained[1]"),
    ]
    led = plan({"reference": "Patient/p1"}, contained=[one, two])
    led["extension"] = [{"url": "http://x.org/at", "valueReference": {"reference": "#a"}}]
    assert "contained.island" not in {r for r, _ in found(led, level="warning")}


def test_two_contained_resources_with_one_id() -> None:
    """The id is how they are told apart."""
    twice = [{"resourceType": "Patient", "id": "p"}, {"resourceType": "Patient", "id": "p"}]
    assert found(plan({"reference": "#p"}, contained=twice)) == [
        ("contained.duplicate-id", "CarePlan.contained[1].id")
    ]


@pytest.mark.parametrize(
    ("canonical", "expected"),
    [
        ("#d", []),
        ("#gone", ["canonical.contained"]),
        ("#p", ["canonical.target"]),
        ("http://x.org/PlanDefinition/d", []),
        ("http://x.org/PlanDefinition/d|2", []),
        ("http://x.org/ValueSet/v|1", ["canonical.target"]),
        ("http://hl7.org/fhir/ValueSet/observation-status", ["canonical.target"]),
        ("http://elsewhere.org/anything", []),
    ],
)
def test_a_canonical_leads_to_an_allowed_type_where_it_can_be_told(
    canonical: str, expected: list[str]
) -> None:
    """CarePlan.instantiatesCanonical may lead to a PlanDefinition, not to a ValueSet or a Patient."""
    definition = {
        "resourceType": "PlanDefinition",
        "id": "d",
        "url": "http://x.org/PlanDefinition/d",
        "status": "draft",
    }
    value_set = {"resourceType": "ValueSet", "id": "v", "url": "http://x.org/ValueSet/v", "status": "draft"}
    made = plan(
        {"reference": "#p"},
        contained=[PATIENT | {"id": "p"}, definition, value_set],
        instantiatesCanonical=[canonical],
        extension=[{"url": "http://x.org/u", "valueUri": "#d"}, {"url": "http://x.org/u", "valueUri": "#v"}],
    )
    assert [rule for rule, _ in found(made)] == expected


def test_no_finding_repeats_what_a_reference_says() -> None:
    """A reference may hold a patient's identifier, so its text never stands in a message."""
    secret = "SECRET-12345"  # noqa: S105
    for text in (f"Goal/{secret}", f"#{secret}", f"urn:oid:{secret}", f"Patient?x={secret}", f"no {secret}"):
        for made in (
            plan({"reference": text}),
            bundle("collection", entry(OTHER, plan({"reference": text}))),
        ):
            for issue in check(made).issues:
                assert secret not in issue.message + issue.mend
