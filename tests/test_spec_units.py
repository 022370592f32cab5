"""UCUM: its functional tests, the values of its specification, and what must hold of any unit."""

from __future__ import annotations

from decimal import Context, Decimal
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhircare.spec.units import _USUAL, commensurable, convert, parse_unit
from fhircare.spec.units.grammar import read
from fhircare.spec.units.special import _SCALES
from fhircare.spec.units.table import table

TESTS = ET.parse(Path(__file__).parent / "data" / "ucum" / "UcumFunctionalTests.xml").getroot()  # noqa: S314 - our file


def cases(section: str) -> list[dict[str, str]]:
    part = TESTS.find(section)
    assert part is not None
    return [case.attrib for case in part.iter("case")]


def as_given(value: Decimal, outcome: str) -> Decimal:
    """Round to as many significant digits as the outcome is given with."""
    return Context(prec=len(Decimal(outcome).as_tuple().digits)).plus(value)


def test_every_validation_case() -> None:
    """UCUM's functional tests, section 1: all 529."""
    found = {case["unit"]: parse_unit(case["unit"]) is not None for case in cases("validation")}
    assert len(cases("validation")) == 529
    assert found == {case["unit"]: case["valid"] == "true" for case in cases("validation")}


@pytest.mark.parametrize("case", cases("conversion"), ids=lambda case: case["id"])
def test_every_conversion_case(case: dict[str, str]) -> None:
    """UCUM's functional tests, section 3, to the digits given there."""
    found = convert(Decimal(case["value"]), case["srcUnit"], case["dstUnit"])
    assert found is not None
    assert as_given(found, case["outcome"]) == Decimal(case["outcome"])


@pytest.mark.parametrize(
    ("value", "from_unit", "to_unit", "expected"),
    [
        (
            "98.6",
            "[degF]",
            "Cel",
            "37",
        ),  # normal body temperature, 98.6 F is 37 C by the definition of both scales
        ("37", "Cel", "[degF]", "98.6"),
        ("0", "K", "Cel", "-273.15"),  # UCUM table 4: Cel is K - 273.15
        ("80", "[degRe]", "Cel", "100"),  # UCUM table of heat units: 80 degrees Réaumur, water boils
        ("100", "%[slope]", "deg", "45"),  # a slope of 100 % rises 45 degrees
        ("7", "[pH]", "mol/L", "1E-7"),  # UCUM table of chemical units: pH is -lg
        ("20", "dB", "1", "1E+2"),  # UCUM table of levels: B is lg
        ("6", "[in_i]", "cm", "15.24"),  # the international inch is 2.54 cm
        ("5", "mm", "cm", "0.5"),
        ("150", "[lb_av]", "kg", "68.0388555"),  # 1 lb is 0.45359237 kg exactly
        ("1.5", "h", "min", "90"),
        ("2", "wk", "d", "14"),
        ("250", "{steps}/d", "/d", "250"),
        ("120", "mm[Hg]", "kPa", "15.99864"),
        ("5", "{ply}", "1", "5"),
    ],
)
def test_amounts_in_other_units(value: str, from_unit: str, to_unit: str, expected: str) -> None:
    """Exact, by the definitions named."""
    assert convert(Decimal(value), from_unit, to_unit) == Decimal(expected)


@pytest.mark.parametrize(
    "code",
    [
        "{ply}",
        "{score}",
        "{steps}/d",
        "1",
        "%",
        "mm[Hg]",
        "10*3/uL",
        "cm2",
        "1{c}",
        "kg.m/s2",
        "(m/s)/s",
        "{}",
    ],
)
def test_units_that_stand_in_plans_and_logs(code: str) -> None:
    """Annotations are pure numbers; the rest is in UCUM's tables."""
    assert parse_unit(code) is not None


@pytest.mark.parametrize(
    "code",
    # UCUM's grammar; the first line: spellings often met that are no UCUM.
    [
        "mmHg", "ply", "hours", "lbs", "inch", "sec", "MIN", "Kg", "CM", "l/Min", "deg C", "\u00b5g",
        "points", "", " ", "m m", " m", "m ", "(", ")", "m)", "(m", "m//s", "//m", "/", ".", "m.", "{", "}",
        "{a}{b}",
        "{a{b}}", "0", "1/0", "-1", "m+", "m2+", "12h", "(/s)", "m.(/s)", "{\u00e4}", "m\n", "\u00b0C",
    ],
)  # fmt: skip
def test_what_is_no_unit(code: str) -> None:
    """And nothing but None comes of it."""
    assert parse_unit(code) is None
    assert commensurable(code, "m") is None
    assert convert(Decimal(1), code, "m") is None


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [
        ("d", "s", True),
        ("wk", "mo", True),
        ("cm", "[in_i]", True),
        ("Cel", "[degF]", True),
        ("kg/m2", "g.cm-2", True),
        ("N/m2", "Pa", True),
        ("mol", "1", True),  # UCUM table of chemical units: the mole is a number
        ("d", "m", False),
        ("kg", "m", False),
        ("%", "s", False),
        ("[iU]", "1", False),  # UCUM section 3.2: arbitrary units are commensurable with nothing else
        ("[iU]", "[IU]", True),  # but with their other spelling
        ("[iU]", "[arb'U]", False),
        ("mmHg", "Pa", None),
    ],
)
def test_what_can_be_compared(a: str, b: str, expected: bool | None) -> None:  # noqa: FBT001
    """Same dimension, and nothing else."""
    assert commensurable(a, b) is expected
    assert commensurable(b, a) is expected


def test_the_units_known_by_heart_are_those_of_the_table() -> None:
    """The short table saves reading the long one; it must not differ from it."""
    for code in _USUAL:
        assert parse_unit(code) == read(code)


def test_every_unit_of_the_table_means_something() -> None:
    """UCUM 2.2: 24 prefixes, 7 base units, and every definition leads down to them."""
    units = table()
    assert units.bases == {"m", "s", "g", "rad", "K", "C", "cd"}
    assert len(units.prefixes) == 24
    for code in units.entries:
        unit = units.unit(code)
        assert unit is not None, code
        assert all(base in units.bases or units.entries[base].arbitrary for base, _ in unit.dimension), code
        assert not unit.special or unit.special in _SCALES, code


symbols = st.sampled_from(sorted(code for code, entry in table().entries.items() if not entry.special))


@given(symbols, symbols, st.integers(-3, 3).filter(bool))
def test_a_product_is_the_product_of_its_parts(one: str, other: str, power: int) -> None:
    """Factors multiply, dimensions add."""
    left, right, whole = parse_unit(one), parse_unit(f"{other}{power}"), parse_unit(f"{one}.{other}{power}")
    assert left is not None
    assert right is not None
    assert whole is not None
    assert whole.factor == left.factor * right.factor
    assert commensurable(f"{one}/{one}", "1")
    assert parse_unit(f"{one}/({other}{power})") == parse_unit(f"{one}.{other}{-power}")


amounts = st.decimals(min_value=Decimal("0.001"), max_value=Decimal(1000), places=3)


@given(
    amounts,
    st.sampled_from(["mm", "cm", "m", "[in_i]", "[ft_i]", "km"]),
    st.sampled_from(["mm", "[mi_i]", "[ft_i]"]),
)
def test_there_and_back_again(value: Decimal, one: str, other: str) -> None:
    """An amount comes back as it was, to 20 digits."""
    there = convert(value, one, other)
    assert there is not None
    back = convert(there, other, one)
    assert back is not None
    assert abs(back - value) <= value * Decimal("1E-20")


@given(
    amounts,
    st.sampled_from(["Cel", "[degF]", "[degRe]", "mCel", "[pH]", "B", "Np", "%[slope]", "bit_s", "[hp'_C]"]),
)
def test_special_scales_come_back(value: Decimal, unit: str) -> None:
    """Each function and its inverse agree."""
    small = value / 100
    base = {"[pH]": "mol/L", "B": "1", "Np": "1", "%[slope]": "deg", "bit_s": "1", "[hp'_C]": "1"}.get(
        unit, "K"
    )
    there = convert(small, unit, base)
    assert there is not None
    back = convert(there, base, unit)
    assert back is not None
    assert abs(back - small) < Decimal("1E-9")


def test_a_logarithm_of_nothing_is_no_amount() -> None:
    """The scale does not hold it, and that is no crash."""
    assert convert(Decimal(0), "1", "B") is None
    assert convert(Decimal(-1), "mol/L", "[pH]") is None


@given(st.text(st.characters(codec="ascii", categories=["L", "N", "P", "S", "Z"]), max_size=12))
def test_any_text_is_judged_without_an_exception(text: str) -> None:
    """A unit or None."""
    unit = parse_unit(text)
    assert unit is None or unit.factor > Fraction(0)


@pytest.mark.parametrize(
    "code", ["(" * 300 + "m", "m." * 200 + "m", "10*9999999999", "m99999", "(" * 100 + "m" + ")" * 100]
)
def test_codes_made_to_be_costly_are_refused(code: str) -> None:
    """Length, depth and exponents have limits far beyond any unit in use."""
    assert parse_unit(code) is None
