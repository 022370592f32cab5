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

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from fhircare.follow.evidence import Evidence, follow_rules, sign_levels
from fhircare.follow.logged import WINDOW, Logged
from fhircare.plan import LEVELS, WearDay
from fhircare.planner.wear.pace import Climber, DayOutcome, Policy
from fhircare.planner.wear.pace import Decision as Step

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Sequence

    from fhircare.log import LogEntry
    from fhircare.plan import Call, Plan

Move = Literal["emergency", "stop", "step-back", "hold", "go-on"]
MOVES: tuple[Move, ...] = ("emergency", "stop", "step-back", "hold", "go-on")
"""From the most careful to the most permissive."""
_CALLS: tuple[Call, ...] = ("none", "next-visit", "same-day", "now", "emergency-number")
_ON = ("first-day", "climb", "longest", "all-day")


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
        first_week: The first week that was reported.
        told: How many days in all tell of wear, or that there was none.
    """

    climber: Climber
    standing: tuple[str, ...]
    history: tuple[Evidence, ...]
    first_week: tuple[Evidence, ...] = ()
    told: int = 0


def decide(plan: Plan, entries: Iterable[LogEntry] | Logged, on: dt.date, policy: Policy) -> Decision:
    """Return the decision for the day ``on``, from everything written about the days before it.

    Args:
        plan: The plan in force, with its wearing schedule and warning signs.
        entries: The log, indexed or not; entries for ``on`` and later are left out.
        on: The day to decide about.
        policy: How the pace is kept.
    """
    return decide_lived(plan, on, live(plan, entries, on, policy))


def live(plan: Plan, entries: Iterable[LogEntry] | Logged, on: dt.date, policy: Policy) -> Lived:
    """Return what the days before ``on`` come down to; the arguments are those of ``decide``."""
    log = Logged.of(entries)
    days = _days(plan, on, log)
    known = log.evidence(plan, [day.on for day in days])
    history = tuple(known.get(day.on) or Evidence(day.on) for day in days)
    climber = Climber(policy)
    begins = days[0].on if days else on
    stops = log.open_stops(plan, begins)
    worn = log.last_worn(min(stops, default=on))
    if worn is not None and worn < begins:  # wear had begun before all that is looked at
        climber.live(DayOutcome(step=_rung(plan, worn), worn=1, skin="carry-on", pain=0))
    if stops:
        climber.live(DayOutcome(step=_rung(plan, min(stops)), skin="stop"))
    open_signs = set().union(*stops.values())
    levels = sign_levels(plan)
    for day, evidence in zip(days, history, strict=True):
        climber.live(outcome(day, evidence))
        open_signs |= {s for s in evidence.signs if levels[s] in ("stop", "emergency")}
        if evidence.released:
            open_signs.clear()
    first_week = log.evidence(plan, log.first_week(on))
    return Lived(climber, tuple(sorted(open_signs)), history, tuple(first_week.values()), log.count_told(on))


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
    # The first step again is not "as planned" once days of wear were planned and nobody reported any.
    begun = plan.wear is not None and any(day.sessions and day.on < on for day in plan.wear.days)
    holds = {
        "emergency": any(levels[code] == "emergency" for code in standing),
        "stopped": step.rule == "stop" or bool(standing) or held,
        "back": step.rule == "step-back",
        "hold": step.rule not in (*_ON, "step-back", "stop") or (step.rule == "first-day" and begun),
        "on": True,
    }
    row = next(row for row in follow_rules()["rule"] if holds[row["when"]])
    signs = tuple(dict.fromkeys((*standing, *last.signs)))
    signs = tuple(sorted(signs, key=lambda code: -LEVELS.index(levels[code])))
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


def _call(plan: Plan, signs: Iterable[str], *, resting: bool) -> Call:
    calls = {sign.code: sign.call for sign in plan.care.signs}
    asked = [calls.get(code, "same-day") for code in signs] or ["none"]
    if resting:
        asked.append("same-day")
    return max(asked, key=_CALLS.index)


def _sock_change(last: Evidence) -> int:
    loose, tight = "too-far-in" in last.signs, "not-all-the-way-in" in last.signs
    return 0 if loose == tight else 1 if loose else -1


def _days(plan: Plan, on: dt.date, log: Logged) -> list[WearDay]:
    """Return the days before ``on`` to look at: those planned, and those reported beside them.

    During the break-in a day without a report counts against the next step. Later nobody is asked to write
    every day down, so silence says nothing, and the last planned day stands once for each day reported. When
    the leg was not worn on any of the days, the last day on which it was comes first.
    """
    if plan.wear is None:
        return []
    planned, last = plan.wear.days, plan.wear.days[-1]
    days = {day.on: day for day in planned if day.on < on}
    reported = log.latest(on, WINDOW)
    for day in reported:
        if day not in days:
            days[day] = replace(last, on=day) if day > last.on else _unplanned(day)
    return [days[day] for day in sorted(days)[-WINDOW:]]


def _unplanned(day: dt.date) -> WearDay:
    """Return a day of before the schedule: nothing was planned, yet what was seen on it counts."""
    return WearDay(on=day, step=0, sessions=(), rule="", why="")


def _rung(plan: Plan, on: dt.date) -> int:
    """Return the rung that a day stood on, as far as the plan still knows; 0 when it does not."""
    days = plan.wear.days if plan.wear else ()
    if days and on > days[-1].on:
        return days[-1].step
    return next((day.step for day in days if day.on == on), 0)
