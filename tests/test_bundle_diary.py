"""The log as Observations: every field there and back, nothing overwritten, nothing the check refuses."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhircare.bundle import read, to_bundle
from fhircare.bundle.logbook import log_of, take_log
from fhircare.check import check
from fhircare.errors import LogError
from fhircare.log import LogEntry, LogSession, Skin
from fhircare.log.entry import Author
from fhircare.planner import make_plan
from tests.builders import record
from tests.plans import whole_plan

PLAN = whole_plan()
BUNDLE = to_bundle(PLAN, validate=False)
MINUTES = st.integers(0, 1440)
TEXT = st.text(st.characters(categories=("L", "N")), min_size=1, max_size=12)
ZONES = st.integers(-12 * 4, 14 * 4).map(lambda quarter: dt.timezone(dt.timedelta(minutes=15 * quarter)))
DAYS = st.dates(dt.date(2026, 11, 16), dt.date(2028, 1, 1))


def _or_none(one):
    return st.none() | one


SESSIONS = st.builds(
    LogSession,
    minutes=MINUTES,
    sitting=_or_none(MINUTES),
    standing=_or_none(MINUTES),
    walking=_or_none(MINUTES),
    skin=_or_none(st.sampled_from(get_args(Skin))),
    faded_after=_or_none(MINUTES),
    site=st.just("") | TEXT,
)
ENTRIES = st.builds(
    LogEntry,
    on=DAYS,
    written_at=st.datetimes(dt.datetime(2028, 1, 3), dt.datetime(2030, 1, 1), timezones=ZONES),  # noqa: DTZ001
    author=st.sampled_from(get_args(Author)),
    sessions=st.lists(SESSIONS, max_size=3).map(tuple),
    pain=_or_none(st.integers(0, 10)),
    ply_morning=_or_none(st.integers(0, 30)),
    ply_evening=_or_none(st.integers(0, 30)),
    sweating=_or_none(st.sampled_from(("none", "some", "heavy"))),
    swelling=_or_none(st.sampled_from(("none", "some", "sudden"))),
    falls=_or_none(st.integers(0, 50)),
    fall_hurt=_or_none(st.booleans()),
    damage=_or_none(st.booleans()),
    new_shoes=_or_none(st.booleans()),
    liner=st.just("") | TEXT,
    signs=st.lists(TEXT, max_size=2).map(tuple),
    released=_or_none(st.booleans()),
    comment=st.just("") | TEXT,
)
WHOLE = LogEntry(
    on=dt.date(2026, 11, 18),
    written_at=dt.datetime(2026, 11, 18, 20, 15, tzinfo=dt.timezone(dt.timedelta(hours=-6))),
    author="clinic",
    sessions=(
        LogSession(
            minutes=30, sitting=15, standing=10, walking=5, skin="redness", faded_after=10, site="groin"
        ),
        LogSession(minutes=20, skin="clear"),
    ),
    pain=2,
    ply_morning=1,
    ply_evening=3,
    sweating="some",
    swelling="none",
    falls=1,
    fall_hurt=False,
    damage=True,
    new_shoes=False,
    liner="the older one",
    signs=("fever",),
    released=True,
    comment="Walked to the mailbox.",
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(ENTRIES)
def test_every_field_comes_back(entry):
    """What was written down is read back from the bundle as it was, and what was not stays unknown."""
    assert log_of(take_log(BUNDLE, PLAN, [entry]).bundle) == (entry,)


def test_a_log_passes_the_check():
    """A bundle with a whole entry and its correction has no error, and the plan in it is the same."""
    late = replace(WHOLE, pain=3, written_at=WHOLE.written_at + dt.timedelta(hours=1))
    plan = make_plan(record())

    bundle = take_log(to_bundle(plan), plan, [WHOLE, late]).bundle

    assert check(bundle).issues == []
    assert read(bundle).plan == plan


def test_the_same_entry_twice_changes_nothing():
    """Taking an entry in again, or the same words an hour later, leaves the bundle as it is."""
    once = take_log(BUNDLE, PLAN, [WHOLE])
    again = take_log(once.bundle, PLAN, [WHOLE])
    later = take_log(once.bundle, PLAN, [replace(WHOLE, written_at=WHOLE.written_at + dt.timedelta(hours=1))])

    assert (once.new, again.unchanged) == ((WHOLE,), (WHOLE,))
    assert again.bundle == later.bundle == once.bundle


def test_a_correction_stands_beside_what_it_corrects():
    """A correction is a new panel, status corrected, that names the old one; the old one stays as it was."""
    once = take_log(BUNDLE, PLAN, [WHOLE])
    fixed = replace(WHOLE, pain=7, written_at=WHOLE.written_at + dt.timedelta(hours=1))

    twice = take_log(once.bundle, PLAN, [fixed])

    assert twice.corrected == (fixed,)
    assert twice.bundle["entry"][: len(once.bundle["entry"])] == once.bundle["entry"]
    assert log_of(twice.bundle) == (fixed,)
    panel = twice.bundle["entry"][-1]["resource"]
    assert panel["status"] == "corrected"
    assert panel["extension"][0]["url"] == "http://hl7.org/fhir/StructureDefinition/observation-replaces"
    urls = {entry["fullUrl"] for entry in once.bundle["entry"]}
    assert panel["extension"][0]["valueReference"]["reference"] in urls


def test_a_file_with_a_day_and_its_correction_can_be_read_in_again():
    """Reading in the same file twice changes nothing, even when it holds a correction."""
    fixed = replace(WHOLE, pain=7, written_at=WHOLE.written_at + dt.timedelta(hours=1))
    once = take_log(BUNDLE, PLAN, [WHOLE, fixed])

    assert take_log(once.bundle, PLAN, [WHOLE, fixed]).bundle == once.bundle


def test_an_older_entry_does_not_push_aside_a_newer_one():
    """What was written before the entry that stands is refused, for it cannot correct it."""
    once = take_log(BUNDLE, PLAN, [WHOLE])
    older = replace(WHOLE, pain=0, written_at=WHOLE.written_at - dt.timedelta(hours=1))

    with pytest.raises(LogError, match="a later entry of this day"):
        take_log(once.bundle, PLAN, [older])


def test_each_author_has_an_entry_of_their_own():
    """Patient and caregiver may both write about a day; neither corrects the other."""
    other = replace(WHOLE, author="caregiver", pain=5)

    assert take_log(BUNDLE, PLAN, [WHOLE, other]).new == (WHOLE, other)


def _asked(bundle, on):
    """Return (code, what basedOn leads to) of every log Observation of a day."""
    urls = {item["fullUrl"]: item["resource"] for item in bundle["entry"]}
    found = []
    for one in (item["resource"] for item in bundle["entry"]):
        if one.get("effectiveDateTime") == on.isoformat() and "/log/" in one["identifier"][0]["value"]:
            answers = [urls[told["reference"]] for told in one["basedOn"]]
            found.append((one["code"]["coding"][-1]["code"], answers))
    return found


def test_every_observation_says_which_request_it_answers():
    """Each session names the planned session of its place and day; the day, pain and ply name the first."""
    plan = make_plan(record())
    day = plan.wear.days[1]
    entry = replace(
        WHOLE, on=day.on, written_at=WHOLE.written_at + dt.timedelta(days=7), author="patient", released=None
    )

    found = _asked(take_log(to_bundle(plan), plan, [entry]).bundle, day.on)

    times = [session.start.isoformat() for session in day.sessions]
    told = [
        (code, request["occurrenceTiming"]["repeat"]["timeOfDay"][0])
        for code, (request,) in found
        if request["occurrenceTiming"]["repeat"]["boundsPeriod"]["start"] <= day.on.isoformat()
    ]
    assert [time for code, time in told if code == "wear-session"] == times
    assert {time for code, time in told if code != "wear-session"} == {times[0]}
    assert len(told) == 6  # two sessions, pain, two plies, the day


def test_a_day_without_wear_answers_the_request_that_says_so():
    """Logged on a day without wear: based on that day's request; outside all days on the settings."""
    off = next(day for day in PLAN.wear.days if not day.sessions)
    after = PLAN.wear.days[-1].on + dt.timedelta(days=9)
    at = dt.datetime.combine(after, dt.time(21), dt.UTC)
    log = [replace(WHOLE, on=on, written_at=at) for on in (off.on, after)]

    bundle = take_log(BUNDLE, PLAN, log).bundle

    for on, kind in ((off.on, "no-wear"), (after, "wear-schedule")):
        assert {one["code"]["coding"][0]["code"] for _, (one,) in _asked(bundle, on)} == {kind}
