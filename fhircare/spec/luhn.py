"""The mod 10 check digit, which LOINC codes and provider numbers end with."""

from __future__ import annotations

import re

_NPI = re.compile(r"[12][0-9]{9}\Z")


def luhn_ok(characters: str) -> bool:
    """Tell whether the last of some characters is their mod 10 ("Luhn", ISO/IEC 7812-1 annex B) check digit.

    Capital letters, which LOINC's parts and answers begin with, count by their place after "0" in ASCII; this
    was found from LOINC's own codes in HL7's definitions and examples, all of which agree.
    """
    total = 0
    for place, character in enumerate(reversed(characters)):
        number = ord(character) - 48
        total += number * 2 - 9 * (number // 5) if place % 2 else number
    return total % 10 == 0


def npi_ok(number: str) -> bool:
    """Tell whether a number can be a US National Provider Identifier.

    45 CFR 162.406: ten digits, the last a mod 10 check digit over 80840 and the others.
    """
    return _NPI.match(number) is not None and luhn_ok("80840" + number)
