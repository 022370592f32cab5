"""FHIR dates and times compared as FHIRPath compares them: partial precision, time zones, three answers.

FHIRPath 2.0.0 section 6.2: values are compared precision by precision; when one is less precise than the
other and they are equal as far as both go, the answer is empty. With a time zone on both sides they are
compared as instants. With a zone on one side only, the other may stand for any zone from -12:00 to +14:00
(FHIR R4 datatypes.html gives the dateTime without time no zone), so the answer is empty unless it holds in
all of them.

A malformed value compares as empty: its form is another rule's business.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

_FORM = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d)(?::(\d\d)(?::(\d\d)(?:\.(\d+))?)?)?)?)?)?(Z|[+-]\d\d:\d\d)?\Z"
)
_TIME = re.compile(r"(\d\d)(?::(\d\d)(?::(\d\d)(?:\.(\d+))?)?)?\Z")
_DAY = 10
_SHORTEST = 4
# The zones an unzoned value may stand for.
_EARLIEST, _LATEST = timedelta(hours=14), timedelta(hours=-12)

_Parts = tuple[int, ...]


def compare(left: str | None, right: str | None) -> int | None:
    """Return -1, 0 or 1, or None when a side is empty, malformed, or the precision does not tell."""
    if left is None or right is None:
        return None
    if len(left) == len(right) and (len(left) <= _DAY or (left[-1] == "Z" and right[-1] == "Z")):
        # Same form, same zone: text order is time order.
        if len(left) < _SHORTEST or not left[0].isdigit() or not right[0].isdigit():
            return None
        return (left > right) - (left < right)
    first, second = _FORM.match(left), _FORM.match(right)
    if first is None or second is None:
        return compare_times(left, right)
    if (first[8] is None) == (second[8] is None):
        if first[8] is not None and first[8] != second[8]:
            return _as_instants(first, second)
        return _by_precision(_parts(first), _parts(second))
    return _with_one_zone(first, second)


def compare_times(left: str, right: str) -> int | None:
    """Return -1, 0 or 1 for two times of day, or None when the precision does not tell."""
    first, second = _TIME.match(left), _TIME.match(right)
    if first is None or second is None:
        return None
    return _by_precision(_clock(first), _clock(second))


def _clock(match: re.Match[str]) -> _Parts:
    hour, minute, second, fraction = match.groups()
    return tuple(int(p) for p in (hour, minute) if p is not None) + _seconds(second, fraction)


def _seconds(second: str | None, fraction: str | None) -> _Parts:
    """Seconds and their fraction are one precision (section 6.2): whole microseconds."""
    if second is None:
        return ()
    return (int(second) * 1_000_000 + int(((fraction or "") + "000000")[:6]),)


def _parts(match: re.Match[str]) -> _Parts:
    groups = match.groups()
    return tuple(int(part) for part in groups[:5] if part is not None) + _seconds(groups[5], groups[6])


def _by_precision(left: _Parts, right: _Parts) -> int | None:
    for one, other in zip(left, right, strict=False):
        if one != other:
            return -1 if one < other else 1
    return 0 if len(left) == len(right) else None


def _as_instants(left: re.Match[str], right: re.Match[str]) -> int | None:
    try:
        one, other = _shifted(left), _shifted(right)
    except (ValueError, OverflowError):
        return None
    return _by_precision(one, other)


def _shifted(match: re.Match[str]) -> _Parts:
    """Return the parts in UTC, as many as were given."""
    parts = _parts(match)
    moment = _moment(parts, high=False) - _offset(match[8])
    micro = moment.second * 1_000_000 + moment.microsecond
    return (moment.year, moment.month, moment.day, moment.hour, moment.minute, micro)[: len(parts)]


def _offset(zone: str) -> timedelta:
    if zone == "Z":
        return timedelta(0)
    size = timedelta(hours=int(zone[1:3]), minutes=int(zone[4:6]))
    return -size if zone[0] == "-" else size


def _moment(parts: _Parts, *, high: bool) -> datetime:
    """Return the first (or last) moment of a partial date, in no zone."""
    year, month, day, hour, minute, micro = (*parts, *[-1] * (6 - len(parts)))
    if month < 0:
        month = 12 if high else 1
    if day < 0:
        day = _last_day(year, month) if high else 1
    if hour < 0:
        hour = 23 if high else 0
    if minute < 0:
        minute = 59 if high else 0
    if micro < 0:
        micro = 59_999_999 if high else 0
    # A leap second (:60) is a moment of the next minute here.
    return datetime(year, month, day, hour, minute, tzinfo=UTC) + timedelta(microseconds=micro)


def _last_day(year: int, month: int) -> int:
    following = datetime(year + month // 12, month % 12 + 1, 1, tzinfo=UTC)
    return (following - timedelta(days=1)).day


def _with_one_zone(left: re.Match[str], right: re.Match[str]) -> int | None:
    """Compare as spans of possible instants; overlapping spans do not tell."""
    try:
        (low, high), (other_low, other_high) = _span(left), _span(right)
    except (ValueError, OverflowError):
        return None
    if high < other_low:
        return -1
    return 1 if low > other_high else None


def _span(match: re.Match[str]) -> tuple[datetime, datetime]:
    parts, zone = _parts(match), match[8]
    early, late = (_offset(zone), _offset(zone)) if zone else (_EARLIEST, _LATEST)
    return _moment(parts, high=False) - early, _moment(parts, high=True) - late


def boundary(text: str, *, high: bool) -> str | None:
    """Return ``lowBoundary()`` or ``highBoundary()`` of a date or dateTime: to the millisecond, with a zone.

    FHIRPath STU, "Boundary functions": a missing part takes its least or greatest value, a missing zone
    +14:00 for the low and -12:00 for the high boundary.
    """
    match = _FORM.match(text)
    if match is None:
        return None
    moment = _moment(_parts(match), high=high)
    zone = match[8] or ("-12:00" if high else "+14:00")
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}{zone}"
