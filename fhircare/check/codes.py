"""Codes of systems that are too big, or not ours, to hold: whether they have the right form.

A code that passes may still be unknown to its system; one that fails cannot belong to it. Each function takes
the code as it stands and answers true or false. Big tables come from well-kept libraries (``langcodes`` for
languages, ``babel`` for currencies and countries), imported only when a code is none of the usual ones.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache

from fhircare.spec.luhn import luhn_ok

_LONGEST = 4096  # no code in use comes near; a limit, so that no text costs more than it should

# --- check digits ---

# Verhoeff, "Error detecting decimal codes" (1969): the dihedral group D5, its permutation and its inverses.
_D5 = (
    (0, 1, 2, 3, 4, 5, 6, 7, 8, 9),
    (1, 2, 3, 4, 0, 6, 7, 8, 9, 5),
    (2, 3, 4, 0, 1, 7, 8, 9, 5, 6),
    (3, 4, 0, 1, 2, 8, 9, 5, 6, 7),
    (4, 0, 1, 2, 3, 9, 5, 6, 7, 8),
    (5, 9, 8, 7, 6, 0, 4, 3, 2, 1),
    (6, 5, 9, 8, 7, 1, 0, 4, 3, 2),
    (7, 6, 5, 9, 8, 2, 1, 0, 4, 3),
    (8, 7, 6, 5, 9, 3, 2, 1, 0, 4),
    (9, 8, 7, 6, 5, 4, 3, 2, 1, 0),
)
_STEP = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)
_CYCLE = 8


def _permutations() -> tuple[tuple[int, ...], ...]:
    rows = [tuple(range(10))]
    while len(rows) < _CYCLE:
        rows.append(tuple(_STEP[digit] for digit in rows[-1]))
    return tuple(rows)


_P = _permutations()


def verhoeff_ok(digits: str) -> bool:
    """Tell whether the last of some ASCII digits is their Verhoeff check digit."""
    check = 0
    for place, digit in enumerate(reversed(digits)):
        check = _D5[check][_P[place % _CYCLE][ord(digit) - 48]]
    return check == 0


# --- SNOMED CT, LOINC, NPI ---

_SCTID = re.compile(r"[1-9][0-9]{5,17}\Z")
_IN_EXPRESSION = re.compile(r"(?<![0-9A-Za-z#.])[0-9]{6,}(?![0-9A-Za-z.])")
_TERM = re.compile(r"\|[^|]*\|")
_GRAMMAR = re.compile(r"[:+{=|]")
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"')
# SNOMED CT Release File Specifications, "Partition identifier": a concept's id, of the core or of an
# extension.
_CONCEPT = frozenset({"00", "10"})
_LOINC = re.compile(r"((?:L[A-Z])?[0-9]{1,8})-([0-9])\Z")


def snomed_ok(code: str) -> bool:
    """Tell whether a code can be a SNOMED CT concept id or an expression made of some.

    FHIR R4 snomedct.html: codes are concept ids and expressions of the compositional grammar. An id has 6 to
    18 digits without a leading zero, a partition in its second and third last, and a Verhoeff check digit at
    the end (SNOMED CT Release File Specifications, "SCTID").
    """
    if _SCTID.match(code):
        return code[-3:-1] in _CONCEPT and verhoeff_ok(code)
    if not _GRAMMAR.search(code) or len(code) > _LONGEST:
        return False
    ids = _IN_EXPRESSION.findall(_STRING.sub("", _TERM.sub("", code)))
    return bool(ids) and all(_SCTID.match(found) and snomed_ok(found) for found in ids)


def loinc_ok(code: str) -> bool:
    """Tell whether a code can be LOINC's: digits, a hyphen and their mod 10 check digit.

    LOINC Users' Guide, appendix on the check digit. ``LP``, ``LA``, ``LL`` and ``LG`` stand before parts,
    answers, answer lists and groups.
    """
    match = _LOINC.match(code)
    return match is not None and luhn_ok(match[1] + match[2])


# --- languages: BCP 47 ---

# FHIR R4, value set "languages" (common languages), and a few more tags that need no table.
_USUAL_LANGUAGES = frozenset(
    """ar bn cs da de de-AT de-CH de-DE el en en-AU en-CA en-GB en-IN en-NZ en-SG en-US es es-AR es-ES es-UY
    fi fr fr-BE fr-CH fr-FR fy fy-NL hi hr it it-CH it-IT ja ko nl nl-BE nl-NL no no-NO pa pl pt pt-BR ru
    ru-RU sr sr-RS sv sv-SE te zh zh-CN zh-HK zh-SG zh-TW
    es-US es-MX fr-CA pt-PT nb nn vi uk tr he hu ro bg sk sl lt lv et fa ur tl""".split()  # noqa: SIM905
)
# RFC 5646 section 2.1 in full; ``irregular`` and ``regular`` are the grandfathered tags.
_LANGUAGE_TAG = r"""(?:
    (?P<language>[a-z]{2,3}(?:-[a-z]{3}){0,3}|[a-z]{4}|[a-z]{5,8})
    (?:-[a-z]{4})? (?:-(?:[a-z]{2}|[0-9]{3}))?
    (?:-(?:[a-z0-9]{5,8}|[0-9][a-z0-9]{3}))*
    (?:-[0-9a-wy-z](?:-[a-z0-9]{2,8})+)* (?:-x(?:-[a-z0-9]{1,8})+)?
    |x(?:-[a-z0-9]{1,8})+
    |en-gb-oed|i-(?:ami|bnn|default|enochian|hak|klingon|lux|mingo|navajo|pwn|tao|tay|tsu)|sgn-(?:be-fr|be-nl|ch-de)
    |art-lojban|cel-gaulish|no-(?:bok|nyn)|zh-(?:guoyu|hakka|min|min-nan|xiang)
    )\Z"""


def language_ok(tag: str) -> bool:
    """Tell whether a tag is of BCP 47 (RFC 5646), and its language registered (through ``langcodes``)."""
    if tag in _USUAL_LANGUAGES:
        return True
    # Compiled when first needed, by ``re``: it would cost a twentieth of the start-up.
    match = re.match(_LANGUAGE_TAG, tag, re.VERBOSE | re.IGNORECASE | re.ASCII)
    if match is None:
        return False
    return match["language"] is None or _is_registered(match["language"])


@lru_cache(maxsize=1024)
def _is_registered(language: str) -> bool:
    import langcodes  # 0.1 s, so only for a language that is none of the usual ones

    return langcodes.tag_is_valid(language)


# --- MIME types ---

# RFC 6838 section 4.2: restricted names; RFC 2045 section 5.1: parameters. The top-level types are IANA's.
_WORD = r"[A-Za-z0-9!#$%&'*+.^_`|~-]+"
_MIME = (
    r"(?:application|audio|font|haptics|image|message|model|multipart|text|video|x-[a-z0-9-]+|chemical)"
    r"/[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]{0,126}"
    rf"(?:\s*;\s*{_WORD}=(?:[^\s;\"]+|\"(?:[^\"\\]|\\.)*\"))*\s*;?\s*\Z"
)
_USUAL_TYPES = frozenset(
    {
        "application/pdf",
        "application/json",
        "application/fhir+json",
        "text/html",
        "text/plain",
        "text/calendar",
    }
)
# CapabilityStatement.format: "xml | json | ttl | mime type" (its definition).
_FORMATS = frozenset({"xml", "json", "ttl"})


def mime_ok(code: str) -> bool:
    """Tell whether a code is a MIME type (BCP 13), with or without parameters, or FHIR's name of a format."""
    if code in _FORMATS or code in _USUAL_TYPES:
        return True
    return len(code) <= _LONGEST and re.match(_MIME, code, re.IGNORECASE) is not None


# --- currencies and countries ---

_USUAL_CURRENCIES = frozenset(
    {"USD", "EUR", "GBP", "CAD", "AUD", "CHF", "NZD", "SEK", "NOK", "DKK", "JPY", "INR"}
)
_SUBDIVISION = re.compile(r"([A-Z]{2})-[A-Z0-9]{1,3}\Z")


def currency_ok(code: str) -> bool:
    """Tell whether a code is an ISO 4217 currency, present or past (through ``babel``, from CLDR)."""
    return code in _USUAL_CURRENCIES or (len(code) == 3 and code in _currencies())


@cache
def _currencies() -> frozenset[str]:
    from babel.core import get_global

    return frozenset(get_global("all_currencies"))


def country_ok(code: str) -> bool:
    """Tell whether a code is of ISO 3166: letters, three digits, or a subdivision by its form."""
    match = _SUBDIVISION.match(code)
    return (match[1] if match else code) in _countries()


@cache
def _countries() -> frozenset[str]:
    from babel.core import get_global

    # CLDR's territories with a currency are the countries ("ZZ" is its "unknown"); its aliases are their
    # longer forms and numbers.
    letters = frozenset(get_global("territory_currencies")) - {"ZZ"}
    aliases = get_global("territory_aliases").items()
    return letters | {alias for alias, territories in aliases if letters & set(territories)}
