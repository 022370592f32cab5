"""The numbers behind the plan: read from rules.toml, chosen by pace, set otherwise by the clinician.

Every number has its source in the file, or says that it has none. ``settings_for`` gives the numbers of one
record: those of its pace, with the clinician's own in their place, each kept within its bounds.
"""

from __future__ import annotations

import difflib
import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

from fhircare.errors import DeliveryError, Fault
from fhircare.plan import Override, Pace

if TYPE_CHECKING:
    import datetime as dt

PACES: Final[tuple[Pace, ...]] = ("cautious", "return-to-wear", "experienced", "usual")
"""In the order in which a record's facts choose one: the slowest that applies."""
LEAVE_OUT: Final = "leave_out"
"""Name under which a topic left out stands among a plan's overrides."""
PACE: Final = "pace"
"""Name under which the pace itself may be set, with who and why."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One number of the trade.

    Attributes:
        name: Its name in ``wear.overrides``.
        usual: The number at the usual pace.
        by_pace: The number at other paces, where it differs.
        low: Least that a clinician may set.
        high: Most that a clinician may set.
        unit: UCUM code.
        text: What it is.
        source: Where it comes from, or "common practice, no source".
    """

    name: str
    usual: int
    by_pace: Mapping[str, int]
    low: int
    high: int
    unit: str
    text: str
    source: str

    def at(self, pace: Pace) -> int:
        """Return the number at a pace."""
        return self.by_pace.get(pace, self.usual)


@dataclass(frozen=True, slots=True)
class Rules:
    """All of rules.toml.

    Attributes:
        settings: Every setting by its name.
        pace_facts: The facts that choose a pace.
        best_starts: Clock times at which sessions would best start, by how many there are.
        sock_volume: Volume added by named layers of socks, in percent (Jasken and Hall 2018).
        sock_volume_source: The publication, as told to people.
        k_levels: What published groups of each functional level measured.
    """

    settings: Mapping[str, Setting]
    pace_facts: Mapping[str, frozenset[str]]
    best_starts: Mapping[int, tuple[dt.time, ...]]
    sock_volume: Mapping[tuple[int, ...], Decimal]
    sock_volume_source: str
    k_levels: Mapping[str, Mapping[str, Any]]


class Settings(Mapping[str, int]):
    """The numbers of one record by their names, and what the clinician set otherwise."""

    def __init__(self, values: Mapping[str, int], overrides: tuple[Override, ...] = ()) -> None:
        self._values = dict(values)
        self.overrides = overrides

    def __getitem__(self, name: str) -> int:
        return self._values[name]

    def __iter__(self) -> Any:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)


@functools.cache
def rules() -> Rules:
    """Return the rules, read once.

    Raises:
        ValueError: When the packaged file contradicts itself; a defect of this package, not of an input.
    """
    data = read_table("rules.toml")
    settings = {name: _setting(name, row) for name, row in data["setting"].items()}
    return Rules(
        settings=settings,
        pace_facts={name: frozenset(row["facts"]) for name, row in data["pace"].items()},
        best_starts={len(starts): tuple(starts) for starts in data["placement"]["best_starts"]},
        sock_volume={tuple(r["layers"]): Decimal(str(r["percent"])) for r in data["sock_volume"]},
        sock_volume_source=data["sock_volume_source"]["text"],
        k_levels=data["k_level"],
    )


def read_table(name: str) -> dict[str, Any]:
    """Return one of this room's TOML tables as plain data."""
    return tomllib.loads(resources.files("fhircare.planner").joinpath(name).read_text(encoding="utf-8"))


def _setting(name: str, row: Mapping[str, Any]) -> Setting:
    by_pace: dict[str, int] = {pace: row[pace] for pace in PACES if pace != "usual" and pace in row}
    unknown = set(row) - {"usual", "low", "high", "unit", "text", "source", *PACES}
    if unknown or not row["source"] or not row["text"]:
        raise ValueError(f"rules.toml: setting {name} has unknown keys {unknown} or lacks text or source")
    if any(not row["low"] <= value <= row["high"] for value in (row["usual"], *by_pace.values())):
        raise ValueError(f"rules.toml: setting {name} is outside its own bounds")
    return Setting(
        name, row["usual"], by_pace, row["low"], row["high"], row["unit"], row["text"], row["source"]
    )


def settings_for(pace: Pace, overrides: tuple[Override, ...] = ()) -> Settings:
    """Return the numbers at a pace with the clinician's own in their place.

    Every override comes back with what the number would have been in ``usual``.

    Raises:
        DeliveryError: When a setting is unknown, set twice, not a whole number, outside its bounds, or when
            two settings contradict each other. Names every such field.
    """
    known = rules().settings
    values = {name: setting.at(pace) for name, setting in known.items()}
    recorded: list[Override] = []
    faults: list[Fault] = []
    seen: dict[str, int] = {}
    for index, override in enumerate(overrides):
        if override.setting == PACE:
            continue  # not a number; ``choose_pace`` reads it
        field = f"wear.overrides[{index}]"
        setting = known.get(override.setting)
        if setting is None:
            faults.append(_unknown(field, override.setting))
            continue
        if override.setting in seen:
            faults.append(Fault(f"{field}.setting", "stands twice", "keep one of the two"))
            continue
        seen[override.setting] = index
        number = whole_number(override.value)
        if number is None or not setting.low <= number <= setting.high:
            faults.append(
                Fault(
                    f"{field}.value",
                    f"is not a whole number that {setting.name} may be",
                    f"from {setting.low} to {setting.high} ({setting.text.lower()}, in {setting.unit})",
                )
            )
            continue
        recorded.append(
            Override(
                setting=override.setting,
                value=override.value,
                usual=str(values[override.setting]),
                reason=override.reason,
                by=override.by,
            )
        )
        values[override.setting] = number
    if not faults:
        _derive(values, seen)
        faults = _contradictions(values, seen)
    if faults:
        raise DeliveryError(faults)
    return Settings(values, tuple(recorded))


def _derive(values: dict[str, int], seen: Mapping[str, int]) -> None:
    """Let numbers nobody set follow those somebody did, so that one wish does not ask for a second."""
    if "second_step_minutes" not in seen:
        at_most = max(values["longest_session_minutes"], values["first_day_minutes"])
        at_least = values["first_day_minutes"]
        values["second_step_minutes"] = max(at_least, min(at_most, values["second_step_minutes"]))
    if "rest_minutes" not in seen:
        values["rest_minutes"] = max(values["rest_minutes"], values["redness_minutes"])
    if "before_sleep_minutes" not in seen:
        values["before_sleep_minutes"] = max(values["before_sleep_minutes"], values["redness_minutes"])


_NOT_LESS: Final = (
    ("second_step_minutes", "first_day_minutes"),
    ("longest_session_minutes", "second_step_minutes"),
    ("rest_minutes", "redness_minutes"),
    ("before_sleep_minutes", "redness_minutes"),
    ("most_days", "least_days"),
    ("mature_months", "recovery_months"),
)


def _contradictions(values: Mapping[str, int], seen: Mapping[str, int]) -> list[Fault]:
    faults = []
    for greater, less in _NOT_LESS:
        if values[greater] < values[less]:
            index = seen.get(greater, seen.get(less, 0))
            faults.append(
                Fault(
                    f"wear.overrides[{index}].value",
                    f"makes {greater} less than {less}",
                    f"raise {greater} or lower {less}",
                )
            )
    for which in ("first", "last"):
        sit, walk = f"sitting_percent_{which}", f"walking_percent_{which}"
        if values[sit] + values[walk] > 100:
            index = seen.get(walk, seen.get(sit, 0))
            faults.append(
                Fault(
                    f"wear.overrides[{index}].value", f"makes {sit} and {walk} more than 100 %", "lower one"
                )
            )
    return faults


def _unknown(field: str, name: str) -> Fault:
    known = rules().settings
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    mend = f"did you mean {near[0]}?" if near else "known are " + ", ".join(known)
    return Fault(f"{field}.setting", "is not a known setting", mend)


def whole_number(text: str) -> int | None:
    """Return the whole number a setting was set to, None when the text is none."""
    try:
        number = Decimal(text.strip())
    except InvalidOperation:
        return None
    if not number.is_finite() or abs(number) > 10_000:
        return None
    return int(number) if number == number.to_integral_value() else None
