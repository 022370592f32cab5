"""Invented courses through log, review and revision: no rule of safety is ever broken."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from fhircare.follow import courses as lived
from fhircare.follow.courses import live_through, together
from fhircare.follow.decide import MOVES
from tests.bench.courses import RECORDS, plan_of, report

PAGE = Path(__file__).parent.parent / "docs/simulation.md"


@pytest.fixture(scope="module")
def tallies():
    return {pace: together(live_through(plan_of(pace), seed) for seed in range(8)) for pace in RECORDS}


def test_the_plans_have_the_pace_they_are_named_by():
    """The three plans are of three paces."""
    assert {pace: plan_of(pace).wear.pace for pace in RECORDS} == {pace: pace for pace in RECORDS}


def test_no_rule_of_safety_is_broken(tallies):
    """No rise after a finding, no stop lifted by itself, no speed from silence, in 24 courses of 60 days."""
    assert together(tallies.values()).broken == []


def test_the_people_are_troubled_enough(tallies):
    """Every decision falls, and what the rules are for happens: else the courses would prove nothing."""
    whole = together(tallies.values())

    assert set(whole.moves) == set(MOVES)
    assert {
        "stop began", "release", "proposal approved", "day a proposal waited", "not reported", "correction",
        "fall", "ply changed", "emergency", "helper", "worn during a stop", "visit proposed",
    } <= {what for what, times in whole.met.items() if times}  # fmt: skip


def test_a_slower_pace_takes_longer(tallies):
    """Full-day wear comes later at the cautious pace."""
    never = lived.DAYS + 1

    assert (tallies["usual"].median_full_day() or never) < (tallies["cautious"].median_full_day() or never)
    assert tallies["experienced"].median_full_day() is not None


def test_the_same_seed_is_the_same_course():
    """A course is told by its seed."""
    assert live_through(plan_of("usual"), 7) == live_through(plan_of("usual"), 7)


BLIND = {
    "a sign to stop at did not stop": {"move": "go-on", "step": 3},
    "an emergency was not answered as one": {"move": "stop", "call": "same-day"},
}


@pytest.mark.parametrize("what", BLIND)
def test_the_judge_is_no_friend_of_the_rules(what, monkeypatch):
    """A decision that goes on after a sign to stop at, or answers an emergency like a stop, is found out."""
    honest = lived.review

    def wrong(plan, log, on):
        seen = honest(plan, log, on)
        if seen.decision.move != "emergency":
            return seen
        return replace(seen, decision=replace(seen.decision, **BLIND[what]))

    monkeypatch.setattr(lived, "review", wrong)
    monkeypatch.setattr(lived, "revision_of", lambda seen, log: None)
    monkeypatch.setitem(lived.Person.lives.__globals__["CHANCES"], "emergency", (0.5, ""))

    assert any(what in one for one in live_through(plan_of("usual"), 1, days=20).broken)


def test_the_page_tells_thousands_of_courses_and_no_broken_rule():
    """The committed page was made by the report: at least 2,000 courses, every pace, nothing broken."""
    said = PAGE.read_text(encoding="utf-8")
    told = re.search(r"^([\d,]+) people lived", said, re.MULTILINE)

    assert told
    assert int(told[1].replace(",", "")) >= 2000
    assert "safety broken: **0**" in said
    empty = "\n".join(report({pace: lived.Tally() for pace in RECORDS}))
    assert re.findall("^#.*", said, re.MULTILINE) == re.findall("^#.*", empty, re.MULTILINE)
    for pace in RECORDS:
        assert re.search(rf"^\| {pace} \| \d+ of \d+ \|", said, re.MULTILINE)
    assert not re.search(r"\d{4}-\d\d-\d\d", said)
