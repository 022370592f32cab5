"""Warning signs: what each means and whom to call, from the table signs.toml.

Every sign has exactly one level. Signs of one subject that carry a limit (redness by minutes, socks by ply)
share out all its values between them. Several signs together are as grave as the gravest of them: nothing
that is also seen ever lowers a level.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Final, Literal, get_args

from fhircare.plan import LEVELS, Call, Level, WarningSign
from fhircare.planner.facts import check_conditions, holds
from fhircare.planner.rules import read_table, rules

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from fhircare.delivery import DeliveryRecord
    from fhircare.planner.facts import Facts

BoundSide = Literal["up-to", "above", "below", "from"]
CALLS: Final[tuple[Call, ...]] = ("none", "next-visit", "same-day", "now", "emergency-number")
"""From no call to the most urgent."""
ADJUST_AT_PLY: Final = "adjust_at_ply"
"""The one limit that is not a setting: it stands with the socks in the record."""


@dataclass(frozen=True, slots=True)
class SignRow:
    """One row of signs.toml; the file explains the fields."""

    code: str
    subject: str
    level: Level
    call: Call
    text: str
    source: str
    when: tuple[str, ...] = ()
    setting: str = ""
    side: BoundSide | None = None

    def has(self, value: Decimal, limit: Decimal) -> bool:
        """Return whether a value lies on the sign's side of its limit."""
        if self.side == "up-to":
            return value <= limit
        if self.side == "above":
            return value > limit
        return value < limit if self.side == "below" else value >= limit


@functools.cache
def sign_rows() -> tuple[SignRow, ...]:
    """Return the table of signs, mildest first, read once.

    Raises:
        ValueError: When the packaged table is wrong: a code twice, an unknown level, call, fact or setting, a
            level without the call it asks for, or an order that does not rise.
    """
    rows = tuple(
        SignRow(**{**row, "when": tuple(row.get("when", ()))}) for row in read_table("signs.toml")["sign"]
    )
    for row in rows:
        check_conditions(row.when)
        wrong = (
            row.level not in LEVELS
            or row.call not in CALLS
            or bool(row.setting) != bool(row.side)
            or (row.side is not None and row.side not in get_args(BoundSide))
            or (row.setting and row.setting not in rules().settings and row.setting != ADJUST_AT_PLY)
            or (row.level == "emergency") != (row.call == "emergency-number")
            or (row.level == "stop" and row.call not in ("same-day", "now"))
            or (row.level == "carry-on" and row.call != "none")
        )
        if wrong:
            raise ValueError(f"signs.toml: {row.code} contradicts itself")
    if len({row.code for row in rows}) != len(rows):
        raise ValueError("signs.toml: a code stands twice")
    if sorted(rows, key=lambda row: LEVELS.index(row.level)) != list(rows):
        raise ValueError("signs.toml: not in the order of levels")
    return rows


def warning_signs(
    record: DeliveryRecord, settings: Mapping[str, int], facts: Facts
) -> tuple[WarningSign, ...]:
    """Return the signs for a person, mildest first, with this person's limits."""
    return tuple(_sign(row, record, settings) for row in sign_rows() if holds(row.when, facts))


def _sign(row: SignRow, record: DeliveryRecord, settings: Mapping[str, int]) -> WarningSign:
    limit, unit = None, ""
    if row.setting == ADJUST_AT_PLY:
        limit, unit = Decimal(record.socks.adjust_at_ply), "{ply}"
    elif row.setting:
        limit, unit = Decimal(settings[row.setting]), rules().settings[row.setting].unit
    return WarningSign(
        code=row.code,
        text=row.text.format(limit=limit),
        level=row.level,
        call=row.call,
        limit=limit,
        limit_unit=unit,
    )


def gravest(signs: Iterable[WarningSign]) -> Level:
    """Return the level of several signs together: that of the gravest, carry-on when there is none."""
    return max((sign.level for sign in signs), key=LEVELS.index, default="carry-on")


def soonest(signs: Iterable[WarningSign]) -> Call:
    """Return the most urgent call that several signs ask for."""
    return max((sign.call for sign in signs), key=CALLS.index, default="none")


def graded(subject: str, value: Decimal, signs: Iterable[WarningSign]) -> WarningSign | None:
    """Return the sign that a measured value is, of those with a limit on a subject; None when it is none.

    For instance minutes of redness: at or below the limit they are redness-fades, above it redness-stays.
    """
    rows = {row.code: row for row in sign_rows() if row.subject == subject and row.setting}
    for sign in signs:
        row = rows.get(sign.code)
        if row is not None and sign.limit is not None and row.has(value, sign.limit):
            return sign
    return None
