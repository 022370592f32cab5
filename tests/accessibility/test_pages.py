"""Every page of every example and reader, held to WCAG 2.2 AA in headless Chromium."""

from __future__ import annotations

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from fhircare.bundle import read
from fhircare.render import READERS, render
from tests.accessibility.pages import EXAMPLES, PAGES, page
from tests.courses import example_course

pytestmark = pytest.mark.browser

NARROW = 320
"""CSS pixels that are left of 1280 at 400 % (WCAG 2.2, success criterion 1.4.10)."""
OVERFLOWING = """
const wide = document.documentElement.clientWidth;
return [...document.querySelectorAll('body *')].filter(element => {
  const box = element.getBoundingClientRect();
  if (!box.width || element.matches('.skip, .only-heard')) return false;
  return !element.parentElement.closest('.wide, svg') && (box.right > wide + 1 || box.left < -1);
}).slice(0, 5).map(element => element.outerHTML.slice(0, 120));
"""
ACTING = "a[href], [tabindex='0']"


@pytest.mark.parametrize(("example", "reader"), PAGES)
def test_a_page_keeps_wcag_2_2_aa_at_400_percent(show, violations, example, reader):
    """axe-core finds nothing; nothing but a table in its region scrolls sideways; nothing is asked for."""
    driver = show(page(example, reader), NARROW)
    assert driver.execute_script("return document.documentElement.scrollWidth") <= NARROW
    assert driver.execute_script(OVERFLOWING) == []
    assert driver.execute_script("return performance.getEntriesByType('resource').map(e => e.name)") == []
    assert driver.execute_script("return document.scripts.length") == 0
    assert violations(driver) == []
    assert [line for line in driver.get_log("browser") if "axe" not in line["message"]] == []


@pytest.mark.parametrize("reader", READERS)
def test_a_page_keeps_wcag_2_2_aa_on_a_wide_screen(show, violations, reader):
    """The same in two columns."""
    assert violations(show(page(EXAMPLES[0], reader), 1280)) == []


@pytest.mark.parametrize(("language", "large"), [("es", True), ("en", False), ("en", True)])
def test_each_language_and_size_keeps_it(show, violations, language, large):
    """The patient's page in a language and a size that its bundle does not ask for."""
    driver = show(page(EXAMPLES[-1], "patient", language=language, large_print=large), NARROW)
    assert driver.execute_script("return document.documentElement.scrollWidth") <= NARROW
    assert driver.execute_script(OVERFLOWING) == []
    assert violations(driver) == []


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("state", ["stopped", "proposed"])
def test_a_stop_is_seen_by_everybody(show, violations, reader, state):
    """While wear is stopped, and while the plan after it waits: the same, the warning's contrast included."""
    driver = show(render(read(example_course(EXAMPLES[0])[state]), "html", reader), NARROW)
    assert driver.execute_script(OVERFLOWING) == []
    assert violations(driver) == []


@pytest.mark.parametrize("reader", READERS)
def test_everything_that_acts_is_reached_by_keyboard(show, reader):
    """Tab walks through every link and scrolling region in reading order, and the focus is seen."""
    driver = show(page(EXAMPLES[0], reader))
    wanted = driver.execute_script(
        f"""const all = [...document.querySelectorAll("{ACTING}")]; window.reached = [];
        document.addEventListener('focusin', event => window.reached.push(
          [all.indexOf(event.target), getComputedStyle(event.target).outlineStyle !== 'none']));
        return all.length;"""
    )
    driver.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB * wanted)
    assert wanted > 5
    assert driver.execute_script("return window.reached") == [[place, True] for place in range(wanted)]
