"""Warning signs: complete, without overlap, and never made milder by company."""

from __future__ import annotations

import itertools
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.plan import LEVELS
from fhircare.planner import make_plan
from fhircare.planner.stop import CALLS, graded, gravest, sign_rows, soonest
from tests.builders import override, record

ROWS = sign_rows()
BY_CODE = {row.code: row for row in ROWS}


def signs(changes=None, **top_level):
    return make_plan(record(changes, **top_level)).care.signs


ALL = signs({"risks": ["blood-thinner"]})


def test_every_sign_has_exactly_one_level():
    """No code stands twice, and every level is one of the four."""
    codes = [row.code for row in ROWS]

    assert len(codes) == len(set(codes))
    assert {row.level for row in ROWS} == set(LEVELS)


def test_no_two_signs_say_the_same():
    """Nobody can read one sign and find two levels for it."""
    texts = [row.text.lower() for row in ROWS]

    assert len(texts) == len(set(texts))


@pytest.mark.parametrize(
    ("code", "level"),
    [
        # Asked for by name: redness past its minutes, a blister, broken skin: do not wear it and call.
        ("redness-stays", "stop"), ("blister", "stop"), ("broken-skin", "stop"),
        # Call the same or the next day (common practice, no source, unless named in signs.toml).
        ("redness-not-pale", "stop"), ("new-pain", "stop"), ("ply-at-limit", "watch"),
        ("cannot-seat", "stop"), ("slipping", "stop"), ("noise-or-looseness", "stop"),
        ("missed-wear", "watch"),
        # Stop now and call.
        ("dark-area", "stop"), ("infection", "stop"), ("fever", "stop"), ("sudden-swelling", "stop"),
        ("device-failure", "stop"), ("leg-swelling", "stop"),
        # Emergency: signs of pulmonary embolism (NHLBI), falls with harm, sepsis.
        ("breathing-trouble", "emergency"), ("coughing-blood", "emergency"), ("fainting", "emergency"),
        ("fall-hurt", "emergency"), ("sepsis", "emergency"),
    ],
)  # fmt: skip
def test_every_sign_a_guide_must_name_is_there_at_its_level(code, level):
    """The checklist's rows on calling, stopping and emergencies are all covered."""
    assert BY_CODE[code].level == level


def test_who_to_call_fits_the_level():
    """A stop always means a call the same day at latest; an emergency the emergency number, and only it."""
    for row in ROWS:
        urgency = CALLS.index(row.call)
        if row.level == "stop":
            assert urgency >= CALLS.index("same-day")
        assert (row.level == "emergency") == (row.call == "emergency-number")


@given(st.lists(st.sampled_from(ALL), max_size=6), st.sampled_from(ALL))
def test_one_more_sign_never_lowers_the_level_or_the_call(some, another):
    """Whatever is seen besides."""
    assert LEVELS.index(gravest([*some, another])) >= LEVELS.index(gravest(some))
    assert CALLS.index(soonest([*some, another])) >= CALLS.index(soonest(some))


def test_two_signs_are_as_grave_as_the_graver():
    """Every pair there is."""
    for one, other in itertools.product(ALL, ALL):
        both = gravest([one, other])
        assert both == max((one.level, other.level), key=LEVELS.index)


def test_no_sign_is_no_alarm():
    """Nothing seen: carry on, no call."""
    assert (gravest([]), soonest([])) == ("carry-on", "none")


# --- limits ------------------------------------------------------------------------------------------------


def having_value(subject, value):
    rows = [(sign, BY_CODE[sign.code]) for sign in ALL if sign.limit is not None]
    return [sign for sign, row in rows if row.subject == subject and row.has(value, sign.limit)]


@given(st.decimals(0, 300, places=1))
def test_every_number_of_minutes_is_exactly_one_sign_of_redness(minutes):
    """Complete and without overlap: up to the limit it fades, beyond it stays."""
    having = [
        s for s in ALL if BY_CODE[s.code].subject == "redness" and BY_CODE[s.code].has(minutes, s.limit)
    ]

    assert len(having) == 1
    assert graded("redness", minutes, ALL) == having[0]


def test_no_subject_with_limits_has_two_signs_for_one_number():
    """Around every limit, one below, on it and one above."""
    for sign in ALL:
        if sign.limit is None:
            continue
        subject = BY_CODE[sign.code].subject
        for value in (sign.limit - 1, sign.limit, sign.limit + 1):
            having = [
                s
                for s in ALL
                if BY_CODE[s.code].subject == subject
                and s.limit is not None
                and BY_CODE[s.code].has(value, s.limit)
            ]
            assert len(having) <= 1


@pytest.mark.parametrize(
    ("minutes", "code"), [(29, "redness-fades"), (30, "redness-fades"), (31, "redness-stays")]
)
def test_redness_by_the_usual_thirty_minutes(minutes, code):
    """Gone after 30 minutes is gone in time; still there is not (common practice, no source)."""
    assert graded("redness", Decimal(minutes), ALL).code == code


@pytest.mark.parametrize(("ply", "code"), [(7, None), (8, "ply-at-limit"), (9, "ply-at-limit")])
def test_ply_by_the_threshold_of_the_record(ply, code):
    """At 8 ply the socket needs adjusting (8 to 10: common practice, no source)."""
    found = graded("ply", Decimal(ply), ALL)

    assert (found.code if found else None) == code


def test_limits_are_the_clinicians():
    """Redness 20 minutes, ply 10: the signs carry them, with UCUM units, and say them."""
    found = {
        sign.code: sign
        for sign in signs(
            {"socks.adjust_at_ply": 10, "wear": {"overrides": [override("redness_minutes", 20)]}}
        )
    }

    stays, ply = found["redness-stays"], found["ply-at-limit"]
    assert (stays.limit, stays.limit_unit) == (20, "min")
    assert "20 minutes" in stays.text
    assert (ply.limit, ply.limit_unit) == (10, "{ply}")


# --- for whom ----------------------------------------------------------------------------------------------


def test_signs_about_what_the_person_does_not_have_do_not_appear():
    """No socks: nothing about adding one, but still a sign that the leg is loose. No liner: no tear."""
    components = [{"kind": "socket", "name": "S"}]
    bare = {
        s.code
        for s in signs({"socks": {}, "prosthesis.suspension": "belt", "prosthesis.components": components})
    }

    assert not bare & {"too-far-in", "not-all-the-way-in", "ply-at-limit", "liner-torn"}
    assert {"loose-or-tight", "cannot-seat"} <= bare


def test_a_blow_to_the_head_on_a_blood_thinner_is_an_emergency():
    """For those who take one."""
    assert "fall-blood-thinner" in {s.code for s in ALL}
    assert "fall-blood-thinner" not in {s.code for s in signs()}


def test_every_person_is_told_every_stop_and_emergency_that_fits_everybody():
    """Whatever is left out, these stay."""
    everybody = {row.code for row in ROWS if not row.when and row.level in ("stop", "emergency")}

    assert everybody <= {s.code for s in signs()}
