"""Follow-up visits: when they are needed, and on which days they fall."""

from __future__ import annotations

import datetime as dt
import itertools
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhircare.delivery import FreeSlot
from fhircare.errors import PlanningError
from fhircare.plan import WEEKDAYS, OpeningHours
from fhircare.planner import make_plan
from fhircare.planner.booking import Diary, Need, book, public_holidays
from fhircare.planner.visits import add_months, event_need, plan_visits
from tests.builders import record
from tests.strategies import delivery_records

CHICAGO = ZoneInfo("America/Chicago")
MONDAY = dt.date(2026, 11, 16)


def visits(changes=None, **top_level):
    return make_plan(record(changes, **top_level)).visits


def day(offset):
    return MONDAY + dt.timedelta(days=offset)


# --- what is needed ----------------------------------------------------------------------------------------


def test_the_usual_cadence():
    """Checks in weeks 1, 2 and 6, then every 6 months, the whole team each year (common practice, no source;
    yearly review: Webster 2019, Am J Phys Med Rehabil 98(9):820).
    """
    found = visits()

    assert [visit.kinds for visit in found] == [
        ("fit-check",), ("fit-check",), ("fit-check",), ("regular-check",),
        ("annual-review", "regular-check"), ("regular-check",), ("annual-review", "regular-check"),
    ]  # fmt: skip
    assert [visit.start.date() for visit in found[:3]] == [day(7), day(14), day(42)]
    assert all(visit.status == "proposed" for visit in found)
    assert all(visit.why for visit in found)


def test_visits_are_proposed_for_two_years():
    """The cadence is for life; it is proposed two years at a time."""
    assert max(visit.start.date() for visit in visits()) <= dt.date(2028, 12, 31)
    assert len([v for v in visits() if "annual-review" in v.kinds]) == 2


def test_a_part_that_wears_out_and_a_warranty_that_ends_are_seen_before():
    """The window ends on the day itself."""
    parts = [
        {"kind": "socket", "name": "S"},
        {"kind": "liner", "name": "L", "liner_kind": "locking-pin", "replace_by": "2027-09-01"},
        {"kind": "knee", "name": "K", "warranty_until": "2028-03-01"},
    ]
    found = {kind: v for v in visits({"prosthesis.components": parts}) for kind in v.kinds}

    assert found["liner-replace"].start.date() <= dt.date(2027, 9, 1)
    assert found["liner-replace"].start.date() >= dt.date(2027, 9, 1) - dt.timedelta(days=28)
    assert found["warranty-end"].start.date() <= dt.date(2028, 3, 1)


def test_needs_that_fall_close_together_are_one_trip():
    """A liner worn out two weeks after the six-month check is seen at it, and the visit says so."""
    parts = [
        {"kind": "socket", "name": "S"},
        {"kind": "liner", "name": "L", "liner_kind": "locking-pin", "replace_by": "2027-05-28"},
    ]
    found = [v for v in visits({"prosthesis.components": parts}) if "liner-replace" in v.kinds]

    assert set(found[0].kinds) == {"liner-replace", "regular-check"}
    assert "Combined" in found[0].why


def test_early_checks_are_never_combined():
    """Two on one day would be one check fewer; the first monthly check goes with the fourth week."""
    found = visits(follow_up={"weeks_after": [1, 2, 3, 4], "months_between": 1})

    assert [v.kinds for v in found[:4]] == [*[("fit-check",)] * 3, ("fit-check", "regular-check")]
    assert [v.start.date() for v in found[:3]] == [day(7), day(14), day(21)]


def test_what_an_event_asks_for_is_placed_like_any_other():
    """New shoes, a change in weight and a ply forecast each ask for a visit within their days."""
    diary = Diary(zone=CHICAGO, hours=HOURS, minutes=45)
    needs = [event_need("shoe-change", day(3), 14), event_need("socket-adjust", day(5), 7)]

    found = plan_visits(needs, diary, 45)

    assert [set(v.kinds) for v in found.visits] == [{"shoe-change", "socket-adjust"}]
    assert found.unmet == ()


# --- on which days -----------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(delivery_records())
def test_no_visit_falls_where_it_cannot(delivery):
    """Always within opening hours, on no holiday, closure or day the person cannot come; windows are kept, or
    the visit says that it is later.
    """
    try:
        plan = make_plan(delivery)
    except PlanningError:
        return
    clinic = plan.clinic
    for visit in plan.visits:
        start, on = visit.start, visit.start.date()
        assert start.utcoffset() == start.replace(tzinfo=ZoneInfo(clinic.time_zone)).utcoffset()
        assert on not in public_holidays(clinic.holiday_country, clinic.holiday_region, on.year)
        assert not any(on in span for span in (*clinic.closures, *delivery.follow_up.not_on))
        end = (start + dt.timedelta(minutes=visit.minutes)).time()
        assert any(
            WEEKDAYS[on.weekday()] in hours.days and hours.opens <= start.time() and end <= hours.closes
            for hours in clinic.opening_hours
        )
        assert visit.earliest <= on
        assert on <= visit.latest or "Later than" in visit.why


@pytest.mark.parametrize(
    ("country", "region", "holiday"),
    [
        ("US", "", dt.date(2026, 11, 26)),  # Thanksgiving, the fourth Thursday of November, 5 U.S.C. 6103
        ("US", "", dt.date(2026, 12, 25)),  # Christmas Day, 5 U.S.C. 6103
        ("US", "IL", dt.date(2027, 2, 12)),  # Lincoln's birthday, 105 ILCS 5/24-2
        ("DE", "BY", dt.date(2027, 1, 6)),  # Heilige Drei Könige, Bayerisches Feiertagsgesetz Art. 1
    ],
)
def test_public_holidays_are_those_of_the_law(country, region, holiday):
    """The holidays library knows what the law says for country and region."""
    assert holiday in public_holidays(country, region, holiday.year)


def test_a_check_due_on_a_public_holiday_moves_within_its_window():
    """Delivered on 2026-11-19, a week later is Thanksgiving."""
    found = visits({"prosthesis.delivered_on": "2026-11-19"})[0]

    assert found.start.date() != dt.date(2026, 11, 26)
    assert found.earliest <= found.start.date() <= found.latest


def test_the_preferred_day_and_time_are_taken():
    """Tuesdays at 13:00: every window holds one."""
    found = visits(follow_up={"preferred_days": ["tue"], "preferred_time": "13:00"})

    assert all(v.start.weekday() == 1 for v in found)
    assert all(v.start.time() == dt.time(13) for v in found)


def test_a_preferred_time_after_closing_is_the_last_that_fits():
    """Open to 17:00, a visit of 45 minutes: 16:15."""
    found = visits(follow_up={"preferred_time": "20:00"})

    assert {v.start.time() for v in found} == {dt.time(16, 15)}


def test_a_visit_keeps_its_clock_time_over_the_change_of_the_clock():
    """Ten o'clock in Chicago is 16:00 UTC in winter and 15:00 UTC in summer."""
    found = visits(follow_up={"preferred_time": "10:00"})

    offsets = {v.start.month: v.start.utcoffset() for v in found}
    assert offsets[11] == dt.timedelta(hours=-6)
    assert offsets[5] == dt.timedelta(hours=-5)
    assert {v.start.time() for v in found} == {dt.time(10)}


def test_when_the_clinic_is_closed_all_through_the_window_the_visit_is_late_and_says_so():
    """Closed from day 8 to day 25: the two-week check comes on the first open day after."""
    closures = [{"first": day(8), "last": day(25)}]
    found = visits({"clinic.closures": closures})[1]

    assert found.start.date() == day(28)  # day 26 and 27 are a weekend
    assert "Later than" in found.why


def test_what_cannot_be_met_is_said():
    """Closed for a year: no visit, and a sentence for each that is missing."""
    closures = [{"first": day(1), "last": day(365)}]
    plan = make_plan(record({"clinic.closures": closures}))

    assert any(
        "No visit from 2026-11-20 to 2026-11-26 (fit-check)" in sentence for sentence in plan.wear.binding
    )


# --- months ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "months", "then"),
    [
        (dt.date(2026, 8, 31), 6, dt.date(2027, 2, 28)),
        (dt.date(2027, 8, 31), 6, dt.date(2028, 2, 29)),
        (dt.date(2026, 11, 30), 3, dt.date(2027, 2, 28)),
        (dt.date(2026, 12, 15), 1, dt.date(2027, 1, 15)),
        (dt.date(2026, 1, 31), 12, dt.date(2027, 1, 31)),
    ],
)
def test_a_month_later_is_the_same_day_or_the_last(start, months, then):
    """Month ends, leap years and the turn of the year."""
    assert add_months(start, months) == then


# --- fewest trips, against every choice there is -----------------------------------------------------------

HOURS = (OpeningHours(days=WEEKDAYS, opens=dt.time(9), closes=dt.time(17)),)


def slot(offset, minutes=60):
    return FreeSlot(start=dt.datetime.combine(day(offset), dt.time(10), CHICAGO), minutes=minutes)


windows = st.lists(st.tuples(st.integers(0, 15), st.integers(0, 8), st.integers(0, 8)), max_size=5)


@given(windows, st.sets(st.integers(0, 24), max_size=7))
def test_free_slots_are_chosen_with_the_fewest_trips(wanted, offsets):
    """Every need whose window holds a slot is met, and no smaller set of slots would meet them."""
    needs = [
        Need(f"kind-{n}", day(first + min(best, length)), day(first), day(first + length), "w")
        for n, (first, length, best) in enumerate(wanted)
    ]
    diary = Diary(zone=CHICAGO, hours=HOURS, slots=tuple(slot(o) for o in sorted(offsets)) or (slot(400),))

    booked, unmet = book(needs, diary)

    days = [day(o) for o in offsets]
    can = [n for n in needs if any(n.earliest <= d <= n.latest for d in days)]
    met = [need for booking in booked for need in booking.needs]
    assert sorted(n.kind for n in met) == sorted(n.kind for n in can)
    assert len(unmet) == len(needs) - len(can)
    for booking in booked:
        assert all(n.earliest <= booking.start.date() <= n.latest for n in booking.needs)
    fewest = next(
        size
        for size in range(len(days) + 1)
        for chosen in itertools.combinations(days, size)
        if all(any(n.earliest <= d <= n.latest for d in chosen) for n in can)
    )
    assert len(booked) == fewest


def test_a_slot_too_short_for_the_visit_is_no_slot():
    """Thirty minutes do not hold forty-five."""
    diary = Diary(zone=CHICAGO, hours=HOURS, minutes=45, slots=(slot(7, 30),))

    booked, unmet = book([Need("fit-check", day(7), day(4), day(10), "w")], diary)

    assert booked == ()
    assert unmet == ("No visit from 2026-11-20 to 2026-11-26 (fit-check): there is not a free slot.",)


def test_slots_are_kept_to_and_what_they_do_not_hold_is_said():
    """Given two slots, visits are in these only; the plan says which visits have none."""
    starts = ["2026-11-24T09:00:00-06:00", "2026-12-01T15:00:00-06:00"]
    slots = [{"start": start, "minutes": 60} for start in starts]
    plan = make_plan(record(follow_up={"free_slots": slots}))

    assert [v.start.isoformat() for v in plan.visits] == starts
    assert sum("there is not a free slot" in sentence for sentence in plan.wear.binding) >= 4
