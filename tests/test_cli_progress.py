"""How a plan goes, drawn: the picture and its page, in the reader's language and with room for its words."""

from __future__ import annotations

import json
from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest

from fhircare.bundle import read, to_bundle
from fhircare.cli import main
from tests.following import APPROVED, GOOD, log
from tests.test_follow_decide import PLAN


@pytest.fixture
def bundle(tmp_path):
    path = tmp_path / "bundle.json"
    path.write_text(APPROVED, encoding="utf-8")
    return path


def test_progress_is_drawn_for_all(bundle, tmp_path):
    """The picture is well-formed, has a title and description, and no color but shades of gray."""
    log(bundle, "2026-11-17", *GOOD)
    log(bundle, "2026-11-18", "--worn", "60", "--skin", "rash", "--ply-morning", "2")
    for name in ("p.svg", "p.html", "p.json"):
        assert main(["progress", str(bundle), "-o", str(tmp_path / name), "--on", "2026-11-19"]) == 0

    picture = ET.fromstring((tmp_path / "p.svg").read_text(encoding="utf-8"))  # noqa: S314 - our own picture
    names = {child.tag.rpartition("}")[2] for child in picture}
    assert {"title", "desc"} <= names
    colors = {
        value
        for one in picture.iter()
        for name, value in one.attrib.items()
        if name in ("fill", "stroke") and value.startswith("#")
    }
    assert all(color[1:3] == color[3:5] == color[5:7] for color in colors)
    days = json.loads((tmp_path / "p.json").read_text(encoding="utf-8"))["days"]
    assert days[1]["signs"] == ["itch-or-rash"]
    html = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert PLAN.clinic.phone in html
    assert "Marsh" not in html


LONG = (
    "Walk to the shop at the corner and back without a rest, with one stick, in all weathers, and carry "
    "a bag of shopping home on the way back"
)


def _drawn(goals, language):
    from dataclasses import replace

    from fhircare.follow.course import course_of
    from fhircare.follow.picture import svg
    from fhircare.follow.progress_page import page
    from fhircare.plan import Goal
    from fhircare.render import words_of

    one = PLAN.goals[0]
    plan = replace(PLAN, goals=tuple(replace(one, text=f"{n} {LONG}") for n in range(goals)))
    assert isinstance(one, Goal)
    course = course_of([plan], [], PLAN.wear.days[5].on)
    words = words_of(read(to_bundle(plan, validate=False)), "patient", language)
    return svg(course, words), page(course, words)


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("goals", [1, 3, 6])
def test_the_picture_has_room_for_its_words(goals, language):
    """No two lines of text lie on one another and none runs out of the picture, in either language.

    A letter counts 0.58 of its size: Chromium draws these lines with 0.50 (DejaVu Sans, as wide as Verdana).
    """
    picture = ET.fromstring(_drawn(goals, language)[0])  # noqa: S314 - our own picture
    _, _, width, high = map(float, picture.get("viewBox").split())
    said = [one for one in picture.iter() if one.tag.endswith("}text") and one.get("x")]
    lines = {}
    for one in said:
        x, y, size = float(one.get("x")), float(one.get("y")), float(one.get("font-size", 12))
        reach = len(one.text) * size * 0.58
        start = {"end": x - reach, "middle": x - reach / 2}.get(one.get("text-anchor"), x)
        assert start >= 0
        assert start + reach <= width, one.text
        assert y <= high
        lines.setdefault(y, []).append((start, start + reach))
    for row in lines.values():
        for (_, end), (start, _) in pairwise(sorted(row)):
            assert end <= start
    heights = sorted(lines)
    assert all(low - high >= 12 or low - high <= 6 for high, low in pairwise(heights))


@pytest.mark.parametrize(("language", "words"), [("en", "Every day"), ("es", "Todos los días")])
def test_the_page_of_progress_speaks_the_readers_language(language, words):
    """Headings, cautions and the picture are in one language; the page says which."""
    page = _drawn(1, language)[1]

    assert f'<html lang="{language}' in page
    assert words in page
    assert PLAN.clinic.phone in page
    assert ("Goals" in page) == (language == "en")
