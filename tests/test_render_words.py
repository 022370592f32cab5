"""The words of the handout: complete in every language, formatted as people write, and never missing a
caution.
"""

from __future__ import annotations

import datetime as dt
import re
import shutil
import tomllib
from decimal import Decimal
from pathlib import Path

import pytest
from babel import Locale
from hypothesis import given
from hypothesis import strategies as st

from fhircare.errors import TemplateError
from fhircare.render import render
from fhircare.render.said import Sentence, Value, clean
from fhircare.render.templates import folders
from fhircare.render.words import CRITICAL, Language, Words, choose, languages, locale_for, read_language
from tests.conftest import reading_of

PLANNER = Path(__file__).parent.parent / "fhircare" / "planner"
FOUND = languages(folders())
ENGLISH = FOUND["en"]


def words(tag: str, territory: str = "US") -> Words:
    return Words(FOUND.get(tag, Language(tag, {})), ENGLISH, locale_for(tag, territory))


def codes(table: str) -> list[str]:
    tables = tomllib.loads((PLANNER / f"{table}.toml").read_text(encoding="utf-8"))
    return [row["code"] for rows in tables.values() for row in rows]


@pytest.mark.parametrize("language", sorted(FOUND))
def test_every_code_the_planner_can_give_has_words(language: str) -> None:
    """Each advice, task and sign of the planner's tables is worded in every language that is shipped."""
    sentences = FOUND[language].sentences
    wanted = {f"advice.{code}.1" for code in codes("advice")}
    wanted |= {f"task.{code}" for code in codes("tasks")} | {f"sign.{code}" for code in codes("signs")}

    assert wanted - sentences.keys() == set()


@pytest.mark.parametrize("language", sorted(FOUND))
def test_a_language_has_every_sentence_and_no_other(language: str) -> None:
    """No language that is shipped lacks a sentence, or keeps one that English has dropped."""
    assert FOUND[language].sentences.keys() == ENGLISH.sentences.keys()


@pytest.mark.parametrize("language", sorted(FOUND))
def test_a_translation_holds_the_same_values(language: str) -> None:
    """A phone number or a limit in an English sentence stands in its translation too."""
    for key, english in ENGLISH.sentences.items():
        there = FOUND[language].sentences[key]
        assert sorted(re.findall(r"\{\w+\}", there)) == sorted(re.findall(r"\{\w+\}", english)), key


def test_a_sentence_stands_in_one_catalog_only(tmp_path: Path) -> None:
    """A key in two catalogs of a language is an error that names it."""
    folder = tmp_path / "words" / "en" / "LC_MESSAGES"
    folder.mkdir(parents=True)
    for name in ("a.po", "b.po"):
        (folder / name).write_text('msgid ""\nmsgstr ""\n\nmsgid "k"\nmsgstr "x"\n', encoding="utf-8")

    with pytest.raises(TemplateError, match="k stands twice"):
        read_language(folder.parent)


def test_what_is_no_catalog_is_an_error(tmp_path: Path) -> None:
    """A file that is not gettext is refused with its folder's name, not read halfway."""
    folder = tmp_path / "xx" / "LC_MESSAGES"
    folder.mkdir(parents=True)
    (folder / "a.po").write_text('msgid "k\nnot a catalog', encoding="utf-8")

    with pytest.raises(TemplateError, match="words/xx"):
        read_language(folder.parent)


def test_a_missing_sentence_is_said_in_english_and_marked() -> None:
    """What a language lacks is said in English, in an element that says so."""
    said = Words(Language("xx", {}), ENGLISH, Locale("en")).say("glance.heading")

    assert said.__html__() == '<span lang="en">Today and this week</span>'


@pytest.mark.parametrize("stem", CRITICAL)
def test_a_missing_caution_is_an_error(stem: str) -> None:
    """Cautions, stop rules and contacts are never said in a language the reader may not read."""
    key = next(key for key in ENGLISH.sentences if key.startswith(stem))

    with pytest.raises(TemplateError, match=re.escape(key)):
        Words(Language("xx", {}), ENGLISH, Locale("en")).say(key)


def test_a_page_is_not_made_in_a_language_without_its_stop_rules(tmp_path: Path) -> None:
    """One stop rule that is missing, or only a fuzzy guess, stops the whole page."""
    folder = tmp_path / "words" / "es"
    shutil.copytree(folders()[0] / "words" / "es", folder.with_name("xx"))
    catalog = folder.with_name("xx") / "LC_MESSAGES" / "safety.po"
    text = catalog.read_text(encoding="utf-8")
    catalog.write_text(
        text.replace('msgid "sign.blister"', '#, fuzzy\nmsgid "sign.blister"'), encoding="utf-8"
    )

    with pytest.raises(TemplateError, match=r"sign\.blister"):
        render(reading_of("anna-first-locking"), "html", language="xx", clinic_templates=tmp_path)


def test_a_language_is_added_by_one_folder(tmp_path: Path) -> None:
    """A third language, written from right to left, needs a folder and no code."""
    folder = tmp_path / "words" / "ar"
    shutil.copytree(folders()[0] / "words" / "en", folder)
    for catalog in folder.rglob("*.po"):
        text = catalog.read_text(encoding="utf-8")
        catalog.write_text(text.replace('msgstr "Today', 'msgstr "اليوم Today'), encoding="utf-8")

    page = render(reading_of("anna-first-locking"), "html", language="ar", clinic_templates=tmp_path)

    assert '<html lang="ar" dir="rtl"' in page
    assert "اليوم Today and this week" in page
    assert str(FOUND["en"].sentences["caution.unreviewed"]) in page


def test_the_reviewer_of_a_translation_is_named_and_until_then_its_want(tmp_path: Path) -> None:
    """Spanish says that it waits for review until its folder names a reviewer."""
    anna = reading_of("anna-first-locking")
    assert FOUND["es"].sentences["caution.unreviewed"] in render(anna, language="es")

    shutil.copytree(folders()[0] / "words" / "es", tmp_path / "words" / "es")
    about = tmp_path / "words" / "es" / "language.toml"
    about.write_text('reviewed_by = "A. Translator"\nreviewed_on = "2026-11-01"\n', encoding="utf-8")
    page = render(anna, language="es", clinic_templates=tmp_path)
    assert "A. Translator" in page
    assert FOUND["es"].sentences["caution.unreviewed"] not in page


def test_the_nearest_language_is_chosen() -> None:
    """es-MX reads Spanish, en_GB English; what nobody wrote is None."""
    assert choose(FOUND, "es-MX") is FOUND["es"]
    assert choose(FOUND, "EN_gb") is FOUND["en"]
    assert choose(FOUND, "tlh") is None


@pytest.mark.parametrize(
    ("tag", "day", "clock"),
    [
        # CLDR's patterns, as Unicode publishes them for these locales, without the year
        ("en", "Wednesday, December 2", "2:30\u00a0PM"),
        ("es", "miércoles, 2 de diciembre", "2:30\u00a0p.m."),
        ("fr", "mercredi 2 décembre", "14:30"),
        ("de", "Mittwoch, 2. Dezember", "14:30"),
    ],
)
def test_dates_and_times_are_written_as_the_reader_writes_them(tag: str, day: str, clock: str) -> None:
    """The clinic's country decides the clock where the language has people there."""
    spoken = words(tag)

    assert str(spoken.date(dt.date(2026, 12, 2))) == day
    assert str(spoken.time(dt.time(14, 30))) == clock


def test_lengths_are_minutes_under_an_hour_and_hours_above() -> None:
    """30 minutes, 1 hour, 1 hour 30 minutes; the machine reads ISO 8601."""
    spoken = words("en")

    assert [str(spoken.length(n)).replace("\u00a0", " ") for n in (0, 30, 60, 90, 360)] == [
        "0 minutes", "30 minutes", "1 hour", "1 hour 30 minutes", "6 hours",
    ]  # fmt: skip
    assert [spoken.length(n).machine for n in (0, 30, 60, 90)] == ["PT0M", "PT30M", "PT1H", "PT1H30M"]


@pytest.mark.parametrize(
    ("number", "unit", "said"),
    [
        # NIST Special Publication 811, appendix B.8: 1 lb = 0.45359237 kg, so 2 kg = 4.409 lb and
        # 125 kg = 275.58 lb; rounded down, since both are limits
        ("2", "kg", "2 kg (4 pounds)"),
        ("125", "kg", "125 kg (275 pounds)"),
        # NIST Special Publication 811, appendix B.8: t/°F = 1.8 t/°C + 32
        ("38", "Cel", "100.4 °F (38 °C)"),
        ("38.3", "Cel", "100.9 °F (38.3 °C)"),  # 100.94, rounded down
        # NIST Special Publication 811, appendix B.8: 1 in = 25.4 mm; 10 mm = 0.394 in, nearest eighth 3/8
        ("10", "mm", "10 mm (about 3/8 inch)"),
        ("50.8", "mm", "50.8 mm (about 2 inch)"),
        ("2", "d", "2 days"),
        ("1", "d", "1 day"),
        ("31.50", "s", "31.50 seconds"),
        ("3", "{unheard-of}", "3 {unheard-of}"),
    ],
)
def test_quantities_are_said_in_both_systems_where_people_count_so(number: str, unit: str, said: str) -> None:
    """In the United States a weight, a fever and a heel are said in the customary units too."""
    assert str(words("en").quantity(Decimal(number), unit)) == said


def test_quantities_are_metric_elsewhere() -> None:
    """Outside the United States, Liberia and Myanmar nothing is converted."""
    assert str(words("en", "IE").quantity(Decimal(38), "Cel")) == "38 °C"


@given(st.text())
def test_clean_text_holds_nothing_that_turns_or_hides(text: str) -> None:
    """No control, direction mark or noncharacter of a bundle's text reaches a page."""
    cleaned = clean(text)

    assert not re.search("[\x00-\x1f\x7f-\x9f\u200e\u200f\u061c\u2028-\u202e\u2066-\u2069\ufeff]", cleaned)
    assert cleaned == clean(cleaned)


@given(st.text(), st.text())
def test_a_sentence_escapes_its_values_and_itself(before: str, value: str) -> None:
    """Whatever a value holds, its HTML has no element of its own."""
    said = Sentence("k", before.replace("{", "").replace("}", "") + "{v}", {"v": Value(value, kind="text")})

    assert re.findall(r"<(\w+)", said.__html__()) == ["bdi"]
