"""Goals: scales, sure changes, goal attainment, and the band of functional levels."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.errors import DeliveryError
from fhircare.plan.measures import measures
from fhircare.planner import make_plan
from fhircare.planner.goals import attainment_t, change, expected_k_levels
from tests.builders import record

MEASURES = measures()


def goal(measure, value, unit, **more):
    target = {"measure": measure, "value": value, "unit": unit, **more}
    return {"goals": [{"text": "Walk to the shop", "targets": [target]}]}


TARGET = "goals[0].targets[0]"
OFF_PAIN = {"value": 12, "unit": "{score}"}
OFF_SCALE = "is outside the measure's scale —"


def faults(changes):
    with pytest.raises(DeliveryError) as caught:
        make_plan(record(changes))
    return [str(fault) for fault in caught.value.faults]


# --- the record's goals ------------------------------------------------------------------------------------


def test_the_goals_of_the_record_are_kept_as_they_are():
    """In the person's words, with their targets."""
    delivery = record(goal("two-minute-walk", 90, "m", due="2027-02-15"))

    assert make_plan(delivery).goals == delivery.goals


def test_without_goals_the_ladder_gives_one():
    """Worn all day, as long as the waking day holds, by the day it is reached (day 8)."""
    (made,) = make_plan(record()).goals

    (target,) = made.targets
    assert (target.measure, target.comparator, target.value, target.unit) == (
        "daily-wear",
        "at-least",
        14,
        "h/d",
    )
    assert target.due == dt.date(2026, 11, 24)
    assert made.set_by == "prosthetist"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        (
            goal("socket-comfort", 11, "{score}"),
            f"{TARGET}.value: {OFF_SCALE} 0 to 10",
        ),
        (
            goal("two-minute-walk", -1, "m"),
            f"{TARGET}.value: {OFF_SCALE} 0 m or more",
        ),
        (goal("daily-wear", 25, "h/d"), f"{TARGET}.value: is outside"),
        (goal("daily-wear", 1500, "min/d"), f"{TARGET}.value: is outside"),
        (
            goal("two-minute-walk", 90, "ft"),
            f"{TARGET}.unit: is not a unit of this measure — one of m",
        ),
        (
            goal("two-minutes-walk", 90, "m"),
            f"{TARGET}.measure: is not a known measure — did you mean",
        ),
        (
            {
                "measurements": [
                    {"measure": "pain", "quantity": {"value": 12, "unit": "{score}"}, "on": "2026-11-16"}
                ]
            },
            f"measurements[0].quantity.value: {OFF_SCALE} 0 to 10",
        ),
    ],
)
def test_what_a_measure_cannot_be_is_refused_at_its_field(changes, told):
    """Unknown measures, units that do not fit, values off the scale."""
    (fault,) = faults(changes)

    assert fault.startswith(told)


def test_every_fault_of_the_goals_is_told_at_once():
    """Two goals, two faults."""
    changes = {"goals": [*goal("pain", 11, "{score}")["goals"], *goal("pain", 3, "kg")["goals"]]}

    assert len(faults(changes)) == 2


@pytest.mark.parametrize(
    ("code", "low", "high"),
    [
        ("amp-with-prosthesis", 0, 47),  # Gailey 2002, Arch Phys Med Rehabil 83:613
        ("amp-without-prosthesis", 0, 43),  # Gailey 2002, Arch Phys Med Rehabil 83:613
        ("socket-comfort", 0, 10),  # Hanspal 2003, Disabil Rehabil 25:1278
        ("locomotor-capabilities", 0, 56),  # Franchignoni 2004, Arch Phys Med Rehabil 85:743
    ],
)
def test_scales_are_the_published_ones(code, low, high):
    """The ends of the scale."""
    assert (MEASURES[code].low, MEASURES[code].high) == (low, high)


# --- change ------------------------------------------------------------------------------------------------

WITH_MDC = [code for code, measure in MEASURES.items() if measure.mdc is not None]


@pytest.mark.parametrize("code", WITH_MDC)
def test_a_change_below_the_minimal_detectable_one_is_none_to_be_sure_of(code):
    """Whichever way it goes; at the number itself it is one."""
    measure = MEASURES[code]
    start, just = Decimal(20), measure.mdc - Decimal("0.01")

    for way in (1, -1):
        found = change(code, start, start + way * just)
        assert found.verdict == "unsure"
        assert "No change you can be sure of" in found.text
        assert change(code, start, start + way * measure.mdc).verdict in ("better", "worse")


@pytest.mark.parametrize("code", WITH_MDC)
def test_the_source_of_the_deciding_number_is_told(code):
    """A number from memory is said to be one."""
    assert MEASURES[code].mdc_source in change(code, Decimal(20), Decimal(60)).text


def test_better_is_down_for_times_and_up_for_distances():
    """Seconds of the timed up and go fall; metres of the two-minute walk rise."""
    assert change("timed-up-and-go", Decimal(31), Decimal(18)).verdict == "better"
    assert change("timed-up-and-go", Decimal(18), Decimal(31)).verdict == "worse"
    assert change("two-minute-walk", Decimal(48), Decimal(110)).verdict == "better"


def test_a_change_that_matters_is_told_from_the_published_number():
    """37.2 m in two minutes (Carse 2021, Gait Posture 88:221); 4.5 s in the L-test.

    L-test: Rushton 2015, Prosthet Orthot Int 39(6):470.
    """
    assert change("two-minute-walk", Decimal(40), Decimal("77.2")).matters
    assert not change("two-minute-walk", Decimal(40), Decimal("77.1")).matters
    assert change("l-test", Decimal(40), Decimal("35.5")).matters
    assert change("pain", Decimal(5), Decimal(1)).matters is None


def test_without_a_detectable_change_chance_is_not_ruled_out():
    """A measure that has none: changed, and how much of it is chance is not known."""
    assert change("houghton", Decimal(6), Decimal(9)).verdict == "unknown"


def test_no_change_is_no_change():
    """The same value twice."""
    assert change("pain", Decimal(3), Decimal(3)).verdict == "same"


# --- goal attainment (Kiresuk and Sherman 1968; formula as corrected in Clin Rehabil 2009;23:362 erratum) ---


@pytest.mark.parametrize(
    ("scores", "published"),
    [
        # 243 patients' baselines, Turner-Stokes and Williams 2010 (PubMed 20026573): with all goals at -2 the
        # median was 21.0 and the quartiles 19.8 and 22.6; with goals at -1 the median was 34.9, the upper
        # quartile 35.5. These are the scores of 3, 4 and 5 goals of equal weight.
        ([-2] * 3, 22.6), ([-2] * 4, 21.0), ([-2] * 5, 19.8), ([-1] * 4, 35.5), ([-1] * 5, 34.9),
        # Any number of goals as expected is 50, by definition.
        ([0], 50), ([0] * 6, 50),
    ],
)  # fmt: skip
def test_goal_attainment_as_published(scores, published):
    """To the tenth that the publication gives."""
    assert attainment_t(scores) == pytest.approx(published, abs=0.06)


def test_goal_attainment_with_weights_by_hand():
    """Goals +1, 0, -1, +2 with weights 2, 1, 3, 1: sum w x = 2 + 0 - 3 + 2 = 1; sum w^2 = 15; (sum w)^2 = 49.

    T = 50 + 10 * 1 / sqrt(0.7 * 15 + 0.3 * 49) = 50 + 10 / sqrt(25.2) = 50 + 1.992 = 51.992.
    """
    assert attainment_t([1, 0, -1, 2], [2, 1, 3, 1]) == pytest.approx(51.992, abs=0.001)


@given(st.lists(st.tuples(st.integers(-2, 2), st.integers(1, 9)), min_size=1, max_size=8))
def test_goal_attainment_is_even_around_fifty(goals):
    """All scores turned round: as far on the other side of 50; one goal better never lowers it."""
    scores, weights = [x for x, _ in goals], [w for _, w in goals]

    assert attainment_t(scores, weights) + attainment_t([-x for x in scores], weights) == pytest.approx(100)
    if scores[0] < 2:
        assert attainment_t([scores[0] + 1, *scores[1:]], weights) > attainment_t(scores, weights)


@pytest.mark.parametrize(
    ("scores", "weights", "rho"),
    [([], None, 0.3), ([3], None, 0.3), ([1], [0], 0.3), ([1, 2], [1], 0.3), ([1], [1], 1.0)],
)
def test_goal_attainment_refuses_what_it_is_not_made_for(scores, weights, rho):
    """No goals, a score off the scale, no weight, a weight too few, goals that are all one."""
    with pytest.raises(ValueError, match=r"goal|scores|weights"):
        attainment_t(scores, weights, rho)


# --- functional level --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "level"), [("0.17", 1), ("0.38", 2), ("0.63", 3), ("1.06", 4)])
def test_published_gait_speeds_point_to_their_own_level(speed, level):
    """Medians at discharge from rehabilitation, n=110: K1 0.17, K2 0.38, K3 0.63, K4 1.06 m/s."""
    found = expected_k_levels({"gait-speed": Decimal(speed)})

    assert (found.low, found.high) == (level, level)
    assert "judged by the clinicians" in found.text


@pytest.mark.parametrize("code", ["amp-with-prosthesis", "amp-without-prosthesis"])
def test_the_mobility_predictor_alone_never_gives_a_level(code):
    """It agrees with clinicians above 80 % only at K2 and K3 (Dillon 2018, doi 10.1177/0309364617706748)."""
    assert expected_k_levels({code: Decimal(40)}) is None
    both = {"amp-with-prosthesis": Decimal(40), "amp-without-prosthesis": Decimal(40)}
    assert expected_k_levels(both) is None


def test_measures_that_disagree_give_a_band():
    """A slow walk beside a high score is a band, not a number."""
    found = expected_k_levels({"gait-speed": Decimal("0.38"), "amp-with-prosthesis": Decimal(45)})

    assert (found.low, found.high) == (2, 4)
    assert set(found.basis) == {"gait-speed", "amp-with-prosthesis"}


def test_nothing_measured_gives_no_level():
    """And what does not speak of walking gives none either."""
    assert expected_k_levels({}) is None
    assert expected_k_levels({"pain": Decimal(3)}) is None
