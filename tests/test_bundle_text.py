"""The bundle as text: what is written, digit for digit, beside another library's writing of the same."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
import simplejson
from hypothesis import given
from hypothesis import strategies as st

from fhircare.bundle import dump, load

_NUMBERS = st.integers() | st.decimals(allow_nan=False, allow_infinity=False)
_LEAVES = st.none() | st.booleans() | _NUMBERS | st.text()
_JSON = st.recursive(
    _LEAVES, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=30
)


def _as_another_writes(document: dict[str, Any]) -> str:
    return simplejson.dumps(document, use_decimal=True, ensure_ascii=False, indent=2) + "\n"


@given(st.dictionaries(st.text(), _JSON))
def test_any_json_is_written_as_another_library_writes_it(document: dict[str, Any]) -> None:
    """Order, indents, letters, digits and escapes are those of simplejson, for whatever JSON can hold."""
    assert dump(document) == _as_another_writes(document)


@pytest.mark.parametrize("number", ["1.50", "0.0", "1E+2", "-0", "100", "0.1000000000000000000000001"])
def test_a_number_keeps_its_digits(number: str) -> None:
    """FHIR R4, datatypes: "the precision of the decimal value has significance"."""
    assert f": {number}\n" in dump({"value": Decimal(number)})


@pytest.mark.parametrize(
    "value", [2**64, -(2**70), "\ud800"], ids=["beyond 64 bits", "far below", "half a surrogate pair"]
)
def test_what_the_fast_writer_refuses_is_written_all_the_same(value: Any) -> None:
    """Another system's bundle may hold it; it is never lost, and never an error."""
    assert dump({"value": value}) == _as_another_writes({"value": value})


def test_very_many_levels_are_written_all_the_same() -> None:
    """As deep as Python reads them."""
    deep: Any = {}
    for _ in range(300):
        deep = {"extension": [deep]}
    assert load(dump(deep)) == deep


def test_what_is_no_json_is_refused() -> None:
    """A fault of ours is not written as a text that looks right."""
    with pytest.raises(TypeError):
        dump({"value": object()})
