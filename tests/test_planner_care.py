"""Care tasks and advice: each chosen by this person's device, limb and circumstances."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import HealthCheck, given, settings

from fhircare.errors import DeliveryError, PlanningError
from fhircare.plan.device import LinerKind, SuspensionKind
from fhircare.planner import make_plan
from fhircare.planner.care import advice_rows, task_rows
from fhircare.planner.facts import KNOWN, check_conditions, holds
from tests.builders import override, record
from tests.strategies import delivery_records

SUSPENSIONS = SuspensionKind.__args__
LINERS = LinerKind.__args__
LINER_OF = {"locking-pin": "locking-pin", "lanyard": "lanyard", "seal-in-suction": "seal-in"}


def parts(*extra, liner="locking-pin", liners=2):
    made = [{"kind": "socket", "name": "S"}, *extra]
    if liner:
        made.append({"kind": "liner", "name": "L", "liner_kind": liner, "count": liners})
    return made


SHRINKER = parts({"kind": "shrinker", "name": "Sh"})
BATTERY = parts({"kind": "knee", "name": "K", "battery": True})


def plan(changes=None, **top_level):
    return make_plan(record(changes, **top_level))


def advice(changes=None, **top_level):
    return {a.code: a for a in plan(changes, **top_level).care.advice}


def tasks(changes=None, **top_level):
    return {t.code: t for t in plan(changes, **top_level).care.tasks}


# --- the tables --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [task_rows, advice_rows], ids=["tasks", "advice"])
def test_every_row_has_its_own_code_a_text_a_reason_and_a_source(rows):
    """No code stands twice, and nothing goes unsaid."""
    codes = [row.code for row in rows()]

    assert len(codes) == len(set(codes))
    assert all(row.text and row.why and row.source for row in rows())


def test_a_misspelt_fact_is_found_when_the_table_is_read():
    """It does not wait to fail to apply."""
    with pytest.raises(ValueError, match="no such fact: skrinker"):
        check_conditions(["shrinker|skrinker"])


def test_every_topic_a_guide_must_cover_is_there():
    """The checklist's rows 1 to 23, one topic or task at least for each (common practice, no source)."""
    topics = {row.code.partition(".")[0] for row in advice_rows()} | {row.code for row in task_rows()}

    assert topics >= {
        "put-on", "take-off", "socks", "break-in", "skin", "skin-check", "sweat", "swelling", "shrinker",
        "limb-wash", "liner-care", "socks-care", "shrinker-care", "socket-care", "water", "damage", "shoes",
        "weight", "driving", "falls", "positions", "other-foot", "travel", "moving", "support", "therapist",
        "follow-up", "call", "caution",
    }  # fmt: skip


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(delivery_records())
def test_every_person_gets_what_everybody_needs_and_one_way_to_put_it_on(delivery):
    """Cautions, calls, one putting on, one taking off; and no text has a hole in it."""
    try:
        care = make_plan(delivery).care
    except PlanningError:
        return
    codes = [a.code for a in care.advice]
    assert {"caution.defer", "caution.stop", "caution.do-not-adjust", "call.clinic", "call.emergency"} <= set(
        codes
    )
    assert [c for c in codes if c.startswith("put-on.")] == [f"put-on.{delivery.prosthesis.suspension}"]
    assert [c for c in codes if c.startswith("take-off.")] == [f"take-off.{delivery.prosthesis.suspension}"]
    assert sum(c in codes for c in ("call.after-hours", "call.no-after-hours")) == 1
    assert sum(c in codes for c in ("water.safe", "water.keep-dry")) == 1
    assert sum(c in codes for c in ("therapist.training", "therapist.ask")) == 1
    assert all("{" not in part.text and "{" not in part.why for part in (*care.advice, *care.tasks))
    assert all(": ." not in part.why and "  " not in part.text for part in (*care.advice, *care.tasks))


# --- chosen by the device ----------------------------------------------------------------------------------


@pytest.mark.parametrize("suspension", SUSPENSIONS)
def test_each_suspension_has_its_own_way_on_and_off(suspension):
    """And no other's."""
    liner = LINER_OF.get(suspension)
    changes = {"prosthesis.suspension": suspension, "prosthesis.components": parts(liner=liner)}
    found = advice(changes)

    ways = {code for code in found if code.startswith(("put-on.", "take-off."))}
    assert ways == {f"put-on.{suspension}", f"take-off.{suspension}"}


@pytest.mark.parametrize("liner", LINERS)
def test_each_liner_has_its_own_way_on(liner):
    """And no other's."""
    suspension = {v: k for k, v in LINER_OF.items()}.get(liner, "elevated-vacuum")
    found = advice({"prosthesis.suspension": suspension, "prosthesis.components": parts(liner=liner)})

    assert [code for code in found if code.startswith("liner-on.")] == [f"liner-on.{liner}"]


def test_advice_for_a_pin_does_not_reach_a_lanyard():
    """What does not apply does not appear."""
    found = plan({"prosthesis.suspension": "lanyard", "prosthesis.components": parts(liner="lanyard")}).care

    assert not any("pin" in a.code.split(".")[-1] and "hole" not in a.code for a in found.advice)
    assert "pin-check" not in [t.code for t in found.tasks]
    assert "lanyard-check" in [t.code for t in found.tasks]


@pytest.mark.parametrize(
    ("changes", "there", "absent"),
    [
        ({"prosthesis.components": parts(liners=2)}, "liner-care.two", "liner-care.one"),
        ({"prosthesis.components": parts(liners=1)}, "liner-care.one", "liner-care.two"),
        (
            {"prosthesis.components": [*parts(liners=1), *parts(liners=1)[1:]]},
            "liner-care.two",
            "liner-care.one",
        ),
        ({"prosthesis.components": parts()}, "water.keep-dry", "shrinker.use"),
        (
            {"prosthesis.components": SHRINKER},
            "shrinker.use",
            "battery.charge",
        ),
        (
            {"prosthesis.components": BATTERY},
            "battery.charge",
            "",
        ),
        ({"socks": {}}, "socks.none", "socks.add"),
        ({"socks": {"socks": [{"ply": 3, "count": 2}]}}, "socks.add", "socks.none"),
        ({"circumstances": ["drives"]}, "driving.right", "driving.left"),
        ({"circumstances": ["drives"], "limb.side": "left", "order": None}, "driving.left", "driving.right"),
        ({}, "falls.prevent", "driving.right"),
        ({"circumstances": ["lives-alone"]}, "falls.alone", "moving.house"),
        ({"circumstances": ["moving-house"]}, "moving.house", "falls.alone"),
        ({"circumstances": ["travels"]}, "travel.spares", "travel.charger"),
        ({"risks": ["blood-thinner"]}, "falls.blood-thinner", "skin.diabetes"),
        ({"limb.protective_sensation": "absent"}, "caution.numb-skin", ""),
        ({"limb.protective_sensation": "intact"}, "caution.stop", "caution.numb-skin"),
        ({"limb.amputated_on": "2020-01-01"}, "skin.look", "swelling.off"),
        ({"limb.amputated_on": "2026-06-01"}, "swelling.off", ""),
        ({"shoes": {"heel_height": {"value": "10", "unit": "mm"}}}, "shoes.heel-height", "shoes.same-heel"),
        ({}, "shoes.same-heel", "shoes.heel-height"),
        ({"clinic.after_hours_phone": None}, "call.no-after-hours", "call.after-hours"),
    ],
)
def test_advice_follows_the_record(changes, there, absent):
    """What applies is there; what does not is absent."""
    found = advice(changes)

    assert there in found
    assert absent not in found


def test_numbers_in_the_advice_are_this_persons():
    """Heel height, weight limit, ply, redness and the emergency number come from the record."""
    knee = {"kind": "knee", "name": "K", "mass_limit": {"value": 220, "unit": "[lb_av]"}}
    foot = {"kind": "foot", "name": "F", "mass_limit": {"value": 125, "unit": "kg"}}
    found = advice(
        {
            "prosthesis.components": parts(knee, foot),
            "shoes": {"heel_height": {"value": "10", "unit": "mm"}},
            "socks.adjust_at_ply": 10,
            "clinic.emergency_phone": "112",
            "wear": {"overrides": [override("redness_minutes", 20)]},
        }
    )

    assert "10 mm" in found["shoes.heel-height"].text
    assert "220 lb" in found["weight.limit"].text  # 220 lb = 99.8 kg is less than 125 kg
    assert "10 ply" in found["socks.total"].text
    assert "20 minutes" in found["skin.wait"].text
    assert "112" in found["call.emergency"].text


def test_a_reason_names_the_facts_that_chose():
    """Of several that could, those that hold."""
    found = advice({"risks": ["diabetes", "kidney-disease"]})

    assert found["other-foot.high-risk"].why == "The other foot is at risk: diabetes, kidney disease."


# --- tasks -------------------------------------------------------------------------------------------------


def test_frequencies_are_structured():
    """Times in a period, at moments of the day; never prose."""
    found = tasks()

    wash = found["liner-wash"].frequency
    assert (wash.times, wash.every, wash.unit, wash.moments) == (1, 1, "d", ("EVE",))
    assert found["skin-check"].after_each_wear
    assert found["skin-check"].frequency is None
    for task in found.values():
        if task.frequency and task.frequency.moments:
            assert task.frequency.times == len(task.frequency.moments)


def test_tasks_of_the_break_in_end_with_it():
    """The skin is checked after each wear until the schedule ends, and daily from then on."""
    made = plan()
    found = {t.code: t for t in made.care.tasks}

    assert found["skin-check"].last == made.wear.days[-1].on
    assert found["skin-check-daily"].last is None


def test_the_shrinker_is_worn_until_the_limb_is_mature():
    """Eighteen months after amputation (Sanders and Fatone 2011, J Rehabil Res Dev 48(8):949)."""
    assert tasks({"limb.amputated_on": "2026-06-11"})["shrinker-wear"].last.isoformat() == "2027-12-11"
    assert tasks({"limb.amputated_on": "2020-06-11"})["shrinker-wear"].last is None


# --- left out ----------------------------------------------------------------------------------------------


def left(code):
    return {"leave_out": [{"code": code, "reason": "Told in person", "by": "Ruth Okafor"}]}


def test_a_topic_left_out_is_gone_and_recorded():
    """With who and why, among the plan's overrides."""
    made = plan(left("positions.lie-flat"))

    assert "positions.lie-flat" not in [a.code for a in made.care.advice]
    assert [(o.setting, o.value, o.reason, o.by) for o in made.wear.overrides] == [
        ("leave_out", "positions.lie-flat", "Told in person", "Ruth Okafor")
    ]


@pytest.mark.parametrize(
    "code", [row.code for row in advice_rows() if row.code.startswith(("caution.", "call."))]
)
def test_no_caution_and_no_contact_can_be_left_out(code):
    """By nobody."""
    with pytest.raises(DeliveryError, match=r"leave_out\[0\]\.code: cannot be left out"):
        plan(left(code))


@pytest.mark.parametrize("code", ["blister", "breathing-trouble", "skin-check", "nothing.like-it"])
def test_signs_tasks_and_unknown_codes_cannot_be_left_out(code):
    """Only advice can be."""
    with pytest.raises(DeliveryError, match="is not the code of any advice"):
        plan(left(code))


# --- conditions --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("conditions", "facts", "expected"),
    [
        ([], [], True),
        (["liner"], ["liner"], True),
        (["liner"], [], False),
        (["!liner"], [], True),
        (["!liner"], ["liner"], False),
        (["first|shrinker"], ["shrinker"], True),
        (["first|shrinker"], ["liner"], False),
        (["liner", "!first"], ["liner"], True),
        (["liner", "!first"], ["liner", "first"], False),
    ],
)
def test_conditions_read_as_they_are_written(conditions, facts, expected):
    """All must hold; | is either; ! is not."""
    assert holds(conditions, frozenset(facts)) is expected


def test_every_fact_a_table_asks_for_can_come_true():
    """A row whose facts exclude each other would never be given to anybody."""
    for row in (*task_rows(), *advice_rows()):
        options = [condition.split("|") for condition in row.when]
        ways = itertools.product(*options)
        assert any(holds(row.when, frozenset(o for o in way if not o.startswith("!"))) for way in ways), (
            row.code
        )
    assert KNOWN
