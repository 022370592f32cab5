"""The wearing schedule: the usual table, its invariants, wishes that do not fit, changes of the clock."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings

from fhircare.errors import PlanningError
from fhircare.plan import WEEKDAYS
from fhircare.planner import Climber, DayOutcome, days_from, layout_of, make_plan
from fhircare.planner.wear.day import Clock
from tests.builders import override, record
from tests.strategies import wear_records

UTC = dt.UTC


def wear(changes=None, **top_level):
    return make_plan(record(changes, **top_level)).wear


# --- the usual table (common practice, no source) ----------------------------------------------------------


def test_the_default_schedule_is_the_usual_table():
    """Two sessions: 30 min each on day 1, 60 on day 2, an hour more each day, 6 h on day 7, then all day."""
    days = wear().days

    assert [[s.minutes for s in day.sessions] for day in days[:7]] == [
        [30, 30], [60, 60], [120, 120], [180, 180], [240, 240], [300, 300], [360, 360],
    ]  # fmt: skip
    assert all(len(day.sessions) == 1 and day.sessions[0].all_day for day in days[7:])
    assert len(days) == 21
    assert days[0].on == dt.date(2026, 11, 17)  # the day after delivery


@pytest.mark.parametrize("first", [30, 45, 60])
def test_the_first_day_may_start_anywhere_from_30_to_60(first):
    """Whatever the first day, day 7 is 6 hours each and day 8 the whole day."""
    days = wear({"wear": {"overrides": [override("first_day_minutes", first)]}}).days

    assert [s.minutes for s in days[0].sessions] == [first, first]
    assert [s.minutes for s in days[6].sessions] == [360, 360]
    assert days[7].sessions[0].all_day


def test_every_day_says_why():
    """Each day has the key of its rule and a sentence a prosthetist can check."""
    for day in wear().days:
        assert day.rule
        assert day.why.endswith(".")


def test_the_cautious_pace_takes_two_days_on_each_step():
    """Reduced sensation: two days a step, the whole day on day 15 (from memory: one to two days a step)."""
    days = wear({"limb.protective_sensation": "reduced"}).days

    assert [day.step for day in days[:15]] == [1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6, 7, 7, 8]


def test_the_experienced_pace_reaches_the_whole_day_on_day_five():
    """60, 120, 240, 360, whole day (common practice, no source)."""
    days = wear({"prosthesis.first": False}).days

    assert [day.sessions[0].minutes for day in days[:4]] == [60, 120, 240, 360]
    assert days[4].sessions[0].all_day


# --- invariants --------------------------------------------------------------------------------------------


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(wear_records())
def test_the_invariants_hold_for_every_record(delivery):
    """All that fhircare/planner/wear/schedule.py promises, over generated records."""
    try:
        plan = make_plan(delivery)
    except PlanningError:
        return  # no room on any day: its own test says what is told then
    schedule, layout = plan.wear, layout_of(plan)
    numbers, rungs = layout.settings, layout.rungs
    off = delivery.routine.days_without_wear
    assert [d.on for d in schedule.days] == [
        schedule.days[0].on + dt.timedelta(days=n) for n in range(len(schedule.days))
    ]
    for day in schedule.days:
        clock = Clock(day.on, layout.zone)
        spans = [(clock.minute(s.start), clock.minute(s.start) + s.minutes) for s in day.sessions]
        assert bool(spans) == (day.step > 0)
        if any(day.on in span for span in off):
            assert not spans
        for session, (start, end) in zip(day.sessions, spans, strict=True):
            assert session.sitting + session.standing + session.walking == session.minutes
            assert clock.minute(schedule.wakes) + numbers["after_waking_minutes"] <= start
            assert end <= clock.minute(schedule.sleeps) - schedule.redness_minutes
            assert_clear_of_busy(delivery, day, (start, end), clock, rungs, all_day=session.all_day)
        for (_, end), (start, _) in pairwise(spans):
            assert start - end >= schedule.rest_minutes >= schedule.redness_minutes
    assert_rises_with_the_pace(schedule, rungs, numbers)


def assert_clear_of_busy(delivery, day, span, clock, rungs, *, all_day):
    start, end = span
    for busy in delivery.routine.busy:
        if busy.what == "therapy" or WEEKDAYS[day.on.weekday()] not in busy.days:
            continue
        first, last = clock.minute(busy.starts), clock.minute(busy.ends)
        assert not first < start < last
        assert not first < end < last
        if start < last and first < end and not all_day:
            worn_before = rungs[day.step - 2].minutes if day.step > 1 else 0
            assert last - first <= worn_before


def assert_rises_with_the_pace(schedule, rungs, numbers):
    second = numbers["second_step_minutes"] - numbers["first_day_minutes"]
    rise = rungs[0].sessions * max(numbers["daily_increase_minutes"], second)
    worn = [day for day in schedule.days if day.sessions]
    assert worn[0].step == 1
    for before, after in pairwise(worn):
        gap = (after.on - before.on).days > 1
        assert after.step <= before.step + (not gap)
        assert after.minutes - before.minutes <= rise
        if after.rule not in ("step-back", "shortened"):
            # What else is on may cut the whole day at its ends; every other step is as long as the last.
            whole = any(s.all_day for s in (*before.sessions, *after.sessions))
            assert after.minutes >= before.minutes or whole


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(wear_records())
def test_a_plan_alone_lays_out_the_sessions_it_was_made_with(delivery):
    """What the follow-up needs to revise a plan is in the plan: same step, same date, same sessions."""
    try:
        plan = make_plan(delivery)
    except PlanningError:
        return
    layout = layout_of(plan)
    for day in plan.wear.days:
        if day.step:
            assert layout.sessions(day.step, day.on) == day.sessions


def test_a_revised_schedule_goes_on_where_the_person_stands():
    """Lived as planned for three days, the rest is as planned; the climber itself is not moved."""
    plan = make_plan(record())
    layout = layout_of(plan)
    climber = Climber(layout.policy)
    for day in plan.wear.days[:3]:
        climber.live(DayOutcome(day.step, day.minutes, day.minutes, "carry-on", 0))

    before = climber.decide()
    days, binding = days_from(layout, plan.wear.days[3].on, climber)

    assert days[:18] == plan.wear.days[3:]
    assert binding == ()
    assert climber.decide() == before


def test_while_wear_is_stopped_there_is_no_schedule():
    """Not until a clinician has released it; then it begins lower."""
    layout = layout_of(make_plan(record()))
    climber = Climber(layout.policy)
    for step in (1, 2, 3):
        climber.live(DayOutcome(step, 100, 100, "carry-on", 0))
    climber.live(DayOutcome(4, 100, 100, "stop", 0))

    with pytest.raises(PlanningError, match="Wear was stopped"):
        days_from(layout, dt.date(2026, 11, 21), climber)
    climber.live(DayOutcome(0, released=True))
    days, _ = days_from(layout, dt.date(2026, 11, 22), climber)
    assert (days[0].step, days[0].rule) == (3, "step-back")


# --- placement ---------------------------------------------------------------------------------------------

EVERY_DAY = list(WEEKDAYS)


def busy(starts, ends, what="work", days=EVERY_DAY):
    return {"routine": {"busy": [{"days": days, "starts": starts, "ends": ends, "what": what}]}}


def test_sessions_keep_clear_of_work_while_they_are_short():
    """Work from 9 to 12: the first session comes before it, not in it."""
    first = wear(busy("09:00", "12:00")).days[0].sessions[0]

    assert first.start <= dt.time(8, 30)


def test_a_session_covers_therapy():
    """The prosthesis is worn for therapy: an hour of it lies inside the second day's hour."""
    day = wear(busy("11:00", "12:00", "therapy")).days[1]

    assert dt.time(11) in [s.start for s in day.sessions]
    assert "Worn for therapy 11:00 to 12:00." in day.why


def test_therapy_longer_than_the_session_is_covered_in_part_and_said_so():
    """Half an hour is what the first day has."""
    day = wear(busy("11:00", "12:00", "therapy")).days[0]

    assert "Worn for 30 minutes of therapy 11:00 to 12:00." in day.why


def test_work_is_worn_through_once_sessions_are_long_enough():
    """Work from 11 to 12: sessions of 6 hours cannot lie around it, and run through it."""
    day = wear(busy("11:00", "12:00")).days[6]

    assert day.step == 7
    assert day.sessions[0].start < dt.time(11)


def test_no_session_runs_through_more_work_than_was_worn_in_one_go_before():
    """Two hours busy, one hour free, all day long: an hour fits between, two hours only through what is busy.

    One hour is the longest worn in one go so far, two hours of work are more: the second step is the last.
    """
    hours = [
        ("08:00", "10:00"),
        ("11:00", "13:00"),
        ("14:00", "16:00"),
        ("17:00", "19:00"),
        ("20:00", "22:00"),
    ]
    taken = [{"days": EVERY_DAY, "starts": a, "ends": b, "what": "work"} for a, b in hours]
    schedule = wear(routine={"busy": taken})

    assert max(day.step for day in schedule.days) == 2
    assert "does not hold step 3" in schedule.binding[0]


# --- wishes that do not fit --------------------------------------------------------------------------------


def test_an_open_wound_has_no_plan():
    """It is named, and the prosthetist and physician decide."""
    with pytest.raises(PlanningError) as caught:
        wear({"limb.skin": ["intact", "open-wound"]})

    assert "open-wound" in caught.value.binding
    assert "physician" in caught.value.nearest


def test_work_that_leaves_no_room_is_named_and_the_nearest_plan_made():
    """Work 8 to 18 with no break: the steps that fit stand, and the sentence says which hours bind."""
    schedule = wear(busy("08:00", "18:00", days=["mon", "tue", "wed", "thu", "fri"]))

    told = " ".join(schedule.binding)
    assert "work 08:00 to 18:00" in told
    assert "does not hold step" in told
    assert "Mondays" in told
    assert "ends before the whole day was worn for 7 days; its highest step is 4 of 8" in told
    assert any(day.rule == "shortened" for day in schedule.days)


def test_the_constraint_that_binds_is_found_by_letting_it_give_way():
    """Work from 14:00 to 16:30, two sessions of 6 h in the window from 7:30 to 21:30, worked by hand.

    The first at 7:30 ends at 13:30; with an hour of rest the second would start at 14:30, in work, and from
    16:30 it would end at 22:30. With half an hour of rest it starts at 14:00 and runs through work. So either
    work or the rest has to give way, and both are told.
    """
    (told,) = wear(busy("14:00", "16:30", days=["mon", "tue", "wed", "thu", "fri"])).binding

    assert "does not hold step 7 (2 of 6 h) around work 14:00 to 16:30" in told
    assert "if the prosthesis could be put on or taken off in those hours" in told
    assert "or if a rest of 30 minutes were enough" in told


def test_days_without_any_room_are_days_without_wear():
    """Sundays are taken from waking to sleep: nothing is planned on them, and that is said."""
    schedule = wear(busy("07:00", "22:00", days=["sun"]))

    sundays = [day for day in schedule.days if day.on.weekday() == 6]
    assert all(day.rule == "no-room" and not day.sessions for day in sundays if day.step == 0)
    assert any("On Sundays nothing fits" in sentence for sentence in schedule.binding)


def test_no_room_on_any_day_is_an_error_that_names_the_mend():
    """Every day taken from waking to sleep."""
    with pytest.raises(PlanningError, match=r"No day leaves room .* routine\.busy"):
        wear(busy("07:00", "22:00"))


def test_a_short_waking_day_says_what_it_does_not_hold():
    """Awake from 9 to 21: eleven hours for wear hold no two sessions of six."""
    schedule = wear(routine={"wakes": "09:00", "sleeps": "21:00"})

    assert any("does not hold 2 sessions of 6 h" in sentence for sentence in schedule.binding)
    assert schedule.days[-1].sessions[0].minutes == 11 * 60


# --- days without wear -------------------------------------------------------------------------------------


def without(first, last):
    return {"routine": {"days_without_wear": [{"first": first, "last": last, "reason": "Away"}]}}


def test_a_day_without_wear_does_not_advance():
    """Day 4 off: day 5 stands where day 3 stood."""
    days = wear(without("2026-11-20", "2026-11-20")).days

    assert [(d.step, d.rule) for d in days[2:5]] == [(3, "climb"), (0, "no-wear"), (3, "resume")]
    assert "Away" in days[3].why


def test_a_long_break_steps_back():
    """Five days off are three more than the pause: three steps back (common practice, no source)."""
    days = wear(without("2026-11-22", "2026-11-26")).days

    assert days[4].step == 5
    assert (days[10].step, days[10].rule) == (2, "step-back")


def test_a_break_lengthens_the_schedule_until_the_whole_day_has_lasted_a_week():
    """The last seven worn days are whole days, however long the break."""
    days = wear(without("2026-11-20", "2026-12-05")).days

    assert all(d.sessions[0].all_day for d in [d for d in days if d.sessions][-7:])


# --- the calendar and the clock ----------------------------------------------------------------------------


def test_dates_run_over_month_ends_and_leap_days():
    """Delivered on 2028-02-26: the schedule holds 28 and 29 February and 1 March."""
    schedule = wear(
        {"prosthesis.delivered_on": "2028-02-26", "limb.amputated_on": "2027-06-01", "order": None},
    )

    dates = [day.on for day in schedule.days]
    assert [f"{date:%m-%d}" for date in dates[:4]] == ["02-27", "02-28", "02-29", "03-01"]


@pytest.mark.parametrize(
    ("delivered", "zone"),
    [
        ("2027-03-07", "America/Chicago"),
        ("2026-10-25", "America/Chicago"),
        ("2026-09-20", "Pacific/Auckland"),
    ],
)
def test_clock_changes_leave_days_and_clock_times_alone(delivered, zone):
    """Two weeks with a change of the clock in them: the same table as two weeks without."""
    changes = {"prosthesis.delivered_on": delivered, "clinic.time_zone": zone, "order": None}

    changed = wear(changes).days
    plain = wear({**changes, "clinic.time_zone": "UTC"}).days
    assert [day.sessions for day in changed] == [day.sessions for day in plain]


def test_a_waking_day_that_holds_the_change_is_as_long_as_it_is():
    """Awake from 1:00 to 22:00 on 2027-03-14 in Chicago, where 2:00 to 3:00 does not exist: an hour less.

    Daylight saving starts on the second Sunday of March at 2:00 (Energy Policy Act of 2005).
    """
    schedule = wear(
        {
            "prosthesis.delivered_on": "2027-03-01",
            "order": None,
            "routine": {"wakes": "01:00", "sleeps": "22:00"},
        }
    )

    whole = {day.on: day.sessions[0] for day in schedule.days if day.sessions[0].all_day}
    changed, plain = whole[dt.date(2027, 3, 14)], whole[dt.date(2027, 3, 15)]
    assert plain.minutes - changed.minutes == 60
    for on, session in whole.items():
        start = dt.datetime.combine(on, session.start, ZoneInfo("America/Chicago"))
        end = start.astimezone(UTC) + dt.timedelta(minutes=session.minutes)
        assert end.astimezone(ZoneInfo("America/Chicago")).time() == dt.time(21, 30)
