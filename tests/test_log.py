"""The patient's log: what is read, and what is refused with nothing taken."""

from __future__ import annotations

import datetime as dt
import json

import pytest

from fhircare.errors import LogError
from fhircare.log import columns, read_log
from fhircare.log.reading import blank_log

HEADER = (
    "on,author,written_at,minutes_1,skin_1,faded_after_1,"
    "minutes_2,skin_2,pain,ply_morning,ply_evening,signs\n"
)
DAY = "2026-11-18,patient,2026-11-18T20:00:00-06:00,30,redness,10,30,clear,1,1,3,\n"


def faults(text: str) -> list[str]:
    with pytest.raises(LogError) as caught:
        read_log(text, name="log.csv")
    return [str(fault) for fault in caught.value.faults]


def test_a_row_is_a_day():
    """A row of the log sheet becomes one entry with its sessions in order."""
    (entry,) = read_log(HEADER + DAY)

    assert entry.on == dt.date(2026, 11, 18)
    assert [(s.minutes, s.skin, s.faded_after) for s in entry.sessions] == [
        (30, "redness", 10),
        (30, "clear", None),
    ]
    assert (entry.pain, entry.ply_morning, entry.ply_evening, entry.minutes) == (1, 1, 3, 60)


def test_an_empty_cell_is_not_a_zero():
    """What was not written down stays unknown."""
    (entry,) = read_log(HEADER + "2026-11-18,patient,2026-11-18T20:00:00-06:00,30,,,,,,,,\n")

    assert entry.pain is None
    assert entry.sessions[0].skin is None
    assert len(entry.sessions) == 1


def test_json_says_the_same():
    """The same day as JSON is the same entry."""
    data = {
        "on": "2026-11-18",
        "author": "patient",
        "written_at": "2026-11-18T20:00:00-06:00",
        "sessions": [
            {"minutes": 30, "skin": "redness", "faded_after": 10},
            {"minutes": 30, "skin": "clear"},
        ],
        "pain": 1,
        "ply_morning": 1,
        "ply_evening": 3,
    }

    assert read_log(json.dumps([data])) == read_log(json.dumps(data)) == read_log(HEADER + DAY)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (",30,redness", ",1560,redness", "sessions[0].minutes (line 2): is too large"),
        ("30,redness,10,30,", "900,redness,10,900,", "sessions (line 2): add up to more than 24 hours"),
        (",1,1,3,", ",1,-1,3,", "ply_morning (line 2): is too small — at least 0"),
        (",1,1,3,", ",11,1,3,", "pain (line 2): is too large — at most 10"),
        ("redness,10", "clear,10", "faded_after"),
        ("30,redness,10", "0,blister,", "was found without any wear"),
        ("2026-11-18T20:00:00-06:00", "2026-11-18T20:00:00", "has no offset from UTC"),
        ("2026-11-18T20", "2026-11-17T20", "is after the day it was written"),
        ("2026-11-18,patient", "18.11.26,patient", "on (line 2): is not a date"),
        ("patient", "dog", "author (line 2): is not one of the values allowed"),
        (",1,1,3,\n", ",1,1\n", "more or fewer cells"),
        ("clear", "clearr", "sessions[1].skin"),
    ],
)
def test_what_cannot_be_is_refused(old, new, says):
    """Impossible and contradictory entries are refused with place and reason."""
    assert old in DAY
    found = faults(HEADER + DAY.replace(old, new, 1))

    assert any(says in fault for fault in found), found


@pytest.mark.parametrize("text", ["", "[1]", "{", "Ann,Smith\n1,2\n", '"open\n', "[" * 9000])
def test_text_that_is_no_log_is_refused(text):
    """What is no log is refused in one line that repeats nothing of it."""
    found = faults(text)

    assert len(found) == 1
    assert "Smith" not in found[0]


def test_every_field_has_a_column():
    """The columns of the log sheet are the fields of the log."""
    names = columns()

    assert len(names) == len(set(names))
    assert {"on", "minutes_1", "skin_4", "ply_evening", "comment"} <= set(names)


WRITTEN = dt.datetime(2026, 11, 20, 20, tzinfo=dt.UTC)


def test_a_log_that_does_not_say_when_it_was_written_was_written_when_it_is_told():
    """A sheet typed in has days, not moments; a row that says when keeps its own time."""
    text = "on,written_at,minutes_1\n2026-11-18,,30\n2026-11-19,2026-11-19T20:00:00-06:00,60\n"
    typed, timed = read_log(text, written_at=WRITTEN)

    assert typed.written_at == WRITTEN
    assert timed.written_at == dt.datetime.fromisoformat("2026-11-19T20:00:00-06:00")
    assert any("written_at" in fault for fault in faults(text))


def test_a_blank_log_can_be_filled_in_and_read():
    """Every column is known; a day left blank is not a day reported; one cell is enough."""
    days = [(dt.date(2026, 11, 18) + dt.timedelta(days=n), 2) for n in range(3)]
    blank = blank_log(days)
    header, first, *_ = blank.splitlines()

    assert set(header.split(",")) <= set(columns())
    assert {"minutes_2", "skin_2", "ply_morning", "pain", "signs"} <= set(header.split(","))
    assert [line.split(",")[0] for line in blank.splitlines()[1:]] == [day.isoformat() for day, _ in days]
    assert read_log(blank, written_at=WRITTEN) == ()

    filled = blank.replace(first, f"2026-11-18,30{first.removeprefix('2026-11-18,')}")
    (entry,) = read_log(filled, written_at=WRITTEN)
    assert (entry.on, entry.minutes) == (dt.date(2026, 11, 18), 30)
