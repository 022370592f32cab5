"""How this room says numbers, days and spans in plain English, for reasons a clinician reads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

_WEEKDAYS: Final = ("Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays")


def duration(minutes: int) -> str:
    """Return minutes as people say them: 45 min, 2 h, 1 h 30 min."""
    hours, rest = divmod(minutes, 60)
    return (
        " ".join(part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest else "") if part)
        or "0 min"
    )


def weekdays_in_words(days: Iterable[int]) -> str:
    """Return days of the week, 0 for Monday, as people say them: Mondays, Tuesdays and Fridays."""
    return listed([_WEEKDAYS[day] for day in sorted(days)])


def listed(items: Sequence[str]) -> str:
    """Return items with commas and a last "and"."""
    return " and ".join(filter(None, (", ".join(items[:-1]), *items[-1:])))
