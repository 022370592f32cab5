"""What the log means for the next day: one decision, with its reasons for person and clinic.

The rules stand in ``rules.toml``, the pace policy in ``fhircare.planner.pace``; here they are only applied.
By construction (and by test, over all short histories):

* every possible log has exactly one decision;
* wear never rises on the day after a skin finding that is not resolved;
* a stop ends only with a clinician's recorded release;
* a worse log never leads to a more permissive decision;
* days without a report never speed the pace up.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from fhircare.follow.evidence import Evidence, by_day, follow_rules, sign_levels, suspects
from fhircare.planner.wear.pace import Climber, DayOutcome, Policy
from fhircare.planner.wear.pace import Decision as Step

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Mapping, Sequence

    from fhircare.log import LogEntry
    from fhircare.plan import Call, Plan, WearDay

Move = Literal["emergency", "stop", "step-back", "hold", "go-on"]
MOVES: tuple[Move, ...] = ("emergency", "stop", "step-back", "hold", "go-on")
"""From the most careful to the most permissive."""
_CALLS: tuple[Call, ...] = ("none", "next-visit", "same-day", "now", "emergency-number")
_ON = ("first-day", "climb", "longest", "all-day")
WINDOW = 90
"""Days of history a decision looks at closely; further back it looks for a stop that still stands."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do next.

    Attributes:
        on: The day the decision is for.
        move: What kind of decision it is.
        step: The rung of the ladder for that day; 0 when the prosthesis must not be worn.
        rule: Key of the row of ``rules.toml`` that decided.
        step_rule: Key of the pace policy's rule.
        signs: Codes of the signs it rests on, gravest first.
        call: Whom to call, and how soon.
        patient: Key of the sentence for the person, in the words catalogs.
        clinic: The sentence for the clinic.
        sock_change: +1 to add one ply, -1 to take one off, 0 to leave the socks alone.
        evidence: The days it looked at, oldest first.
    """

    on: dt.date
    move: Move
    step: int
    rule: str
    step_rule: str
    signs: tuple[str, ...]
    call: Call
    patient: str
    clinic: str
    sock_change: int
    evidence: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True)
class Lived:
    """The days so far.

    Attributes:
        climber: Where they leave the person on the ladder.
        standing: Codes of signs to stop at that no clinician has released since.
        history: The days looked at, oldest first.
    """

    climber: Climber
    standing: tuple[str, ...]
    history: tuple[Evidence, ...]


def decide(plan: Plan, entries: Iterable[LogEntry], on: dt.date, policy: Policy) -> Decision:
    """Return the decision for the day ``on``, from everything written about the days before it.

    Args:
        plan: The plan in force, with its wearing schedule and warning signs.
        entries: The log; entries for ``on`` and later are left out.
        on: The day to decide about.
        policy: How the pace is kept.
    """
    return decide_lived(plan, on, live(plan, entries, on, policy))


def live(plan: Plan, entries: Iterable[LogEntry], on: dt.date, policy: Policy) -> Lived:
    """Return what the days before ``on`` come down to; the arguments are those of ``decide``."""
    before = [entry for entry in entries if entry.on < on]
    latest = sorted({entry.on for entry in before})[-WINDOW:]
    begins = latest[0] if latest else on
    known = by_day(plan, (entry for entry in before if entry.on >= begins))
    days = _days(plan, on, known)
    history = tuple(known.get(day.on, Evidence(day.on)) for day in days)
    climber = Climber(policy)
    open_signs = _still_open(plan, (entry for entry in before if entry.on < begins))
    if open_signs:
        climber.live(DayOutcome(step=days[0].step if days else 1, skin="stop"))
    levels = sign_levels(plan)
    for day, evidence in zip(days, history, strict=True):
        climber.live(outcome(day, evidence))
        open_signs |= {s for s in evidence.signs if levels[s] in ("stop", "emergency")}
        if evidence.released:
            open_signs.clear()
    return Lived(climber, tuple(sorted(open_signs)), history)


def _still_open(plan: Plan, older: Iterable[LogEntry]) -> set[str]:
    """Return the signs to stop at, of days too far back to be looked at closely, that nobody has released."""
    entries = list(older)
    levels = sign_levels(plan)
    found = by_day(plan, suspects(entries))
    last = max((entry.on for entry in entries if entry.released), default=None)
    return {
        sign
        for day in found.values()
        if last is None or day.on > last
        for sign in day.signs
        if levels[sign] in ("stop", "emergency")
    }


def decide_lived(plan: Plan, on: dt.date, lived: Lived) -> Decision:
    """Return the decision that follows from the days so far."""
    return _decision(plan, on, lived.climber.decide(), lived.standing, lived.history)


def outcome(day: WearDay, evidence: Evidence) -> DayOutcome:
    """Return a day as the pace policy sees it."""
    return DayOutcome(
        step=day.step,
        target=day.minutes,
        worn=evidence.worn,
        skin=evidence.level,
        pain=evidence.pain,
        released=evidence.released,
    )


def _decision(
    plan: Plan, on: dt.date, step: Step, standing: tuple[str, ...], history: Sequence[Evidence]
) -> Decision:
    levels = sign_levels(plan)
    last = history[-1] if history else Evidence(on)
    # A stop older than the window stands in the plan itself: it is on hold until a clinician releases it.
    held = plan.status == "on-hold" and not any(day.released for day in history)
    holds = {
        "emergency": any(levels[code] == "emergency" for code in standing),
        "stopped": step.rule == "stop" or bool(standing) or held,
        "back": step.rule == "step-back",
        "hold": step.rule not in (*_ON, "step-back", "stop"),
        "on": True,
    }
    row = next(row for row in follow_rules()["rule"] if holds[row["when"]])
    signs = tuple(dict.fromkeys((*standing, *last.signs)))
    signs = tuple(sorted(signs, key=lambda code: -_gravity(code, plan)))
    resting = row["move"] in ("emergency", "stop")
    return Decision(
        on=on,
        move=row["move"],
        step=0 if resting else step.step,
        rule=row["code"],
        step_rule=step.rule,
        signs=signs,
        call=_call(plan, signs, resting=resting),
        patient=row["patient"],
        clinic=row["clinic"] if resting else f"{row['clinic']} {step.why}",
        sock_change=0 if resting else _sock_change(last),
        evidence=tuple(history),
    )


def _gravity(code: str, plan: Plan) -> int:
    return ("carry-on", "watch", "stop", "emergency").index(sign_levels(plan)[code])


def _call(plan: Plan, signs: Iterable[str], *, resting: bool) -> Call:
    calls = {sign.code: sign.call for sign in plan.care.signs}
    asked = [calls.get(code, "same-day") for code in signs] or ["none"]
    if resting:
        asked.append("same-day")
    return max(asked, key=_CALLS.index)


def _sock_change(last: Evidence) -> int:
    loose, tight = "too-far-in" in last.signs, "not-all-the-way-in" in last.signs
    return 0 if loose == tight else 1 if loose else -1


def _days(plan: Plan, on: dt.date, known: Mapping[dt.date, Evidence]) -> list[WearDay]:
    """Return the planned days before ``on``; afterwards the last of them once for each day reported.

    During the break-in a day without a report counts against the next step. Later nobody is asked to write
    every day down, so silence says nothing.
    """
    if plan.wear is None:
        return []
    days = [day for day in plan.wear.days if day.on < on]
    last = plan.wear.days[-1]
    later = sorted(day for day in known if last.on < day < on)
    days += [dataclasses.replace(last, on=day) for day in later[-WINDOW:]]
    return days[-WINDOW:]
