"""The wearing schedule as it is written: sessions and reasons, laid out day by day."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, NamedTuple

from fhircare.check.safety.raw import amount, clock, date, obj, text

if TYPE_CHECKING:
    from fhircare.check.gather import ResourceScope
    from fhircare.check.path import Path
    from fhircare.check.safety.held import Detail, Held
    from fhircare.check.safety.raw import Json

LONGEST = 400
"""Days; a break-in that lasts longer is a mistake (common practice, no source)."""


class Session(NamedTuple):
    """A wear session on a day: minutes from midnight, minutes of wear, the request it comes from."""

    start: int
    minutes: int
    request: ResourceScope


class Reason(NamedTuple):
    """Why a day is as it is: the rule, the rung, and the detail that says so."""

    rule: str
    step: int
    detail: Detail


class Schedule:
    """All days that the wear requests tell of.

    Attributes:
        settings: The request with the schedule's settings, None without one.
        sessions: By day, in the order of the day.
        idle: By day without wear, the request that says so.
        reasons: By day.
        days: Every day that anything tells of, in order.
    """

    def __init__(self, held: Held) -> None:
        self.settings = next(iter(held.of_kind("wear-schedule")), None)
        self.sessions: dict[dt.date, list[Session]] = {}
        self.idle: dict[dt.date, ResourceScope] = {}
        self.reasons: dict[dt.date, Reason] = {}
        for one in held.of_kind("wear-session"):
            self._place(held, one)
        for one in held.of_kind("no-wear"):
            span = obj(one.resource, "occurrencePeriod")
            for day in _span(held, span, (one.path, "occurrencePeriod")):
                self.idle[day] = one
            self._reason(held, one)
        for found in self.sessions.values():
            found.sort(key=lambda session: (session.start, session.minutes))
        self.days = sorted({*self.sessions, *self.idle})

    def total(self, day: dt.date) -> int:
        """Return the minutes of wear on a day."""
        return sum(one.minutes for one in self.sessions.get(day, ()))

    def _place(self, held: Held, one: ResourceScope) -> None:
        repeat = obj(obj(one.resource, "occurrenceTiming"), "repeat")
        place: Path = ((one.path, "occurrenceTiming"), "repeat")
        times = repeat.get("timeOfDay")
        starts = [clock(time) for time in times] if isinstance(times, list) else []
        minutes = _minutes(repeat)
        daily = [repeat.get(name) for name in ("frequency", "period", "periodUnit")] == [1, 1, "d"]
        if len(starts) != 1 or starts[0] is None or minutes is None or not daily:
            held.say("wear.timing", place)
            return
        if not 0 < minutes <= 24 * 60:
            held.say("wear.duration", (place, "duration"))
            return
        for day in _span(held, obj(repeat, "boundsPeriod"), (place, "boundsPeriod")):
            self.sessions.setdefault(day, []).append(Session(starts[0], minutes, one))
        self._reason(held, one)

    def _reason(self, held: Held, one: ResourceScope) -> None:
        for detail in held.details(one):
            step = detail.number("step")
            if detail.system != "wear-rule":
                continue
            if step is None or step != int(step) or "days" not in detail.values:
                held.say("wear.reason", detail.path)
                continue
            said = detail.values["days"][0]
            for day in _span(held, said.value if isinstance(said.value, dict) else {}, said.path):
                if day in self.reasons:
                    held.say("wear.reason-twice", said.path)
                self.reasons[day] = Reason(detail.code, int(step), detail)


def _minutes(repeat: Json) -> int | None:
    length = amount({"value": repeat.get("duration")})
    factor = {"min": 1, "h": 60}.get(text(repeat, "durationUnit"))
    return None if length is None or factor is None else int(length * factor)


def _span(held: Held, period: Json, place: Path) -> list[dt.date]:
    """Return the days of a Period, both ends included; what has no whole days is a finding."""
    first, last = date(period.get("start")), date(period.get("end"))
    if first is None or last is None or not 0 <= (last - first).days < LONGEST:
        held.say("wear.days", place)
        return []
    return [first + dt.timedelta(days=turn) for turn in range((last - first).days + 1)]
