"""What a day's log says, as warning signs of the plan; several people's entries for one day become one.

Where entries disagree the worse one counts: the fewer minutes worn, the greater pain, every sign either saw.
So a second entry can never make a day look better.
"""

from __future__ import annotations

import functools
import importlib.resources
import tomllib
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fhircare.plan import LEVELS, Level, Plan, WarningSign
from fhircare.planner.stop import sign_rows

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator, Mapping

    from fhircare.log import LogEntry, LogSession

UNTIMED = "redness-untimed"
"""Redness was seen, and nobody wrote whether it went: watched, for it cannot be called gone."""

ON_BLOOD_THINNER = "fall-blood-thinner"
"""In the plans of people for whom any fall is an emergency."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of one day.

    Attributes:
        on: The day.
        signs: Codes of the warning signs seen, gravest first.
        level: The gravest level of what was seen; None when nobody looked and no sign was written.
        worn: Minutes worn, None when no session was written.
        pain: Worst pain, 0 to 10, None when not written.
        ply_morning: Total ply in the morning, None when not written.
        ply_evening: Total ply in the evening, None when not written.
        released: True when a clinician let wear begin again.
        new_shoes: True when other shoes were worn.
    """

    on: dt.date
    signs: tuple[str, ...] = ()
    level: Level | None = None
    worn: int | None = None
    pain: int | None = None
    ply_morning: int | None = None
    ply_evening: int | None = None
    released: bool = False
    new_shoes: bool = False


@functools.cache
def follow_rules() -> dict[str, Any]:
    """Return the table ``rules.toml``, read once."""
    text = importlib.resources.files("fhircare.follow").joinpath("rules.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def sign_levels(plan: Plan) -> Mapping[str, Level]:
    """Return the level of every sign: as the plan says, else as the table of signs does."""
    return {**_usual_levels(), **{sign.code: sign.level for sign in plan.care.signs}}


@functools.cache
def _usual_levels() -> Mapping[str, Level]:
    return {**{row.code: row.level for row in sign_rows()}, UNTIMED: "watch"}


def by_day(plan: Plan, entries: Iterable[LogEntry]) -> dict[dt.date, Evidence]:
    """Return what is known of each day that has an entry."""
    days: dict[dt.date, list[LogEntry]] = {}
    for entry in entries:
        days.setdefault(entry.on, []).append(entry)
    levels, limits = sign_levels(plan), {sign.code: sign for sign in plan.care.signs}
    return {on: _evidence(on, found, plan, levels, limits) for on, found in days.items()}


_UNSUSPECTED = (None, "clear", "marks")


def is_suspect(entry: LogEntry) -> bool:
    """Tell whether an entry may hold a sign to stop at: cheap to ask of years, and never misses one."""
    return bool(
        entry.signs
        or entry.falls
        or entry.damage
        or entry.swelling == "sudden"
        or (entry.pain is not None and entry.pain >= follow_rules()["pain"]["stop_from"])
        or any(session.skin not in _UNSUSPECTED for session in entry.sessions)
    )


def _evidence(
    on: dt.date,
    entries: list[LogEntry],
    plan: Plan,
    levels: Mapping[str, Level],
    limits: Mapping[str, WarningSign],
) -> Evidence:
    codes = {code for entry in entries for code in _signs(entry, plan, limits)}
    looked = any(session.skin is not None for entry in entries for session in entry.sessions)
    signs = sorted(codes, key=lambda code: (-LEVELS.index(levels[code]), code))
    level: Level | None = (
        levels[signs[0]] if signs else "carry-on" if looked and _all_looked(entries) else None
    )
    if level == "watch" and all(
        code in follow_rules()["told_only"]["signs"] for code in signs if levels[code] == "watch"
    ):
        level = "carry-on" if _all_looked(entries) else None
    elif level == "carry-on" and not _all_looked(entries):
        level = None
    return Evidence(
        on=on,
        signs=tuple(signs),
        level=level,
        worn=min((entry.minutes for entry in entries if entry.sessions), default=None),
        pain=max((entry.pain for entry in entries if entry.pain is not None), default=None),
        ply_morning=max((e.ply_morning for e in entries if e.ply_morning is not None), default=None),
        ply_evening=max((e.ply_evening for e in entries if e.ply_evening is not None), default=None),
        released=any(entry.released for entry in entries),
        new_shoes=any(entry.new_shoes for entry in entries),
    )


def _all_looked(entries: list[LogEntry]) -> bool:
    """Every session worn was followed by a look at the skin."""
    worn = [session for entry in entries for session in entry.sessions if session.minutes]
    return bool(worn) and all(session.skin is not None for session in worn)


def _signs(entry: LogEntry, plan: Plan, limits: Mapping[str, WarningSign]) -> Iterator[str]:
    for session in entry.sessions:
        yield from _skin(session, limits)
    yield from entry.signs
    if entry.sweating == "heavy":
        yield "sweat"
    if entry.swelling == "sudden":
        yield "sudden-swelling"
    if entry.falls:
        yield "fall-hurt" if entry.fall_hurt else "fall-unhurt"
        if ON_BLOOD_THINNER in limits:
            yield ON_BLOOD_THINNER
    if entry.pain is not None and entry.pain >= follow_rules()["pain"]["stop_from"]:
        yield "new-pain"
    if entry.damage:
        yield "noise-or-looseness"
    worn_ply = [ply for ply in (entry.ply_morning, entry.ply_evening) if ply is not None]
    if plan.socks and worn_ply and max(worn_ply) >= plan.socks.adjust_at_ply:
        yield "ply-at-limit"


def _skin(session: LogSession, limits: Mapping[str, WarningSign]) -> Iterator[str]:
    if session.skin is None:
        return
    if session.skin != "redness":
        code = follow_rules()["skin"][session.skin]
        if code:
            yield code
    elif session.faded_after is None:
        yield UNTIMED
    else:
        stays = limits.get("redness-stays")
        limit = stays.limit if stays and stays.limit is not None else Decimal(0)
        yield "redness-stays" if session.faded_after > limit else "redness-fades"
