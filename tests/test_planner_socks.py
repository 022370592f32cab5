"""Socks: combinations, what is published of them, the change a sign asks for, the ply over the days."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.plan import SockKit, SockLayers
from fhircare.plan.device import Sock
from fhircare.planner import make_plan
from fhircare.planner.rules import rules, settings_for
from fhircare.planner.socks import (
    NOT_ALL_THE_WAY,
    TOO_FAR_IN,
    PlyNote,
    combinations,
    ply_trend,
    published_volume,
    sock_change,
    sock_guide,
)
from tests.builders import override, record

USUAL = settings_for("usual")
LINER = frozenset({"liner"})


def guide(*socks, adjust=8, facts=LINER, settings=USUAL, at_delivery=1):
    kit = SockKit(
        socks=tuple(Sock(ply=ply, count=count) for ply, count in socks),
        adjust_at_ply=adjust,
        ply_at_delivery=at_delivery,
    )
    return {entry.ply: entry for entry in sock_guide(kit, settings, facts)}


# --- combinations ------------------------------------------------------------------------------------------


def test_a_guide_worked_by_hand():
    """Issued 4 of 1 ply, 4 of 3, 2 of 5; half of each can be worn while the rest dries: 1, 1, 3, 3, 5."""
    found = guide((1, 4), (3, 4), (5, 2))

    assert {ply: entry.layers for ply, entry in found.items()} == {
        0: (),
        1: (1,),
        2: (1, 1),
        3: (3,),
        4: (1, 3),
        5: (5,),
        6: (3, 3),  # two layers, more even than 1 + 5
        7: (1, 3, 3),  # three: no two of what is at hand make 7
        8: (3, 5),
    }


def test_what_cannot_be_made_is_said():
    """One sock of 1 and one of 3 at a time make 1, 3 and 4; nothing else."""
    found = guide((1, 2), (3, 3))

    assert [ply for ply, entry in found.items() if not entry.possible] == [2, 5, 6, 7, 8]
    assert all(entry.layers == () for entry in found.values() if not entry.possible)


def test_a_single_sock_is_never_at_hand_while_one_dries():
    """One worn, one drying takes two."""
    assert not guide((3, 1))[3].possible


def test_without_a_liner_no_sock_at_all_is_no_choice():
    """On the skin there is a sock, unless none was worn at delivery."""
    assert 0 not in guide((3, 4), facts=frozenset())
    assert 0 in guide((3, 4), facts=frozenset(), at_delivery=0)


def test_the_clinician_may_set_the_thickest_next_to_the_limb():
    """The usual is thinnest next to the limb; the other way round is an override, and is recorded."""
    plan = make_plan(record({"wear": {"overrides": [override("thinnest_next_to_limb", 0)]}}))

    assert next(entry.layers for entry in plan.care.sock_guide if entry.ply == 8) == (5, 3)


def test_no_socks_no_guide():
    """A person without socks gets no guide."""
    assert guide() == {}


@given(
    st.dictionaries(st.integers(1, 6), st.integers(0, 3), max_size=3),
    st.integers(0, 12),
    st.integers(1, 4),
)
def test_every_total_is_made_with_the_fewest_layers_there_are(at_once, most, layers):
    """Against every choice of socks: a total is missing only when none makes it, and no choice has fewer."""
    pool = [ply for ply, count in at_once.items() for _ in range(count)]
    found = combinations(at_once, most=most, layers=layers)

    fewest: dict[int, int] = {}
    for count in range(min(layers, len(pool)) + 1):
        for choice in itertools.combinations(pool, count):
            fewest.setdefault(sum(choice), count)
    assert {ply: len(made) for ply, made in found.items()} == {
        ply: count for ply, count in fewest.items() if ply <= most
    }
    for ply, made in found.items():
        assert sum(made) == ply
        assert list(made) == sorted(made)
        assert all(made.count(sock) <= at_once[sock] for sock in made)


# --- what is published -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("layers", "percent"),
    [
        ((1,), "5.19"), ((2,), "7.15"), ((3,), "10.42"), ((5,), "8.83"),
        ((1, 2), "11.68"), ((2, 1), "11.57"), ((2, 3), "18.33"), ((3, 2), "18.33"),
    ],
)  # fmt: skip
def test_volume_added_is_told_as_it_was_measured(layers, percent):
    """Jasken and Hall 2018, J Prosthet Orthot 30(3):140, abstract."""
    found = published_volume(layers)

    assert str(found.percent) == percent
    assert "Jasken and Hall 2018" in found.source


@pytest.mark.parametrize("layers", [(), (4,), (1, 1), (3, 3), (1, 3), (5, 3), (2, 2, 1)])
def test_nothing_is_read_off_between_measured_combinations(layers):
    """A 5-ply sock added less than a 3-ply one (8.83 to 10.42 %): no rule leads to what was not measured."""
    assert published_volume(layers) is None


def test_no_module_turns_ply_into_a_length():
    """Layers do not add up (Sanders 2012, Prosthet Orthot Int): what is told is of named layers only."""
    for layers, percent in rules().sock_volume.items():
        singles = [rules().sock_volume.get((ply,)) for ply in layers]
        if len(layers) > 1 and all(singles):
            assert percent != sum(singles)


# --- signs -------------------------------------------------------------------------------------------------

GUIDE = tuple(
    SockLayers(ply=p, layers=lay, possible=ok)
    for p, lay, ok in [(0, (), True), (1, (1,), True), (2, (), False), (3, (3,), True), (4, (1, 3), True)]
)


@pytest.mark.parametrize("sign", sorted(TOO_FAR_IN))
def test_sinking_too_far_in_asks_for_one_ply_more(sign):
    """One ply, then a few steps and a new look (common practice, no source)."""
    change = sock_change([sign], 3, GUIDE, 10)

    assert (change.change, change.to_ply, change.layers, change.recheck_steps) == (1, 4, (1, 3), 10)


@pytest.mark.parametrize("sign", sorted(NOT_ALL_THE_WAY))
def test_not_getting_all_the_way_in_asks_for_one_ply_less(sign):
    """One ply, then a few steps and a new look (common practice, no source)."""
    change = sock_change([sign], 4, GUIDE, 10)

    assert (change.change, change.to_ply, change.layers) == (-1, 3, (3,))


def test_no_sign_is_of_both_kinds():
    """Every sign asks for one change only."""
    assert not TOO_FAR_IN & NOT_ALL_THE_WAY


@pytest.mark.parametrize(
    ("signs", "ply", "says"),
    [
        (["loose", "tight"], 3, "do not go together"),
        ([], 3, "Nothing asks"),
        (["loose"], 4, "threshold is reached"),
        (["tight"], 0, "no sock left"),
    ],
)
def test_where_no_change_is_right_the_socks_stay(signs, ply, says):
    """Contradiction, no sign, the threshold, and no sock left: leave them, and call where it matters."""
    change = sock_change(signs, ply, GUIDE, 10)

    assert (change.change, change.to_ply) == (0, ply)
    assert says in change.why


def test_a_ply_that_cannot_be_made_is_not_suggested():
    """From 1 ply up would be 2, and no sock makes it: call."""
    change = sock_change(["loose"], 1, GUIDE, 10)

    assert not change.possible
    assert "cannot be made" in change.why


# --- the ply over the days ---------------------------------------------------------------------------------

START = dt.date(2026, 12, 1)


def notes(mornings, evenings=None, days=None):
    days = days or range(len(mornings))
    evenings = evenings or [None] * len(mornings)
    return [
        PlyNote(START + dt.timedelta(days=day), morning, evening)
        for day, morning, evening in zip(days, mornings, evenings, strict=True)
    ]


def test_the_slope_and_its_interval_are_sens():
    """Sen 1968, J Am Stat Assoc 63:1379, his example: slope 4, interval 26/7 to 35/8 at 93 %.

    (The data and both ends are also in scipy's own tests of theilslopes.)
    """
    found = ply_trend(
        notes([9, 15, 19, 20, 45, 55, 78], days=[1, 2, 3, 4, 10, 12, 18]), 100, least_days=5, confidence=0.93
    )

    assert found.per_day == 4
    assert found.low == pytest.approx(26 / 7)
    assert found.high == pytest.approx(35 / 8)


def test_a_forecast_worked_by_hand():
    """One ply every two days from 1: 1 1 2 2 3 3 4 4 5; median day 4, median ply 3, slope 1/2.

    From 3 ply to 8 are 5, at half a ply a day 10 days: day 4 + 10 = day 14.
    """
    found = ply_trend(notes([1, 1, 2, 2, 3, 3, 4, 4, 5]), 8, least_days=5)

    assert found.per_day == 0.5
    assert found.reached_on == START + dt.timedelta(days=14)
    assert found.earliest <= found.reached_on
    assert found.latest is None or found.latest >= found.reached_on


def test_one_odd_day_does_not_move_the_trend():
    """Ten ply on one day of a flat week is no trend."""
    assert ply_trend(notes([3, 3, 3, 10, 3, 3, 3]), 8, least_days=5).per_day == 0


def test_the_swing_of_a_day_is_no_trend():
    """Two ply more each evening, the same each morning: swing 2, trend 0, nothing forecast."""
    found = ply_trend(notes([3] * 7, [5] * 7), 8, least_days=5)

    assert (found.swing, found.per_day, found.reached_on) == (2, 0, None)


def test_too_few_days_tell_no_trend():
    """Four mornings are not five."""
    assert ply_trend(notes([1, 2, 3, 4]), 8, least_days=5) is None


def test_the_order_of_the_notes_does_not_matter():
    """Last first is the same trend."""
    written = notes([1, 1, 2, 3, 3, 4])

    assert ply_trend(written[::-1], 8, least_days=5) == ply_trend(written, 8, least_days=5)


def test_planning_does_not_load_the_library_of_trends():
    """Planning at delivery stays quick: the statistics are loaded when a trend is asked for."""
    import subprocess
    import sys

    code = (
        "import sys; from tests.builders import record; from fhircare.planner import make_plan; "
        "make_plan(record()); assert 'scipy' not in sys.modules and 'numpy' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
