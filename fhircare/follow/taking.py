"""What a log may say about this plan: what cannot be true of it is refused before anything is stored."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.errors import Fault, LogError
from fhircare.follow.evidence import sign_levels

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fhircare.log import LogEntry
    from fhircare.plan import Plan


def refuse_impossible(plan: Plan, entries: Iterable[LogEntry]) -> None:
    """Refuse entries that cannot be about this plan.

    Args:
        plan: The plan they are said to be about.
        entries: What was written down; each by itself already makes sense.

    Raises:
        LogError: With every fault found: a day before delivery, a sign that nobody knows.
    """
    faults = [fault for entry in entries for fault in _faults(plan, entry)]
    if faults:
        raise LogError(faults)


def _faults(plan: Plan, entry: LogEntry) -> Iterator[Fault]:
    at = f"on {entry.on.isoformat()}"
    if plan.prosthesis and entry.on < plan.prosthesis.delivered_on:
        yield Fault(at, "is before the prosthesis was delivered", "correct the date")
    known = sign_levels(plan)
    for index, sign in enumerate(entry.signs):
        if sign not in known:
            yield Fault(
                f"{at}: signs[{index}]", "is no sign that is known", "one of " + ", ".join(sorted(known))
            )
