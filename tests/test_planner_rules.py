"""The numbers of the trade: sourced, bounded, overridable, and every override recorded."""

from __future__ import annotations

import pytest

from fhircare.errors import DeliveryError
from fhircare.plan import Override
from fhircare.planner import make_plan
from fhircare.planner.rules import PACES, rules, settings_for
from tests.builders import override, record

SETTINGS = rules().settings


def overrides(*pairs):
    return tuple(Override(setting=s, value=str(v), reason="r", by="b") for s, v in pairs)


def faults(*pairs, pace="usual"):
    with pytest.raises(DeliveryError) as caught:
        settings_for(pace, overrides(*pairs))
    return [str(fault) for fault in caught.value.faults]


@pytest.mark.parametrize("name", SETTINGS)
def test_every_number_says_where_it_comes_from(name):
    """A source is a publication with its year, or says plainly that there is none."""
    source = SETTINGS[name].source

    plain = ("common practice, no source", "from memory", "decided here")
    published = any(str(year) in source for year in range(1960, 2027))
    assert published or any(words in source for words in plain)


@pytest.mark.parametrize("name", SETTINGS)
def test_every_number_lies_within_its_bounds_at_every_pace(name):
    """What no clinician may set, no pace uses either."""
    setting = SETTINGS[name]

    assert all(setting.low <= setting.at(pace) <= setting.high for pace in PACES)


@pytest.mark.parametrize("pace", PACES)
def test_every_pace_is_free_of_contradiction(pace):
    """The numbers of each pace go together as they stand."""
    assert settings_for(pace).overrides == ()


@pytest.mark.parametrize("name", SETTINGS)
@pytest.mark.parametrize("end", ["low", "high"])
def test_either_bound_is_accepted_or_contradicts_another_number_by_name(name, end):
    """A bound is a value a clinician may set; if it does not go with another number, both are named."""
    value = getattr(SETTINGS[name], end)

    try:
        chosen = settings_for("usual", overrides((name, value)))[name]
    except DeliveryError as error:
        chosen, told = value, [fault.problem for fault in error.faults]
    else:
        told = []

    assert chosen == value
    assert all(name in problem for problem in told)


@pytest.mark.parametrize("name", SETTINGS)
def test_beyond_its_bounds_a_number_is_refused_with_the_bounds(name):
    """One below, one above: refused at the field, and the mend gives the bounds."""
    setting = SETTINGS[name]

    for value in (setting.low - 1, setting.high + 1):
        (fault,) = faults((name, value))
        assert fault.startswith("wear.overrides[0].value: ")
        assert f"from {setting.low} to {setting.high}" in fault


@pytest.mark.parametrize("value", ["", "abc", "1.5", "NaN", "Infinity", "1e999999", "-1", "30 min"])
def test_what_is_no_whole_number_is_refused(value):
    """Text, fractions, and numbers that are none: refused, never a traceback, never repeated."""
    (fault,) = faults(("first_day_minutes", value))

    assert "is not a whole number" in fault
    assert not value or value not in fault.split("—")[0]


def test_an_unknown_setting_names_the_nearest_known():
    """A misspelt setting comes back with the one that was meant."""
    assert faults(("first_day_minute", 45)) == [
        "wear.overrides[0].setting: is not a known setting — did you mean first_day_minutes?"
    ]


def test_every_fault_is_told_at_once():
    """Three faults, three lines."""
    found = faults(("nothing_like_it", 1), ("redness_minutes", 999), ("redness_minutes", 20))

    assert [line.split(":")[0] for line in found] == [
        "wear.overrides[0].setting",
        "wear.overrides[1].value",
        "wear.overrides[2].setting",
    ]


@pytest.mark.parametrize(
    ("pairs", "named"),
    [
        (
            [("second_step_minutes", 30), ("first_day_minutes", 60)],
            "second_step_minutes less than first_day_minutes",
        ),
        ([("longest_session_minutes", 60), ("second_step_minutes", 90)], "longest_session_minutes less than"),
        ([("rest_minutes", 20)], "rest_minutes less than redness_minutes"),
        ([("before_sleep_minutes", 0)], "before_sleep_minutes less than redness_minutes"),
        ([("sitting_percent_first", 95), ("walking_percent_first", 10)], "more than 100 %"),
    ],
)
def test_numbers_that_contradict_each_other_are_refused(pairs, named):
    """Skin must have been looked at again before the next session, and lengths must not fall."""
    assert any(named in fault for fault in faults(*pairs))


def test_a_number_nobody_set_follows_one_somebody_did():
    """Redness given 60 minutes to go lengthens the rest that nobody set, rather than asking for it."""
    chosen = settings_for("usual", overrides(("redness_minutes", 60)))

    assert chosen["rest_minutes"] == 60
    assert chosen["before_sleep_minutes"] == 60


def test_every_override_is_recorded_with_the_usual_value_who_and_why():
    """What the clinician set otherwise stands in the plan."""
    delivery = record({"wear": {"overrides": [override("first_day_minutes", 45, "Tires quickly")]}})

    plan = make_plan(delivery)

    assert plan.wear.overrides == (
        Override(
            setting="first_day_minutes", value="45", usual="30", reason="Tires quickly", by="Ruth Okafor"
        ),
    )
    assert plan.wear.days[0].sessions[0].minutes == 45
