"""Hypothesis strategies for what plans are made of: texts, numbers, days, names, addresses."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any, get_args

from hypothesis import strategies as st

from fhircare.plan import WEEKDAYS, Address, DateRange, Identifier, Name, PositiveQuantity, Quantity

_LETTERS = st.characters(categories=["L", "N", "P", "S"], include_characters=" ")
TEXT = st.text(_LETTERS, min_size=1, max_size=25).map(str.strip).filter(bool)
MAYBE_TEXT = st.just("") | TEXT
CODE = st.from_regex(r"[a-z][a-z0-9]{0,8}([-.][a-z0-9]{1,5})?", fullmatch=True)
DATES = st.dates(dt.date(1930, 1, 1), dt.date(2090, 12, 31))
TIMES = st.times().map(lambda t: t.replace(microsecond=0))
OFFSETS = st.integers(-12 * 4, 13 * 4).map(lambda quarter: dt.timezone(dt.timedelta(minutes=15 * quarter)))
MOMENTS = st.builds(
    dt.datetime.combine,
    st.dates(dt.date(1950, 1, 1), dt.date(2090, 1, 1)),
    st.times(),
    OFFSETS,
)
NUMBERS = st.decimals(
    Decimal("-9999.999"), Decimal("9999.999"), allow_nan=False, allow_infinity=False, places=3
)
POSITIVE = st.decimals(Decimal("0.01"), Decimal(999), allow_nan=False, allow_infinity=False, places=2)
UNITS = st.sampled_from(["cm", "kg", "min", "h/d", "m/s", "{ply}", "[lb_av]", "Cel", "{score}", "1"])


def of(literal: Any) -> st.SearchStrategy[Any]:
    """One of the values of a Literal."""
    return st.sampled_from(get_args(literal))


def some(one: st.SearchStrategy[Any], least: int = 0, most: int = 2, **more: Any) -> st.SearchStrategy[Any]:
    """A tuple of one thing, from ``least`` to ``most`` of it."""
    return st.lists(one, min_size=least, max_size=most, **more).map(tuple)


IDENTIFIERS = st.builds(Identifier, system=CODE.map(lambda code: f"https://example.org/{code}"), value=TEXT)
QUANTITIES = st.builds(Quantity, value=NUMBERS, unit=UNITS)
POSITIVES = st.builds(PositiveQuantity, value=POSITIVE, unit=UNITS)
NAMES = st.builds(Name, family=TEXT, given=some(TEXT))
ADDRESSES = st.builds(
    Address, lines=some(TEXT, 1), city=TEXT, state=MAYBE_TEXT, postal_code=MAYBE_TEXT, country=MAYBE_TEXT
)
WEEKDAY_SETS = some(st.sampled_from(WEEKDAYS), 1, 3, unique=True)
RANGES = st.builds(
    lambda first, days, reason: DateRange(first=first, last=first + dt.timedelta(days=days), reason=reason),
    DATES,
    st.integers(0, 30),
    MAYBE_TEXT,
)
