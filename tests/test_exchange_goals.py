"""Goals both ways: merged by number and version, conflicts said and never settled alone, and back as they
came.
"""

from __future__ import annotations

import copy
from decimal import Decimal

import pytest
import responses
from hypothesis import given
from hypothesis import strategies as st

from fhircare.errors import BundleError
from fhircare.exchange import wire
from fhircare.exchange.giving import as_ndjson, give_goals
from fhircare.exchange.goals import take_goals
from fhircare.exchange.memory import ShortMemory
from fhircare.exchange.sender import send
from fhircare.exchange.therapist import goals_at
from fhircare.spec import terms
from tests.exchange_kit import CLINIC, THERAPY, World, ref, resource, small_plan

SOURCE = f"{THERAPY}/r4"
EXTENSION = [
    {
        "url": "http://hl7.org/fhir/StructureDefinition/goal-acceptance",
        "extension": [
            {"url": "individual", "valueReference": {"reference": "Practitioner/t1"}},
            {"url": "status", "valueCode": "agree"},
        ],
    }
]
INES = {
    "resourceType": "Practitioner",
    "id": "t1",
    "name": [{"family": "Delacroix"}],
    "identifier": [{"system": f"{THERAPY}/staff", "value": "T-33"}],
}
ANNA = {
    "resourceType": "Patient",
    "id": "77",
    "identifier": [{"system": f"{CLINIC}/patients", "value": "70412"}],
}


def measure(code):
    """Our code of a measure."""
    return {"coding": [{"system": terms.uri("measure"), "code": code}]}


def target(code, value, unit, due="2026-12-20", comparator=">="):
    """A target of a measure."""
    quantity = {
        "value": Decimal(str(value)),
        "unit": unit,
        "system": "http://unitsofmeasure.org",
        "code": unit,
    }
    if comparator:
        quantity["comparator"] = comparator
    return {"measure": measure(code), "detailQuantity": quantity, "dueDate": due}


def theirs(number="7", *, version="1", updated="2026-11-20T10:00:00Z", **more):
    """A therapist's goal."""
    return {
        "resourceType": "Goal",
        "id": f"g{number}",
        "meta": {"versionId": version, "lastUpdated": updated},
        "extension": copy.deepcopy(EXTENSION),
        "identifier": [{"system": f"{THERAPY}/goals", "value": number}],
        "lifecycleStatus": "active",
        "description": {"text": "Walk farther"},
        "subject": {"reference": "Patient/77"},
        "startDate": "2026-11-20",
        "target": [target("two-minute-walk", 90, "m")],
        "expressedBy": {"reference": "Practitioner/t1"},
        **more,
    }


def plan(**more):
    """Our plan; its goal is to wear the leg eight hours a day by 20 December."""
    bundle = small_plan()
    resource(bundle, "Goal").update(
        {"target": [target("daily-wear", 8, "h/d")], "startDate": "2026-11-20"}, **more
    )
    return bundle


def take(goals, bundle=None, source=SOURCE, **more):
    """Merge goals, their patient and their therapist."""
    return take_goals(bundle or plan(), [*goals, ANNA, INES], source=source, **more)


def goals_of(bundle):
    """The goals the plan lists."""
    named = {r["reference"] for r in resource(bundle, "CarePlan").get("goal", [])}
    return [
        e["resource"]
        for e in bundle["entry"]
        if e["resource"]["resourceType"] == "Goal" and e["fullUrl"] in named
    ]


def outcomes(taken):
    """What became of the goals."""
    return [change.outcome for change in taken.changes]


def test_a_new_goal_joins_the_plan():
    """It stands in the bundle and in CarePlan.goal, about our patient; the bundle given is unchanged."""
    before = plan()
    kept = copy.deepcopy(before)

    taken = take([theirs()], before)

    assert outcomes(taken) == ["new"]
    assert [g["description"]["text"] for g in goals_of(taken.bundle)] == ["Wear it all day", "Walk farther"]
    assert goals_of(taken.bundle)[1]["subject"] == ref("patient")
    assert before == kept


def test_the_same_again_changes_nothing():
    """Taken twice: one goal, unchanged, byte for byte the same bundle."""
    once = take([theirs()])
    twice = take([theirs()], once.bundle)

    assert outcomes(twice) == ["unchanged"]
    assert twice.bundle == once.bundle


def test_a_later_version_replaces_an_earlier_one():
    """By identifier and version: the newer counts, an older one that comes late does not."""
    once = take([theirs()]).bundle
    later = theirs(version="2", updated="2026-11-22T10:00:00Z", description={"text": "Walk much farther"})

    newer = take([later], once)
    assert outcomes(newer) == ["changed"]
    assert newer.changes[0].why == "description.text"
    assert goals_of(newer.bundle)[1]["description"]["text"] == "Walk much farther"

    older = take([theirs()], newer.bundle)
    assert outcomes(older) == ["older"]
    assert older.bundle == newer.bundle


@pytest.mark.parametrize("status", ["cancelled", "rejected", "entered-in-error"])
def test_a_goal_that_ended_there_leaves_the_plan(status):
    """It leaves CarePlan.goal and stays in the bundle, so that it is seen that it was."""
    taken = take(
        [theirs(version="2", updated="2026-11-22T10:00:00Z", lifecycleStatus=status)], take([theirs()]).bundle
    )

    assert outcomes(taken) == ["ended"]
    assert len(goals_of(taken.bundle)) == 1
    assert [r["lifecycleStatus"] for r in (resource(taken.bundle, "Goal", 1),)] == [status]


@pytest.mark.parametrize(
    ("value", "unit", "due", "comparator"),
    [
        (6, "h/d", "2026-12-20", ">="),
        (8, "h/d", "2026-12-10", ">="),
        (300, "min/d", "2026-12-20", ">="),
        (4, "h/d", "2027-01-20", ">="),
        (8, "h/d", "2026-12-20", "<="),
    ],
)
def test_conflicts_are_listed_and_nothing_is_changed(value, unit, due, comparator):
    """Same measure, another target or date: said with both values, and left to a person."""
    before = plan()
    taken = take([theirs(target=[target("daily-wear", value, unit, due, comparator)])], before)

    assert outcomes(taken) == ["conflict"]
    assert not taken.settled
    assert taken.bundle == before
    assert "8 h/d" in taken.changes[0].why
    assert "--prefer theirs or --prefer ours" in taken.as_text()


def test_prefer_theirs_and_prefer_ours():
    """Settled on request: theirs in and ours ended with a reason, or theirs left out and said so."""
    goal = theirs(target=[target("daily-wear", 6, "h/d")])

    taken = take([goal], prefer="theirs")
    assert outcomes(taken) == ["ended", "new"]
    assert [g["description"]["text"] for g in goals_of(taken.bundle)] == ["Walk farther"]
    assert resource(taken.bundle, "Goal")["lifecycleStatus"] == "cancelled"
    assert resource(taken.bundle, "Goal")["statusReason"]

    kept = take([goal], prefer="ours")
    assert outcomes(kept) == ["refused"]
    assert [g["description"]["text"] for g in goals_of(kept.bundle)] == ["Wear it all day"]


def test_the_same_in_another_unit_is_no_conflict():
    """480 min/d is 8 h/d (UCUM): the same target is no conflict."""
    assert outcomes(take([theirs(target=[target("daily-wear", 480, "min/d")])])) == ["new"]


def test_a_step_on_the_way_stands_beside():
    """Ten hours by January after eight by December: both can be followed, both are kept, and it is said."""
    taken = take([theirs(target=[target("daily-wear", 10, "h/d", "2027-01-20")])])

    assert outcomes(taken) == ["new", "beside"]
    assert len(goals_of(taken.bundle)) == 2
    assert taken.settled


def test_goals_one_after_the_other_do_not_clash():
    """One that begins when the other is over asks nothing of the same time."""
    later = theirs(startDate="2027-02-01", target=[target("daily-wear", 4, "h/d", "2027-03-01")])

    assert outcomes(take([later])) == ["new", "beside"]


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        (target("amp-with-prosthesis", 48, "{score}"), "outside its scale: 0 to 47"),
        (target("daily-wear", 25, "h/d"), "outside its scale: 0 to 24"),
        (target("daily-wear", 1500, "min/d"), "outside its scale: 0 to 24"),
        (target("two-minute-walk", 90, "kg"), "unit that does not fit: m is usual"),
        (
            {
                "measure": measure("daily-wear"),
                "detailRange": {"low": {"value": 2, "unit": "h/d"}, "high": {"value": 30, "unit": "h/d"}},
            },
            "outside",
        ),
    ],
)
def test_targets_outside_the_scale_are_refused(wanted, says):
    """AMPPRO ends at 47 (Gailey 2002); a day has 24 hours; metres are not kilograms."""
    taken = take([theirs(target=[wanted])])

    assert outcomes(taken) == ["refused"]
    assert says in taken.changes[0].why
    assert taken.bundle == plan()


def test_an_unknown_measure_is_taken_as_it_stands():
    """What we do not know has no scale with us; it is kept word for word."""
    wanted = {"measure": {"text": "Stairs"}, "detailInteger": 20}
    assert outcomes(take([theirs(target=[wanted])])) == ["new"]


def test_a_goal_of_another_patient_is_refused():
    """A goal whose patient came with it and is somebody else stays out."""
    other = ANNA | {"identifier": [{"system": f"{CLINIC}/patients", "value": "1"}]}

    taken = take_goals(plan(), [theirs(), other, INES], source=SOURCE)

    assert [(c.outcome, c.why) for c in taken.changes] == [("refused", "it is of another patient")]


def test_goals_are_never_the_same_by_their_words():
    """Two goals with one text and two numbers are two goals."""
    other = theirs("8", target=[target("gait-speed", "1.1", "m/s")])
    assert outcomes(take([theirs(), other])) == ["new", "new"]


def test_a_goal_without_a_number_is_known_by_its_address():
    """Base and id make its address; the same again is the same goal."""
    bare = {k: v for k, v in theirs().items() if k != "identifier"}
    once = take([bare])

    assert once.bundle["entry"][-1]["fullUrl"] == f"{SOURCE}/Goal/g7" or f"{SOURCE}/Goal/g7" in str(
        once.bundle
    )
    assert outcomes(take([bare], once.bundle)) == ["unchanged"]


def test_what_is_not_a_plan_is_refused():
    """Merging needs one plan of one patient."""
    with pytest.raises(BundleError):
        take_goals({"resourceType": "Bundle", "entry": []}, [theirs()], source=SOURCE)


def test_back_as_it_came():
    """Number, author, extensions, everything but whom it is about and how its author is referred to:
    unchanged.
    """
    given = give_goals(take([theirs()]).bundle)

    back = resource(given, "Goal", 1)
    assert {k: v for k, v in back.items() if k not in ("subject", "expressedBy", "extension")} == {
        k: v for k, v in theirs().items() if k not in ("subject", "expressedBy", "extension")
    }
    assert back["extension"][0]["extension"][1] == EXTENSION[0]["extension"][1]
    author = next(e["resource"] for e in given["entry"] if e["fullUrl"] == back["expressedBy"]["reference"])
    assert author["identifier"] == INES["identifier"]
    assert resource(given, "Patient")["identifier"] == ANNA["identifier"]


@given(
    st.dictionaries(st.sampled_from(["x", "http://a.example/ext"]), st.integers(), max_size=2),
    st.sampled_from(["2.50", "90", "0.10"]),
    st.sampled_from(["active", "on-hold", "accepted", "planned"]),
)
def test_round_trip_of_any_goal(extras, value, status):
    """Whatever extensions, numbers and states a goal has, they come back; digits included."""
    goal = theirs(lifecycleStatus=status, target=[target("gait-speed", value, "m/s")])
    goal["extension"] += [{"url": url, "valueInteger": number} for url, number in extras.items()]
    del goal["extension"][0]

    back = resource(give_goals(wire.loads(wire.dumps(take([goal]).bundle))), "Goal", 1)

    assert back["extension"] == goal["extension"]
    assert str(back["target"][0]["detailQuantity"]["value"]) == value
    assert (back["lifecycleStatus"], back["identifier"], back["meta"]) == (
        status,
        goal["identifier"],
        goal["meta"],
    )


def test_progress_goes_with_the_goals():
    """Observations of the goals' measures go along, others do not; and whatever they refer to."""
    bundle = plan()
    for code in ("daily-wear", "body-weight"):
        bundle["entry"].append(
            {
                "fullUrl": f"urn:uuid:{code}",
                "resource": {
                    "resourceType": "Observation",
                    "identifier": [{"system": f"{CLINIC}/fhircare/part", "value": code}],
                    "status": "final",
                    "code": measure(code),
                    "subject": ref("patient"),
                    "device": ref("leg"),
                },
            }
        )

    given = give_goals(bundle)

    kinds = sorted(e["resource"]["resourceType"] for e in given["entry"])
    assert kinds == ["Condition", "Device", "Goal", "Observation", "Patient"]
    assert given["identifier"]["value"] == "P"


def test_ndjson_of_goals():
    """One resource a line, each with an id that the others refer to."""
    lines = [wire.loads(line) for line in as_ndjson(give_goals(plan())).splitlines()]

    ids = {f"{line['resourceType']}/{line['id']}" for line in lines}
    goal = next(line for line in lines if line["resourceType"] == "Goal")
    assert goal["subject"]["reference"] in ids
    assert take_goals(plan(), lines, source="goals.ndjson").changes[0].outcome == "unchanged"


def test_from_their_server_and_back():
    """Taken from the therapist's server, given back there: their goal as they have it, our own beside it."""
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        world = World(mocked, SOURCE)
        for one in (ANNA, INES):
            world.stub.put(one, one["id"])
        world.stub.put(theirs(), "g7")
        server = world.server()

        taken = take_goals(plan(), goals_at(server, plan()), source=SOURCE)
        report = send(server, give_goals(taken.bundle), memory=ShortMemory())

        assert outcomes(taken) == ["new"]
        assert world.stub.held["Goal/g7"]["meta"]["versionId"] == "1"
        assert {(e.kind, e.outcome) for e in report.entries} == {
            ("Patient", "kept"),
            ("Practitioner", "kept"),
            ("Condition", "created"),
            ("Goal", "created"),
            ("Goal", "kept"),
        }


def test_our_own_goals_come_back_unchanged():
    """A plan that was sent to a server: its goals there are the plan's own, nothing in them has changed."""
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        world = World(mocked)
        send(world.server(), plan())

        taken = take_goals(plan(), goals_at(world.server(), plan()), source=world.stub.base)

        assert outcomes(taken) == ["unchanged"]
        assert goals_of(taken.bundle)[0]["addresses"] == [ref("limb")]
        assert len(taken.bundle["entry"]) == len(plan()["entry"])
