"""What a bundle says twice cannot drift: the check finds it, wherever the plan is not read from."""

from __future__ import annotations

import copy
import json
import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhircare.bundle import to_bundle
from fhircare.bundle.agreement import redundant
from fhircare.check import check
from fhircare.planner import make_plan
from tests.builders import override, record
from tests.mutating import changed, leaves

if TYPE_CHECKING:
    from collections.abc import Iterator

_SEARCHED = "Appointment|HealthcareService|Observation|ServiceRequest|CarePlan|Condition"
NOT_COMPARED: dict[str, str] = {
    r".*\.meta\.profile\[\]": "a claim of a profile; the standard's own check is for it",
    r"Bundle\.(meta\.tag.*|meta\.security\[\]\.display|identifier\.system)": "names the maker, not the plan",
    r".*\.identifier\[\]\..*": "a name for systems; what it names is held together by references",
    r".*entity\[\]\.what\.(identifier\.system|display)": "likewise",
    rf"({_SEARCHED})\.(type|category|appointmentType|serviceType)(\[\])?\.coding\[\]\.(system|code)": (
        "a code of the standard for searching: other codes may stand beside it"
    ),
    r"(PractitionerRole\.code|CareTeam\.participant\[\]\.role)\[\]\.coding\[\]\.(system|code)": (
        "the second code, of a system that the clinic may have chosen"
    ),
    r"PractitionerRole\.telecom\[\]\._value\..*": "says that there is none",
    r"Provenance\.(activity|agent).*": "who wrote the plan stands in the plan; this is for audits",
    r"CarePlan\.(description|category\[\]\.text)": "the same words on every plan, no fact in them",
    r"Patient\.communication\[\]\.(preferred|language\.coding\[\]\.system)": "one language is told",
    r"(ServiceRequest\.reasonCode\[\]|Condition\.code)\.coding\[\]\.display": (
        "the clinic's own words for the diagnosis"
    ),
    r"ServiceRequest\.extension\[\]\.url": "a link to the goal, which is there without it",
    r"Questionnaire\..*": "a blank form, the same on every plan but for its signs, which have a rule",
    r"HealthcareService\.characteristic\[\]\.text": "holidays are taken from the code beside it",
}
"""What is never read and is not compared here either, with the reason; ``fhircare.bundle.contradictions``
compares all of it."""


def _shape(path: str, bundle: dict[str, Any]) -> str:
    def kind(match: re.Match[str]) -> str:
        return str(bundle["entry"][int(match[1])]["resource"]["resourceType"])

    below = re.sub(r"^Bundle\.entry\[(\d+)\]\.resource(?=\.)", kind, path)
    return re.sub(r"\[\d+\]", "[]", below)


def _bundle() -> dict[str, Any]:
    """A plan with everything in it that is said twice."""
    made = record(
        {
            "routine": {
                "busy": [{"days": ["tue", "thu"], "starts": "12:00", "ends": "13:00", "what": "therapy"}],
                "days_without_wear": [{"first": "2026-11-20", "last": "2026-11-21", "reason": "Travels"}],
            },
            "wear": {"overrides": [override("redness_minutes", 20)]},
            "goals": [
                {
                    "text": "Wear the leg all day",
                    "targets": [{"measure": "daily-wear", "value": 8, "unit": "h/d", "due": "2027-01-20"}],
                }
            ],
        }
    )
    return to_bundle(make_plan(made), validate=False)


BUNDLE = _bundle()


def _redundant() -> dict[str, tuple[Any, Any, Any, str]]:
    """The first element of each kind that the plan is not read from."""
    found: dict[str, tuple[Any, Any, Any, str]] = {}
    for leaf in leaves(BUNDLE, "Bundle"):
        shape = _shape(leaf[3], BUNDLE)
        if redundant(shape) and not any(re.fullmatch(pattern, shape) for pattern in NOT_COMPARED):
            found.setdefault(shape, leaf)
    return found


def test_the_bundle_is_sound() -> None:
    """Nothing is found in it as it is."""
    assert check(BUNDLE).issues == []


def test_nothing_that_is_said_twice_can_drift() -> None:
    """Whatever is never read, when it is changed, is a finding: of the standard, or of our own rules."""
    unseen = []
    ours = 0
    for parent, key, value, path in _redundant().values():
        parent[key] = changed(value)
        found = check(BUNDLE).issues
        parent[key] = value
        ours += any(issue.source == "safety" for issue in found)
        if not found:
            unseen.append(path)

    assert unseen == []
    assert ours > 60


def test_every_exception_is_needed() -> None:
    """No pattern stands among the exceptions for nothing."""
    shapes = {_shape(path, BUNDLE) for *_, path in leaves(BUNDLE, "Bundle")}
    idle = [pattern for pattern in NOT_COMPARED if not any(re.fullmatch(pattern, s) for s in shapes)]

    assert idle == []


JUNK = st.sampled_from(
    [None, True, 0, -1, 2.5, "", "x", [], {}, [[]], [None, 1], {"x": []}, "9999-99-99", "24:61"]
)


def _nodes(node: Any) -> Iterator[tuple[Any, Any]]:
    members = list(node.items()) if isinstance(node, dict) else list(enumerate(node))
    for key, value in members:
        yield node, key
        if isinstance(value, dict | list):
            yield from _nodes(value)


PLACES = len(list(_nodes(BUNDLE)))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, PLACES - 1), JUNK), min_size=1, max_size=3))
def test_no_junk_breaks_the_check(changes: list[tuple[int, Any]]) -> None:
    """Anything may stand anywhere in a bundle that says it is ours: it is told, and nothing is raised."""
    bundle = copy.deepcopy(BUNDLE)
    nodes = list(_nodes(bundle))
    for place, junk in changes:
        node, key = nodes[place]
        node[key] = junk

    assert isinstance(check(bundle).issues, list)


@pytest.mark.parametrize(
    "value", [10**30, Decimal("1e400"), float("1e308")], ids=["long", "decimal", "float"]
)
def test_no_number_breaks_the_check(value: Any) -> None:
    """Amounts beyond all reason are told like others."""
    bundle = copy.deepcopy(BUNDLE)
    for node, key in list(_nodes(bundle)):
        if key in {"value", "duration", "minutesDuration"} and not isinstance(node[key], str | dict | list):
            node[key] = value

    assert not check(bundle).ok
    assert json.dumps([issue.expression for issue in check(bundle).issues])
