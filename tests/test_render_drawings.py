"""The drawings: whole, without color, worded in every language, and nothing beyond their edges."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from babel.messages.pofile import read_po
from PIL import ImageFont

from fhircare.render.templates import environment

TEMPLATES = Path(__file__).parent.parent / "templates"
DRAWINGS = sorted(
    path.name.removesuffix(".svg.jinja")
    for path in (TEMPLATES / "drawings").glob("*.svg.jinja")
    if path.name != "shapes.svg.jinja"
)
LANGUAGES = sorted(path.parent.parent.name for path in TEMPLATES.glob("words/*/LC_MESSAGES/drawings.po"))
CHOICES = ({}, {"pin": True}, {"bare": True}, {"side": "left"}, {"skin_fit": True})
SVG = "{http://www.w3.org/2000/svg}"


def words(language: str) -> dict[str, str]:
    catalog = (TEMPLATES / "words" / language / "LC_MESSAGES" / "drawings.po").read_bytes()
    return {str(message.id): str(message.string) for message in read_po(io.BytesIO(catalog)) if message.id}


def draw(name: str, language: str = "en", **choices: object) -> ET.Element:
    template = environment((TEMPLATES,)).get_template(f"drawings/{name}.svg.jinja")
    said = words(language)
    return ET.fromstring(template.render(say=lambda key: said[key], **choices).strip())  # noqa: S314 - ours


@pytest.mark.parametrize("name", DRAWINGS)
@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("choices", CHOICES, ids=str)
def test_a_drawing_is_whole_and_named(name, language, choices):
    """One image with a role, a title and a longer text, both found by their ids; every id once."""
    svg = draw(name, language, **choices)
    ids = [element.get("id") for element in svg.iter() if element.get("id")]
    assert svg.get("role") == "img"
    assert len(ids) == len(set(ids))
    for attribute, tag in (("aria-labelledby", "title"), ("aria-describedby", "desc")):
        (named,) = [e for e in svg.iter(f"{SVG}{tag}") if e.get("id") == svg.get(attribute)]
        assert len((named.text or "").split()) >= 5


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_drawing_says_nothing_by_color(name):
    """Ink, white and greys only: a photocopy loses nothing."""
    for choices in CHOICES:
        for element in draw(name, **choices).iter():
            for paint in (element.get("fill"), element.get("stroke")):
                if paint and paint != "none":
                    assert re.fullmatch(r"#(..)\1\1", paint), paint


@pytest.mark.parametrize("language", LANGUAGES)
def test_words_stay_within_the_picture(language):
    """Measured with a face as wide as the widest a printer falls back to (DejaVu Sans Bold)."""
    try:
        face = ImageFont.truetype("DejaVuSans-Bold.ttf", 100)
    except OSError:
        pytest.skip("needs the font DejaVu Sans Bold")
    for name in DRAWINGS:
        for choices in CHOICES:
            svg = draw(name, language, **choices)
            width = float((svg.get("viewBox") or "").split()[2])
            for x, text, size, anchor in placed_words(svg):
                length = face.getlength(text) * size / 100
                left = x - {"start": 0, "middle": length / 2, "end": length}[anchor]
                assert left >= 0, (name, text)
                assert left + length <= width, (name, text)


def placed_words(svg: ET.Element):
    """Each text with where it stands on the picture; groups here only shift, and never turn text over."""

    def walk(element: ET.Element, shift: float):
        moved = element.get("transform", "")
        if element.tag == f"{SVG}g" and moved:
            shift += float(moved.split("translate(")[1].split()[0]) if "translate(" in moved else 0
        if element.tag == f"{SVG}text" and not (element.text or "").isdigit():
            assert "scale" not in moved
            yield (
                shift + float(element.get("x", 0)), element.text or "", float(element.get("font-size", 17)),
                element.get("text-anchor", "start"),
            )  # fmt: skip
        for child in element:
            yield from walk(child, shift)

    return walk(svg, 0)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_has_the_same_words(language):
    """A key in one catalog is a key in all; none is empty."""
    assert set(words(language)) == set(words("en"))
    assert all(words(language).values())


def test_the_picture_of_the_limb_shows_the_limb_s_side():
    """A right limb stands on the reader's left seen from the front, and on the right seen from behind."""

    def dots(side: str) -> dict[str, float]:
        svg = draw("skin-sites", side=side)
        return {t.text: float(t.get("x", 0)) for t in svg.iter(f"{SVG}text") if (t.text or "").isdigit()}

    right, left = dots("right"), dots("left")
    front, back = 112, 270 + 112
    assert right["4"] < front < left["4"]
    assert left["6"] < back < right["6"]
