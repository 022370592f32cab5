"""Every invariant of the definitions, compiled and asked."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhircare.check.fhirpath.build import inline
from fhircare.check.fhirpath.namespace import NAMESPACE
from fhircare.check.fhirpath.overrides import overrides
from fhircare.check.fhirpath.runtime import UNDECIDABLE
from fhircare.spec import Definitions, definitions
from tests.rule_pairs import MODEL, R4, File, compiled, examples, pairs

# HL7's examples that break HL7's own rules: nothing of ours.
SPEC_BREAKS_ITS_OWN = {("codesystem-example.json", "csd-1"): "the code chol-mass is defined twice"}


def stated(held: Definitions = R4) -> list[tuple[str, str, str]]:
    """Return (key, expression, context) of every invariant of every type, each once."""
    found: dict[tuple[str, str, str], None] = {}
    for name in held.type_names():
        definition = held.type(name)
        assert definition is not None
        for node in definition.nodes.values():
            found.update({(rule.key, rule.expression, node.id): None for rule in node.constraints})
            for element in node.elements.values():
                for ref in element.names.values():
                    context = element.node or ref.code
                    found.update({(rule.key, rule.expression, context): None for rule in element.constraints})
    return list(found)


RULES = stated()


def test_every_rule_of_every_type_compiles() -> None:
    """194 distinct expressions beside ele-1 in R4 4.0.1 (counted in HL7's package)."""
    for _, expression, context in RULES:
        compiled(expression, context)
    distinct = {expression for key, expression, _ in RULES if key != "ele-1"}
    assert len(distinct) >= 185


def test_the_examples_break_no_rule_but_where_the_standard_breaks_its_own() -> None:
    """Errors only; warnings are advice."""
    broken = {
        (name, pair.key)
        for name, resource in examples()
        for pair in pairs(resource)
        if pair.severity == "error" and pair.ask() is not True
    }
    assert broken == set(SPEC_BREAKS_ITS_OWN)


def test_a_rule_can_be_put_into_other_code_under_names_of_its_choice() -> None:
    """The source reads only the names it was given, its own constants and the namespace."""
    rule = inline(
        "name.matches('^[A-Z]$') and (value as integer) > 3 or name in ('x' | 'y')",
        "Parameters.parameter",
        MODEL,
        node="o",
        prefix="c7_",
    )
    constants = {name for name, _ in rule.constants}
    assert all(name.startswith("c7_") for name in constants)
    scope: dict[str, Any] = dict(NAMESPACE)
    for name, source in rule.constants:
        scope[name] = eval(source, scope)  # noqa: S307
    scope["o"] = {"name": "A", "valueInteger": 4}
    assert eval(rule.source, scope) is True  # noqa: S307
    scope["o"] = {"name": "a", "valueInteger": 3}
    assert eval(rule.source, scope) is False  # noqa: S307
    assert not rule.uses_env


def test_every_override_is_needed() -> None:
    """An override whose text no longer stands in the definitions of R4 or R5 would be dead weight."""
    published = {expression for _, expression, _ in [*RULES, *stated(definitions("R5"))]}
    later = {"us-core-1", "us-core-3", "us-core-4", "sdcqr-2"}
    assert {entry.keys for entry in overrides() if entry.published not in published} == later
    assert all(entry.reason.endswith(".") and entry.evaluated != entry.published for entry in overrides())


def ask(key: str, context: str, node: Any, *, resource: Any = None, root: Any = None) -> bool:
    expression = next(e for k, e, c in RULES if k == key and c == context)
    whole = resource or node
    return compiled(expression, context)(node, File(whole, root or whole), None)


ANSWERED = {"question": "q", "operator": "exists"}
MEALS = {"offset": 30, "when": ["PCM", "ACV"]}
CONTAINED = {"resourceType": "Patient", "id": "p"}
PROBLEM = {"system": "http://terminology.hl7.org/CodeSystem/condition-category", "code": "problem-list-item"}


@pytest.mark.parametrize(
    ("key", "context", "right", "wrong"),
    [
        (
            "que-7",
            "Questionnaire.item.enableWhen",
            ANSWERED | {"answerBoolean": True},
            ANSWERED | {"answerString": "x"},
        ),
        ("tim-9", "Timing.repeat", MEALS, MEALS | {"when": ["PCM", "C"]}),
        (
            "con-3",
            "Condition",
            {"resourceType": "Condition", "category": [{"text": "encounter"}]},
            {"resourceType": "Condition", "category": [{"coding": [PROBLEM]}]},
        ),
        ("cpb-0", "CapabilityStatement", {"name": "Good_Name1"}, {"name": "not A good name"}),
        ("eld-19", "ElementDefinition", {"path": "Patient.name"}, {"path": "Patient.na me"}),
        ("eld-20", "ElementDefinition", {"path": "Patient.value[x]"}, {"path": "Patient.Name"}),
        (
            "dom-3",
            "Observation",
            {"contained": [CONTAINED], "subject": {"reference": "#p"}},
            {"contained": [CONTAINED], "subject": {"reference": "#q"}},
        ),
        ("dom-6", "Patient", {"text": {"div": "x"}}, {}),
        ("cid-0", "ChargeItemDefinition", {}, None),
    ],
)
def test_what_an_override_makes_of_a_rule(key: str, context: str, right: Any, wrong: Any) -> None:
    """The rule says to people what is evaluated: right is kept, wrong is broken."""
    assert ask(key, context, right)
    if wrong is not None:
        assert not ask(key, context, wrong)


def test_a_contained_resource_may_point_at_its_container() -> None:
    """ref-1 and dom-3: '#' is the container (R4 references.html, contained resources)."""
    inner = {"resourceType": "Observation", "id": "o", "subject": {"reference": "#"}}
    outer = {"resourceType": "Patient", "contained": [inner]}
    assert ask("dom-3", "Patient", outer)
    assert ask("ref-1", "Reference", inner["subject"], resource=inner, root=outer)
    assert not ask("ref-1", "Reference", inner["subject"], resource=outer, root=outer)
    assert not ask("ref-1", "Reference", {"reference": "#x"}, resource=outer, root=outer)


def test_contained_resources_need_no_narrative() -> None:
    """dom-6: definition of DomainResource.text, comment."""
    assert ask("dom-6", "Patient", CONTAINED, root={"resourceType": "Observation", "contained": [CONTAINED]})


def test_canonicals_and_uris_count_as_pointing_at_a_contained_resource() -> None:
    """dom-3: Questionnaire.item.answerValueSet is a canonical."""
    value_set = {"resourceType": "ValueSet", "id": "v"}
    assert ask("dom-3", "Questionnaire", {"contained": [value_set], "item": [{"answerValueSet": "#v"}]})
    assert not ask("dom-3", "Questionnaire", {"contained": [value_set], "text": {"div": "#v"}})


def test_an_onlooker_of_a_team_must_be_a_practitioner() -> None:
    """ctm-1, by the type a literal reference names; a reference that names none is not judged."""
    behalf = {"onBehalfOf": {"reference": "Organization/1"}}
    assert ask("ctm-1", "CareTeam.participant", behalf | {"member": {"reference": "Practitioner/1"}})
    assert not ask("ctm-1", "CareTeam.participant", behalf | {"member": {"reference": "Patient/1"}})
    assert ask("ctm-1", "CareTeam.participant", behalf | {"member": {"display": "someone"}})


ADDRESS = "urn:uuid:2b6d0d5a-6a5e-4d8f-9d7e-3f1c0f3c7a11"


def test_a_range_is_compared_through_its_units() -> None:
    """rng-2: 90 cm to 1 m is a range, 1 m to 90 cm is none; units that do not compare decide nothing."""

    def length(value: int, code: str) -> dict[str, Any]:
        return {"value": value, "system": "http://unitsofmeasure.org", "code": code}

    assert ask("rng-2", "Range", {"low": length(90, "cm"), "high": length(1, "m")})
    assert not ask("rng-2", "Range", {"low": length(1, "m"), "high": length(90, "cm")})
    assert ask("rng-2", "Range", {"low": length(1, "m"), "high": length(90, "s")})
    assert not ask("rng-2", "Range", {"low": {"value": 5}, "high": {"value": 4}})
    assert ask("rng-2", "Range", {"low": {"value": 5, "unit": "cm"}, "high": {"value": 4, "unit": "m"}})


KEYS = """reference contained id start end low high value code system item type coding entry resource
extension valueString _value name concept element path""".split()  # noqa: SIM905 - words read better than quotes
json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-9, 9)
    | st.sampled_from(["", "#", "#a", "2015", "exists", "x y"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(KEYS),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@settings(max_examples=40, deadline=None)
@given(json_values)
def test_a_broken_structure_raises_nothing_but_undecidable(node: Any) -> None:
    """Whatever stands in the file, a rule answers or is undecidable."""
    raised: Counter[str] = Counter()
    for key, expression, context in RULES:
        try:
            answer = compiled(expression, context)(node, File({}, {}), None)
        except UNDECIDABLE:
            continue
        except Exception as fault:  # noqa: BLE001 - the point of the test
            raised[f"{key}: {type(fault).__name__}"] += 1
        else:
            assert answer in (True, False)
    assert not raised


def test_expressions_hold_no_name_of_their_own() -> None:
    """Generated names cannot clash with those of the code a rule is put into."""
    for _, expression, context in RULES:
        source = inline(
            expression, context, MODEL, node="NODE", element="ELEMENT", env="ENV", prefix="K"
        ).source
        names = set(
            re.findall(
                r"(?<![\w'\".])[A-Za-z_]\w*", re.sub(r"'(?:[^'\\]|\\.)*'|\"(?:[^\"\\]|\\.)*\"", "''", source)
            )
        )
        words = {
            "any",
            "all",
            "len",
            "for",
            "in",
            "if",
            "else",
            "not",
            "and",
            "or",
            "is",
            "None",
            "True",
            "False",
            "lambda",
        }
        left = {
            name for name in names - words if not re.fullmatch(r"fp_\w+|i\d+|s|v|K\d+|NODE|ELEMENT|ENV", name)
        }
        assert not left
