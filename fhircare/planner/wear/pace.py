"""How fast wear is built up: which pace suits the person, and which rung a day stands on.

``next_step`` is the one policy. The planner asks it day by day, taking it that all goes well; whoever
follows a log asks it with what really happened. It is careful by construction:

* a rung is climbed only after a day (or as many as the pace takes) on which the target was met, the skin was
  clear and pain stayed within its limit, all three reported;
* missing reports never climb;
* a day without wear never climbs, and a longer pause goes back down;
* a stop ends wear until a clinician releases it; nothing else does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, NamedTuple

from fhircare.errors import DeliveryError, Fault
from fhircare.planner.facts import Facts, in_words
from fhircare.planner.rules import PACE, PACES, rules

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fhircare.plan import Level, Override, Pace

Rule = Literal[
    "first-day", "climb", "longest", "all-day", "hold", "hold-short", "hold-skin", "hold-pain",
    "hold-missing", "resume", "step-back", "stop",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Policy:
    """What the decision depends on, besides the history.

    Attributes:
        rungs: Rungs of the ladder; the last is the whole day.
        days_per_step: Good days on a rung before the next.
        pause_days: Days without wear after which the same rung is taken up again; each more is one rung back.
        target_percent: Part of the planned minutes that counts as the target met.
        pain_limit: Highest pain, 0 to 10, with which the next rung is taken.
    """

    rungs: int
    days_per_step: int = 1
    pause_days: int = 2
    target_percent: int = 90
    pain_limit: int = 3


@dataclass(frozen=True, slots=True)
class DayOutcome:
    """What one day was like.

    Attributes:
        step: Rung the day was planned on; 0 when no wear was planned.
        target: Minutes planned.
        worn: Minutes worn, None when not reported.
        skin: Gravest level of what the skin showed that day, None when not reported.
        pain: Worst pain, 0 to 10, None when not reported.
        released: True when a clinician let wear begin again after this day; the only end of a stop.
    """

    step: int
    target: int = 0
    worn: int | None = None
    skin: Level | None = None
    pain: int | None = None
    released: bool = False


@dataclass(frozen=True, slots=True)
class Decision:
    """Where the next day stands.

    Attributes:
        step: Rung, from 1; 0 when the prosthesis must not be worn.
        rule: Which rule decided.
        why: The reason, in a sentence.
    """

    step: int
    rule: Rule
    why: str


class _State(NamedTuple):
    """All that a history comes down to; a tuple, because one is made for every day that is looked back on."""

    step: int = 0
    good: int = 0
    gap: int = 0
    watched: int = 0
    back: int = 0
    hold: Rule | None = None
    stopped: bool = False


def next_step(policy: Policy, history: Sequence[DayOutcome]) -> Decision:
    """Return the rung of the day after ``history``, oldest first; the same history, the same decision."""
    state = _State()
    for outcome in history:
        state = _after(policy, state, outcome)
    return _decide(policy, state)


class Climber:
    """``next_step`` one day at a time, for whoever already walks through the days."""

    def __init__(self, policy: Policy) -> None:
        self._policy, self._state = policy, _State()

    def decide(self) -> Decision:
        """Return where the next day stands."""
        return _decide(self._policy, self._state)

    def live(self, outcome: DayOutcome) -> None:
        """Take in what the day was like."""
        self._state = _after(self._policy, self._state, outcome)


def _after(policy: Policy, state: _State, day: DayOutcome) -> _State:
    after = _lived(policy, state, day)
    if day.released and after.stopped:
        return after._replace(stopped=False, back=max(after.back, 1))
    return after


def _lived(policy: Policy, state: _State, day: DayOutcome) -> _State:
    if state.stopped:
        return state._replace(gap=state.gap + 1)
    if day.skin in ("stop", "emergency"):
        return state._replace(stopped=True, step=day.step or state.step, good=0, hold=None, back=0)
    if day.step == 0 or not day.worn:
        # Not reported, or not planned, is treated like not worn: what nobody saw cannot carry the next rung.
        missing = day.worn is None and day.step > 0
        return state._replace(gap=state.gap + 1, good=0, hold="hold-missing" if missing else state.hold)
    step = day.step
    fresh = state._replace(step=step, gap=0, back=0, hold=None, watched=0)
    if day.skin == "watch":
        watched = state.watched + 1
        return fresh._replace(good=0, watched=watched, hold="hold-skin", back=1 if watched > 1 else 0)
    if day.pain is not None and day.pain > policy.pain_limit:
        return fresh._replace(good=0, hold="hold-pain")
    if day.skin is None or day.pain is None:
        return fresh._replace(good=0, hold="hold-missing")
    if day.worn * 100 < day.target * policy.target_percent:
        return fresh._replace(good=0, hold="hold-short")
    return fresh._replace(good=state.good + 1 if step == state.step else 1)


_HELD: Mapping[Rule, str] = {
    "hold-short": "The last day was shorter than planned, so the same step again.",
    "hold-skin": "The skin showed something that needs watching, so the same step again.",
    "hold-pain": "Pain was above its limit, so the same step again.",
    "hold-missing": "Not all was reported about the last day, so the same step again.",
}


def _decide(policy: Policy, state: _State) -> Decision:
    if state.stopped:
        return Decision(0, "stop", "Wear was stopped; only a clinician can let it begin again.")
    if state.step == 0:
        return Decision(1, "first-day", "The first day of wear: the first step.")
    too_long = state.gap - policy.pause_days
    back = max(state.back, too_long, 0)
    if back and state.step > 1:
        step = max(state.step - back, 1)
        return Decision(step, "step-back", _why_back(state, step, too_long))
    if state.gap and state.hold != "hold-missing":
        return Decision(state.step, "resume", f"After {_days(state.gap)} without wear, the same step again.")
    if state.hold:
        return Decision(state.step, state.hold, _HELD[state.hold])
    if state.step == policy.rungs:
        return Decision(state.step, "all-day", "After a good whole day, another.")
    good = "a good day" if policy.days_per_step == 1 else f"{policy.days_per_step} good days"
    if state.good < policy.days_per_step:
        why = f"This pace takes {good} on a step; this is day {state.good + 1}."
        return Decision(state.step, "hold", why)
    step = state.step + 1
    if step == policy.rungs:
        return Decision(step, "all-day", f"After {good} on the last step, the whole day.")
    if step == policy.rungs - 1:
        return Decision(step, "longest", f"After {good}, the last step before the whole day.")
    return Decision(step, "climb", f"After {good}, the next step.")


def _why_back(state: _State, step: int, too_long: int) -> str:
    fewer = f"{state.step - step} step{'s' if state.step - step > 1 else ''} lower"
    if too_long > 0:
        return f"{_days(state.gap)} without wear are a long pause, so {fewer}.".capitalize()
    if state.watched > 1:
        return f"The skin needed watching on {state.watched} days running, so {fewer}."
    return f"Wear begins again after a stop, so {fewer}."


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


@dataclass(frozen=True, slots=True)
class PaceChoice:
    """The pace, why, and the override that set it, if one did."""

    pace: Pace
    why: str
    overrides: tuple[Override, ...] = ()


def choose_pace(facts: Facts, wished: Pace | None, overrides: Sequence[Override] = ()) -> PaceChoice:
    """Return the pace and why: the clinician's, or else the slowest that a fact asks for.

    Args:
        facts: What is true of the record.
        wished: The pace set in the record, if any.
        overrides: The record's overrides, among which the pace may be set with who and why.

    Raises:
        DeliveryError: When an override sets no pace there is, or another than ``wished``.
    """
    found: Pace = "usual"
    reasons: list[str] = []
    for pace in PACES:
        reasons = sorted(in_words(fact) for fact in rules().pace_facts.get(pace, frozenset()) & facts)
        if reasons:
            found = pace
            break
    because = ", ".join(reasons)
    recorded = _override_of_pace(found, wished, overrides)
    chosen = wished if recorded is None else _PACE_BY_NAME[recorded.value]
    record_says = (
        f"The record asks for it: {because}." if because else "Nothing in the record asks for another."
    )
    if chosen is None:
        return PaceChoice(found, record_says)
    why = "The clinician set this pace."
    if chosen != found:
        asks = f"The record asks for {found}: {because}." if because else "Nothing in the record asks for it."
        why = f"{why} {asks}"
    return PaceChoice(chosen, why, () if recorded is None else (recorded,))


_PACE_BY_NAME: Mapping[str, Pace] = {pace: pace for pace in PACES}


def _override_of_pace(found: Pace, wished: Pace | None, overrides: Sequence[Override]) -> Override | None:
    set_to = [(index, override) for index, override in enumerate(overrides) if override.setting == PACE]
    if not set_to:
        return None
    index, override = set_to[-1]
    place = f"wear.overrides[{index}]"
    if len(set_to) > 1:
        raise DeliveryError(Fault(f"{place}.setting", "stands twice", "keep one of the two"))
    if override.value not in _PACE_BY_NAME:
        raise DeliveryError(Fault(f"{place}.value", "is not a pace", "one of " + ", ".join(PACES)))
    if wished not in (None, override.value):
        raise DeliveryError(Fault(f"{place}.value", "is not the pace in wear.pace", "keep one of the two"))
    return replace(override, usual=found)
