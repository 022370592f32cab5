"""What a review says to the person: no word that would let them go on by an old paper, or hear nothing."""

from __future__ import annotations

import datetime as dt

import pytest

from fhircare.bundle import read
from fhircare.follow.keep import follow, take
from fhircare.follow.told import for_patient, silent_since, told
from fhircare.log import entry_from
from tests.courses import example_course
from tests.test_bundle_history import AT

ANNA = "anna-first-locking"
FIRST = dt.date(2026, 11, 18)
"""The first day of wear in Anna's plan."""


def reviewed(bundle, on):
    followed = follow(bundle, on)
    return followed, for_patient(followed, read(bundle))


def day(number, **told_of_it):
    on = FIRST + dt.timedelta(days=number - 1)
    at = dt.datetime.combine(on, dt.time(20), AT.tzinfo)
    return entry_from({"on": on, "written_at": at, "author": "patient", "sessions": [], **told_of_it})


def good(number, minutes):
    session = {"minutes": minutes, "skin": "clear"}
    return day(number, sessions=[session, session], pain=1)


def test_days_nobody_reported_are_not_called_as_planned() -> None:
    """Three planned days and no word: the same step, since when nothing came, and a call; never "go on"."""
    bundle = example_course(ANNA)["approved"]
    followed, lines = reviewed(bundle, FIRST + dt.timedelta(days=3))

    assert followed.review.decision.move == "hold"
    assert silent_since(followed) == FIRST
    assert "Follow your plan." not in lines
    assert "No call needed." not in lines
    assert any(line.startswith("We have no log from you since Wednesday, November 18.") for line in lines)
    clinic = told(followed, read(bundle))["clinic"]
    assert any("Nothing was reported since 2026-11-18" in line for line in clinic)


def test_the_day_of_the_last_report_ends_the_silence() -> None:
    """What is named is the first day after the last report; a reported day is no silence."""
    bundle = take(example_course(ANNA)["approved"], [good(1, 30), good(2, 60)]).bundle

    assert silent_since(follow(bundle, FIRST + dt.timedelta(days=2))) is None
    assert silent_since(follow(bundle, FIRST + dt.timedelta(days=4))) == FIRST + dt.timedelta(days=2)


def test_the_first_day_is_as_planned() -> None:
    """Before the first day of wear nobody owes a report."""
    followed, lines = reviewed(example_course(ANNA)["approved"], FIRST)

    assert followed.review.decision.move == "go-on"
    assert lines[0] == "Follow your plan."


@pytest.mark.parametrize("number", [2, 3])
def test_a_changed_plan_tells_to_throw_the_old_pages_away(number: int) -> None:
    """A revision that is in force at once makes the pages on the fridge wrong, and says so."""
    bundle = take(
        example_course(ANNA)["approved"],
        [good(1, 30), day(2, sessions=[{"minutes": 30, "skin": "blister"}], pain=2)][:number],
    ).bundle
    followed, lines = reviewed(bundle, FIRST + dt.timedelta(days=number))

    assert followed.revision is not None
    assert any("Throw the old ones away." in line for line in lines)


def test_a_call_names_the_number_for_closed_hours() -> None:
    """A stop may fall on a Saturday: both numbers stand in the message, the clinic's first."""
    bundle = example_course(ANNA)["revised"]
    stopped = take(bundle, [day(2, sessions=[{"minutes": 30, "skin": "blister"}])]).bundle
    _, lines = reviewed(stopped, FIRST + dt.timedelta(days=2))

    assert "If the clinic is closed, call +1-815-555-0149." in lines
    assert lines.index("If the clinic is closed, call +1-815-555-0149.") > next(
        at for at, line in enumerate(lines) if "+1-815-555-0140" in line
    )
