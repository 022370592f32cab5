"""How many syllables a word has, in English and in Spanish, without a network and in a second's part.

English spelling does not tell its sounds. A short rule counts most words; the words it miscounts stand in
``en.tsv.gz``, taken from the CMU Pronouncing Dictionary (``SOURCES.md``). Together they give the dictionary's
count for each of its words, and the rule's count for the rest. Spanish spelling does tell its sounds: there
the rules of the Real Academia on diphthongs and hiatus are enough.

Numbers are counted as they are said up to 99, digit by digit from there (a phone number is read that way).
"""

from __future__ import annotations

import functools
import gzip
import importlib.resources
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

_VOWELS = re.compile(r"[aeiouy]+")
_SILENT = re.compile(r"[^aeiouy](?:e|es)$")
_SOUNDED = re.compile(r"(?:[^aeiouy]le|[cgsxz]es|[cs]hes)s?$")
_SILENT_ED = re.compile(r"[^aeiouydt]ed$")

_STRONG = frozenset("aeoáéóíúàèìòù")
_SPANISH_VOWELS = re.compile(r"[aeiouáéíóúüàèìòù]+")

_NUMBERS: Mapping[str, tuple[tuple[int, ...], tuple[int, ...], int]] = {
    "en": (
        (2, 1, 1, 1, 1, 1, 1, 2, 1, 1, 1, 3, 1, 2, 2, 2, 2, 3, 2, 2),  # zero to nineteen
        (0, 0, 2, 2, 2, 2, 2, 3, 2, 2),  # twenty, thirty ... ninety
        0,  # nothing between tens and ones
    ),
    "es": (
        (2, 2, 1, 1, 2, 2, 1, 2, 2, 2, 1, 2, 2, 2, 3, 2, 3, 4, 3, 4,  # cero ... diecinueve
         2, 3, 3, 3, 4, 4, 3, 4, 3, 4),  # veinte ... veintinueve
        (0, 0, 2, 2, 3, 3, 3, 3, 3, 3),  # treinta, cuarenta ... noventa
        1,  # y
    ),
}  # fmt: skip


def english_by_rule(word: str) -> int:
    """Count the syllables of an English word in lower case by its letters alone.

    One syllable for each run of vowels; an ending e, es or ed is silent, but for the endings in which it
    sounds.
    """
    word = word.replace("'", "")
    word = re.sub(r"^y", "j", word)
    count = len(_VOWELS.findall(word))
    if (_SILENT.search(word) and not _SOUNDED.search(word)) or (count > 1 and _SILENT_ED.search(word)):
        count -= 1
    return max(count, 1)


@functools.lru_cache(maxsize=1)
def _english_exceptions() -> Mapping[str, int]:
    packed = importlib.resources.files(__package__).joinpath("en.tsv.gz").read_bytes()
    lines = gzip.decompress(packed).decode("ascii").splitlines()
    return {word: int(count) for word, _, count in (line.partition("\t") for line in lines)}


@functools.lru_cache(maxsize=4096)
def english(word: str) -> int:
    """Count the syllables of an English word, as the CMU Pronouncing Dictionary's first entry has them."""
    word = word.lower().replace("\u2019", "'")
    stem = word.removesuffix("'s")
    exceptions = _english_exceptions()
    return exceptions.get(word) or exceptions.get(stem) or english_by_rule(stem)


@functools.lru_cache(maxsize=4096)
def spanish(word: str) -> int:
    """Count the syllables of a Spanish word by its spelling.

    Each strong vowel (a, e, o, or an accented i or u) makes one; weak vowels join their neighbor; u is silent
    in que, qui, gue and gui (Real Academia Española, Ortografía de la lengua española, 2010, on diphthongs
    and hiatus; from memory).
    """
    word = re.sub(r"(q|g)u(?=[eiéí])", r"\1", word.lower())
    word = re.sub(r"y(?![aeiouáéíóú])", "i", word)
    runs = _SPANISH_VOWELS.findall(word)
    return max(1, sum(max(1, sum(vowel in _STRONG for vowel in run)) for run in runs))


def _number(digits: str, language: str) -> int:
    ones, tens, between = _NUMBERS[language]
    if len(digits) > 2:
        return sum(ones[int(digit)] for digit in digits)
    value = int(digits)
    if value < len(ones):
        return ones[value]
    ten, one = divmod(value, 10)
    return tens[ten] + (between + ones[one] if one else 0)


COUNTERS: Mapping[str, Callable[[str], int]] = {"en": english, "es": spanish}
"""The languages whose syllables can be counted."""


def count(token: str, language: str) -> int:
    """Count the syllables of one written word: letters, digits, or both, such as 9-1-1, break-in or 10:30.

    Args:
        token: The word, without the marks around it.
        language: ``en`` or ``es``.
    """
    if token == "AM" or (token.isupper() and 1 < len(token) <= 4 and not _VOWELS.search(token.lower())):  # noqa: S105
        return sum(3 if letter == "W" and language == "en" else 1 for letter in token)
    counter = COUNTERS[language]
    return sum(
        _number(part, language) if part.isdigit() and part.isascii() else counter(part)
        for part in re.findall(r"[^\W\d_]+(?:['\u2019][^\W\d_]+)*|\d+", token)
    )
