"""Values converted and texts searched for compiled expressions; boundaries; questions put to the environment.

None stands for the empty collection throughout. Rules: FHIRPath 2.0.0 sections 5.5 to 5.7, boundaries from
its STU part.
"""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING

from fhircare.check.fhirpath import dates
from fhircare.check.fhirpath.runtime import EvaluationError, Item

if TYPE_CHECKING:
    from collections.abc import Callable

Truth = bool | None
_INTEGER = re.compile(r"[+-]?\d+\Z")
_DECIMAL = re.compile(r"[+-]?\d+(\.\d+)?\Z")


def to_integer(item: Item) -> int | None:
    """Return an integer, or None when the value is none."""
    if isinstance(item, int):
        return int(item)
    return int(item) if isinstance(item, str) and _INTEGER.match(item) else None


def to_decimal(item: Item) -> Decimal | None:
    """Return a decimal, or None when the value is none."""
    if isinstance(item, (int, Decimal)):
        return Decimal(item)
    try:
        return Decimal(item) if isinstance(item, str) and _DECIMAL.match(item) else None
    except InvalidOperation:
        return None


def to_string(item: Item) -> str | None:
    """Return a value as text; elements with members have none."""
    if item is None or isinstance(item, (dict, list)):
        return None
    if isinstance(item, bool):
        return "true" if item else "false"
    return str(item)


def substring(text: str | None, start: int | None, length: int | None = None) -> str | None:
    """Return a part of a text, None when it begins outside."""
    if text is None or start is None or not 0 <= start < len(text):
        return None
    return text[start:] if length is None else text[start : start + max(length, 0)]


def index_of(text: str | None, part: str | None) -> int | None:
    """Return where a part begins, -1 when it is not there."""
    return None if text is None or part is None else text.find(part)


def length(text: str | None) -> int | None:
    """Return a text's length."""
    return None if text is None else len(_text(text))


def upper(text: str | None) -> str | None:
    """Return a text in upper case."""
    return None if text is None else text.upper()


def lower(text: str | None) -> str | None:
    """Return a text in lower case."""
    return None if text is None else text.lower()


def trim(text: str | None) -> str | None:
    """Return a text without white space at its ends."""
    return None if text is None else text.strip()


def replace(text: str | None, part: str | None, by: str | None) -> str | None:
    """Return a text with every ``part`` replaced."""
    return None if text is None or part is None or by is None else text.replace(part, by)


def replace_matches(text: str | None, pattern: str | None, by: str | None) -> str | None:
    """Return a text with every match of a regular expression replaced."""
    if text is None or pattern is None or by is None:
        return None
    return re.sub(pattern, re.sub(r"\$(\d)", r"\\\1", by), text, flags=re.DOTALL)


def starts_with(text: str | None, prefix: str | None) -> Truth:
    """Tell whether a text begins so."""
    return None if text is None or prefix is None else _text(text).startswith(prefix)


def ends_with(text: str | None, suffix: str | None) -> Truth:
    """Tell whether a text ends so."""
    return None if text is None or suffix is None else _text(text).endswith(suffix)


def contains(text: str | None, part: str | None) -> Truth:
    """Tell whether a text holds another."""
    return None if text is None or part is None else part in _text(text)


def _text(item: Item) -> str:
    if not isinstance(item, str):
        raise EvaluationError("a string expected")
    return item


def regex(source: str) -> re.Pattern[str]:
    """Compile a regular expression in FHIRPath's "single line" mode."""
    return re.compile(source, re.DOTALL)


def matches(text: str | None, pattern: re.Pattern[str]) -> Truth:
    """Tell whether a regular expression is found in a text."""
    return None if text is None else pattern.search(text) is not None


# --- boundaries and questions to the environment ---


def low_boundary(item: Item) -> Item:
    """Return the least value that an imprecise one can mean."""
    return _boundary(item, high=False)


def high_boundary(item: Item) -> Item:
    """Return the greatest value that an imprecise one can mean."""
    return _boundary(item, high=True)


def _boundary(item: Item, *, high: bool) -> Item:
    if item is None:
        return None
    if isinstance(item, str):
        return dates.boundary(item, high=high)
    if isinstance(item, dict):
        amount = item.get("value")
        return None if amount is None else {**item, "value": _boundary(amount, high=high)}
    number = Decimal(item)
    exponent = number.as_tuple().exponent
    half = Decimal(5).scaleb(min(int(exponent), 0) - 1)
    return number + half if high else number - half


def absolute(number: Item) -> Item:
    """Return a number without its sign."""
    return None if number is None else abs(number)


def ask(question: Callable[[Item, str], Truth], item: Item, url: str) -> Truth:
    """Put a question to the environment; nothing to ask about is no answer."""
    return None if item is None else question(item, url)


def html_checks(div: Item) -> Truth:
    """Tell whether a narrative keeps FHIR's rules for XHTML."""
    if div is None:
        return None
    from fhircare.check.narrative import check_narrative

    return not any(True for _ in check_narrative(div))
