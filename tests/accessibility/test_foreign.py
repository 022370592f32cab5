"""The pages of other systems' plans in a real browser: WCAG 2.2 AA, a narrow screen, and hostile text."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from fhircare.bundle import read
from fhircare.render import render
from tests.accessibility.test_pages import NARROW, OVERFLOWING

pytestmark = pytest.mark.browser

FOLDER = Path(__file__).parents[1] / "data" / "foreign"
PAGES = [
    ("inline-details", "patient", "en"),
    ("inline-details", "clinic", "es"),
    ("summary-document", "patient", "es"),
    ("several-plans", "physician", "en"),
]
EVIL = "<script>window.fired=1</script><img src=x onerror='window.fired=1'>\u202e\u0007" + "x" * 300


def _bundle(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text("utf-8"))
    return found


@pytest.mark.parametrize(("name", "reader", "language"), PAGES)
def test_a_foreign_plan_s_page_keeps_wcag_2_2_aa_at_400_percent(show, violations, name, reader, language):
    """axe-core finds nothing, and nothing scrolls sideways, FHIRPaths of what was not read included."""
    driver = show(render(read(_bundle(name)), "html", reader, language=language), NARROW)

    assert driver.execute_script("return document.documentElement.scrollWidth") <= NARROW
    assert driver.execute_script(OVERFLOWING) == []
    assert violations(driver) == []


@pytest.mark.parametrize("reader", ["patient", "clinic"])
def test_hostile_text_of_a_foreign_plan_runs_nothing_and_breaks_nothing(show, reader):
    """Markup, direction marks and endless words in every text a plan has stay text."""
    bundle = _spoilt(_bundle("inline-details"))
    bundle["entry"][-1]["resource"]["text"] = {
        "status": "additional",
        "div": f'<div xmlns="http://www.w3.org/1999/xhtml"><p onclick="window.fired=1">{EVIL}</p></div>',
    }
    driver = show(render(read(bundle), "html", reader), NARROW)

    assert driver.execute_script("return [window.fired, document.scripts.length]") == [None, 0]
    assert driver.execute_script("return document.querySelectorAll('img, iframe, object').length") == 0
    assert driver.execute_script("return document.documentElement.scrollWidth") <= NARROW
    assert driver.execute_script(OVERFLOWING) == []
    shown = driver.execute_script("return document.body.innerText")
    assert not any(mark in shown for mark in "\u202e\u0007")


def _spoilt(value: Any) -> Any:
    """The same bundle with every text for people replaced."""
    if isinstance(value, list):
        return [_spoilt(one) for one in value]
    if not isinstance(value, dict):
        return copy.copy(value)
    words = {"text", "display", "title", "description", "name", "unit"}
    return {k: EVIL if k in words and isinstance(v, str) else _spoilt(v) for k, v in value.items()}
