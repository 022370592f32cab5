"""Codes of systems we cannot hold: check digits and forms, each value with where it is published."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.check import codes
from fhircare.spec import luhn
from tests.rule_pairs import EXAMPLES


def test_the_check_digit_of_verhoeff() -> None:
    """236 has check digit 3 (Verhoeff 1969, as in Wikipedia's worked example)."""
    assert codes.verhoeff_ok("2363")
    assert not any(codes.verhoeff_ok(f"236{digit}") for digit in "012456789")


digits = st.text("0123456789", min_size=2, max_size=18)


@given(digits, st.data())
def test_verhoeff_finds_every_wrong_digit_and_every_swap(number: str, data: st.DataObject) -> None:
    """What the code was made for (Verhoeff 1969): one digit wrong, or two neighbours changed about."""
    whole = next(number + digit for digit in "0123456789" if codes.verhoeff_ok(number + digit))
    at = data.draw(st.integers(0, len(whole) - 1))
    other = data.draw(st.sampled_from("0123456789"))
    assert codes.verhoeff_ok(whole[:at] + other + whole[at + 1 :]) == (other == whole[at])
    if at + 1 < len(whole) and whole[at] != whole[at + 1]:
        assert not codes.verhoeff_ok(whole[:at] + whole[at + 1] + whole[at] + whole[at + 2 :])


@given(digits, st.data())
def test_mod_10_finds_every_wrong_digit(number: str, data: st.DataObject) -> None:
    """ISO/IEC 7812-1 annex B."""
    whole = next(number + digit for digit in "0123456789" if luhn.luhn_ok(number + digit))
    at = data.draw(st.integers(0, len(whole) - 1))
    other = data.draw(st.sampled_from("0123456789"))
    assert luhn.luhn_ok(whole[:at] + other + whole[at + 1 :]) == (other == whole[at])


@pytest.mark.parametrize(
    "code",
    [
        "299647001",  # Amputated above knee: SNOMED CT Global Patient Set, September 2020 (CC BY 4.0)
        "74444006",  # Limb prosthesis, device: the same
        "128045006",  # Cellulitis: the same
        "79733001",  # Amputation above-knee: the same
        "1276561000168102",  # a concept of an extension: HL7/UTG, terminology cache
        "128045006 | Cellulitis | : 363698007 | Finding site | = 56459004 | Foot structure |",
        "128045006:{363698007=56459004}",  # cellulitis of the foot: FHIR R4 snomedct.html, an expression
        "71388002+80891009",
    ],
)
def test_a_snomed_code_or_expression_of_the_right_form(code: str) -> None:
    """Ids as published; expressions as FHIR R4 snomedct.html and the Compositional Grammar have them."""
    assert codes.snomed_ok(code)


@pytest.mark.parametrize(
    "code",
    [
        "299647002",  # wrong check digit
        "299640071",  # neighbours changed about
        "29964",  # too short
        "0299647001",  # leading zero
        "1234567890123456789",  # too long
        "751689013",  # a description id: not a code (FHIR R4 snomedct.html)
        "ABC",
        "",
        " 299647001",
        "２９９６４７００１",  # noqa: RUF001 - digits, but not ASCII
        "299647001:363698007=61685008",  # one id of an expression is wrong
        "hand+foot",
    ],
)
def test_a_snomed_code_that_cannot_be_one(code: str) -> None:
    """SNOMED CT Release File Specifications, SCTID."""
    assert not codes.snomed_ok(code)


@pytest.mark.parametrize(
    "code",
    [
        "12345-5",  # the worked example of the LOINC Users' Guide (from memory)
        "29463-7",  # Body weight: US Core
        "72514-3",  # Pain severity: HL7 PHR IG
        "100501-6",  # Orthotics prosthetics Outpatient Progress note: HL7/UTG, terminology cache
        "LA27818-6",  # answer "Limb prosthesis": HL7/fhir-pacio-pfe
        "LA33-6",  # answer "Yes": US Core examples
        "LP29684-5",  # part "Radiology": US Core value set of report categories
    ],
)
def test_a_loinc_code_of_the_right_form(code: str) -> None:
    """LOINC's mod 10 check digit, letters of parts and answers included."""
    assert codes.loinc_ok(code)


@pytest.mark.parametrize(
    "code", ["29463-8", "29643-7", "LA33-7", "LP29684-4", "29463", "-7", "29463-77", "", "x-1"]
)
def test_a_loinc_code_that_cannot_be_one(code: str) -> None:
    """One digit wrong, or neighbours changed about."""
    assert not codes.loinc_ok(code)


def test_an_npi() -> None:
    """1234567893: CMS, "Requirements for National Provider Identifier and NPI Check Digit"."""
    assert luhn.npi_ok("1234567893")
    assert not any(luhn.npi_ok(f"123456789{digit}") for digit in "012456789")
    assert not luhn.npi_ok("12345678931")
    assert not luhn.npi_ok("3234567893")


# RFC 5646 appendix A, examples of language tags; the last line: its section 2.2.8 and FHIR's languages.
TAGS = """de fr ja i-enochian zh-Hant zh-Hans sr-Cyrl sr-Latn zh-cmn-Hans-CN cmn-Hans-CN zh-yue-HK yue-HK
zh-Hans-CN sr-Latn-RS sl-rozaj sl-rozaj-biske sl-nedis de-CH-1901 sl-IT-nedis hy-Latn-IT-arevela de-DE en-US
es-419 de-CH-x-phonebk az-Arab-x-AZE-derbend x-whatever qaa-Qaaa-QM-x-southern de-Qaaa sr-Latn-QM sr-Qaaa-RS
en-US-u-islamcal zh-CN-a-myext-x-private en-a-myext-b-another
en-GB-oed i-klingon zh-min-nan EN nl-NL tlh""".split()  # noqa: SIM905 - words read better than quotes


@pytest.mark.parametrize("tag", TAGS)
def test_a_language_tag(tag: str) -> None:
    """Well-formed, and of a registered language."""
    assert codes.language_ok(tag)


@pytest.mark.parametrize(
    "tag",
    [
        "de-419-DE", "a-DE",  # RFC 5646 appendix A, some invalid tags
        "en_US", "english", "", "e", "en-", "-en", "en--US", "en US", "en-US ", "xx", "en-x", "12", "en-a",
        "q\u00e9",
    ],
)  # fmt: skip
def test_what_is_no_language_tag(tag: str) -> None:
    """Malformed, or of no registered language."""
    assert not codes.language_ok(tag)


@pytest.mark.parametrize(
    "mime",
    [
        "text/plain", "application/fhir+json", "text/plain; charset=UTF-8", "image/svg+xml", "TEXT/HTML",
        "application/fhir+xml; fhirVersion=4.0", 'text/plain; charset="utf-8"', "application/vnd.ms-excel",
        "multipart/form-data;boundary=x", "application/x-tar", "json", "xml", "ttl",
    ],
)  # fmt: skip
def test_a_mime_type(mime: str) -> None:
    """RFC 6838 section 4.2, RFC 2045 section 5.1; the short names: CapabilityStatement.format."""
    assert codes.mime_ok(mime)


@pytest.mark.parametrize(
    "mime", ["pdf", "text", "/plain", "text/", "text/pl ain", "nonsense/x", "text/plain; charset", ""]
)
def test_what_is_no_mime_type(mime: str) -> None:
    """No slash, no name, a space, no such top-level type."""
    assert not codes.mime_ok(mime)


def test_currencies_and_countries() -> None:
    """ISO 4217 and ISO 3166-1, by CLDR."""
    assert all(codes.currency_ok(code) for code in ("USD", "EUR", "XOF", "ISK", "CHF", "VND"))
    assert not any(codes.currency_ok(code) for code in ("usd", "US", "ZZZ", "DOLLAR", ""))
    assert all(codes.country_ok(code) for code in ("US", "USA", "840", "NLD", "GB", "TW", "US-NY", "CH"))
    assert not any(codes.country_ok(code) for code in ("ZZ", "us", "XYZ", "UK1", "999", "", "ZZ-NY"))


FORMS = {
    "http://snomed.info/sct": codes.snomed_ok,
    "http://loinc.org": codes.loinc_ok,
    "urn:ietf:bcp:47": codes.language_ok,
    "urn:iso:std:iso:3166": codes.country_ok,
}


def _codings(value: Any) -> list[tuple[str, str]]:
    below = value.values() if isinstance(value, dict) else value if isinstance(value, list) else []
    own = []
    if isinstance(value, dict) and value.get("system") in FORMS and isinstance(value.get("code"), str):
        own = [(value["system"], value["code"])]
    return own + [found for one in below for found in _codings(one)]


def test_every_code_of_the_standards_examples_has_its_form() -> None:
    """HL7's examples."""
    found = {
        coding for file in EXAMPLES.glob("*/*.json") for coding in _codings(json.loads(file.read_bytes()))
    }
    assert len(found) > 60
    assert [coding for coding in found if not FORMS[coding[0]](coding[1])] == []
