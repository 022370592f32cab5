"""The plan as a person would read it, and the ramp as a picture."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

import pytest

from fhircare.delivery import read_delivery
from fhircare.plan import Plan
from fhircare.planner import chart, explain, make_plan
from tests.builders import override, record

RECORDS = sorted((Path(__file__).parent.parent / "examples" / "records").glob("*.yaml"))
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(params=RECORDS, ids=lambda p: p.stem)
def plan(request):
    return make_plan(read_delivery(request.param.read_text(encoding="utf-8")))


def test_every_day_with_its_reason_is_told(plan):
    """Ladder, reasons, visits, socks, cautions: what the clinician answers for is all there."""
    told = " ".join(explain(plan).split())

    assert plan.wear.pace_why in told
    for before, day in pairwise((None, *plan.wear.days)):
        assert " ".join(day.why.split()) in told
        alike = before and (before.sessions, before.why) == (day.sessions, day.why)
        assert f"{day.on}" in told or alike
    assert str(plan.wear.days[-1].on) in told
    for visit in plan.visits:
        assert f"{visit.start:%Y-%m-%d %H:%M}" in told
    for part in (*plan.care.signs, *(a for a in plan.care.advice if a.code.startswith("caution."))):
        assert " ".join(part.text.split()) in told
    assert "a proposal until a clinician approves it" in told
    assert "No guideline gives hours" in told


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_the_text_is_the_one_that_was_read(path, golden):
    """Each example's plan, as a person read it before it was kept."""
    made = make_plan(read_delivery(path.read_text(encoding="utf-8")))

    golden.same(f"{path.stem}.explain.txt", explain(made))


def test_no_person_is_named(plan):
    """The plan's number stands for them, on the screen as in the picture."""
    for told in (explain(plan), chart(plan)):
        assert plan.patient.name.family not in told
        assert plan.patient.identifiers[0].value not in told


def test_no_line_is_wider_than_a_screen(plan):
    """A hundred characters."""
    assert max(len(line) for line in explain(plan).splitlines()) <= 100


def test_overrides_and_what_binds_are_told_with_who_and_why():
    """What was set, instead of what, by whom and why; and which hours bind."""
    busy = [{"days": ["mon"], "starts": "08:00", "ends": "18:00", "what": "work"}]
    wear = {"overrides": [override("first_day_minutes", 45, "Tires quickly")]}
    told = " ".join(explain(make_plan(record({"wear": wear}, routine={"busy": busy}))).split())

    assert "first_day_minutes: 45 min instead of 30 min. Tires quickly (Ruth Okafor)" in told
    assert "On Mondays the day does not hold step" in told


def test_a_plan_from_elsewhere_is_told_as_far_as_it_goes():
    """A guest that lacks parts is no fault."""
    assert "X-1" in explain(Plan(number="X-1"))
    assert "no wearing schedule" in chart(Plan(number="X-1"))


def test_only_measured_combinations_of_socks_are_told_in_percent():
    """Jasken and Hall 2018, J Prosthet Orthot 30(3):140; 1+3 and 3+5 were not measured and are not told."""
    told = " ".join(explain(make_plan(record())).split())

    assert "1: 5.19 %, 3: 10.42 % and 5: 8.83 %" in told
    assert "1+3:" not in told


# --- the picture -------------------------------------------------------------------------------------------


def test_the_picture_is_one_bar_a_day_as_high_as_the_day_is_long(plan):
    """Heights are in proportion to minutes; a day without wear has a cross."""
    root = ET.fromstring(chart(plan))  # noqa: S314 - our own picture
    bars = root.findall(f"{SVG}g")

    assert len(bars) == len(plan.wear.days)
    heights = [sum(float(r.get("height")) for r in bar.findall(f"{SVG}rect")) for bar in bars]
    longest = max(day.minutes for day in plan.wear.days)
    for height, day in zip(heights, plan.wear.days, strict=True):
        assert height == pytest.approx(max(heights) * day.minutes / longest, abs=0.5)
    for bar, day in zip(bars, plan.wear.days, strict=True):
        assert bool(bar.findall(f"{SVG}text")) == (not day.sessions)


def test_the_picture_is_told_to_those_who_hear_it(plan):
    """Role, title and description, tied together; each bar has its own title."""
    root = ET.fromstring(chart(plan))  # noqa: S314 - our own picture
    title, described = root.find(f"{SVG}title"), root.find(f"{SVG}desc")

    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == f"{title.get('id')} {described.get('id')}"
    assert str(plan.wear.days[0].on) in described.text
    assert "all day" in described.text
    assert all(bar.find(f"{SVG}title").text for bar in root.findall(f"{SVG}g"))


def test_the_picture_needs_no_color(plan):
    """Every color is a grey: its three channels are the same."""
    root = ET.fromstring(chart(plan))  # noqa: S314 - our own picture

    for element in root.iter():
        for name in ("fill", "stroke"):
            color = element.get(name, "")
            if color.startswith("#"):
                assert color[1:3] == color[3:5] == color[5:7]


def test_what_is_written_into_the_picture_is_escaped():
    """A number with signs of markup in it stays text."""
    root = ET.fromstring(chart(Plan(number='<b>&"1')))  # noqa: S314 - our own picture

    assert root.find(f"{SVG}title").text == 'Wearing time of plan <b>&"1'
