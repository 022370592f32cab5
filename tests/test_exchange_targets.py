"""Targets compared: in one unit, and alike from both sides."""

from __future__ import annotations

import pytest

from fhircare.exchange.targets import clash, off_scale
from tests.test_exchange_goals import target, theirs


@pytest.mark.parametrize(("value", "unit"), [(90, "m"), (9000, "cm"), (295, "[ft_i]"), ("0.09", "km")])
def test_lengths_are_turned_through_ucum(value, unit):
    """A walking distance may come in any unit of length."""
    assert off_scale(theirs(target=[target("two-minute-walk", value, unit)])) == ""


def test_clash_is_the_same_both_ways():
    """Whoever asks, the answer is the same."""
    one, other = (
        theirs(target=[target("daily-wear", 6, "h/d")]),
        theirs(target=[target("daily-wear", 8, "h/d")]),
    )
    assert clash(one, other)[0] == clash(other, one)[0] == "conflict"
