"""One day of a patient's log."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Le

from fhircare.plan.part import Part, Text

Author = Literal["patient", "caregiver", "physical-therapist", "clinic"]
Skin = Literal[
    "clear", "marks", "redness", "redness-not-pale", "rash", "tender-spot", "blister", "broken-skin",
    "dark-area", "infection",
]  # fmt: skip
"""What was seen on the limb after a session. All but the first three are codes of warning signs."""
DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSession(Part):
    """One stretch of wear, and what the skin was like afterwards."""

    minutes: Annotated[int, Ge(0), Le(DAY_MINUTES)]
    """Minutes worn; 0 for a planned session that was not worn."""
    sitting: Annotated[int, Ge(0)] | None = None
    """Minutes of it sitting, where known."""
    standing: Annotated[int, Ge(0)] | None = None
    """Minutes of it standing, where known."""
    walking: Annotated[int, Ge(0)] | None = None
    """Minutes of it walking, where known."""
    skin: Skin | None = None
    """What was seen afterwards; None when nobody looked."""
    faded_after: Annotated[int, Ge(0), Le(DAY_MINUTES)] | None = None
    """Minutes after taking it off until redness had gone; None when it was not seen to go."""
    site: str = ""
    """Where on the limb, such as groin or end of the limb."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry(Part):
    """What happened on one day. None means not written down, which is not the same as nothing happened."""

    on: dt.date
    """The day."""
    written_at: dt.datetime
    """When it was written down, with its offset."""
    author: Author = "patient"
    """Who wrote it."""
    by: str = ""
    """The clinician who wrote it, by name or identifier; only with an author clinic or physical-therapist."""
    sessions: tuple[LogSession, ...] = ()
    """In the order of the day."""
    pain: Annotated[int, Ge(0), Le(10)] | None = None
    """Worst pain of the day, 0 to 10."""
    ply_morning: Annotated[int, Ge(0), Le(30)] | None = None
    """Total ply in the morning."""
    ply_evening: Annotated[int, Ge(0), Le(30)] | None = None
    """Total ply in the evening."""
    sweating: Literal["none", "some", "heavy"] | None = None
    """Sweat under the liner or socket."""
    swelling: Literal["none", "some", "sudden"] | None = None
    """Swelling of the limb."""
    falls: Annotated[int, Ge(0), Le(50)] | None = None
    """How many falls."""
    fall_hurt: bool | None = None
    """True when a fall hurt."""
    damage: bool | None = None
    """True for a new noise, a loose part or damage."""
    new_shoes: bool | None = None
    """True when other shoes were worn."""
    liner: str = ""
    """Which liner was worn, as the person tells them apart."""
    signs: tuple[Text, ...] = ()
    """Codes of further warning signs that were seen, such as fever."""
    released: bool | None = None
    """True when wear may begin again after a stop; only clinic or therapist may write it, with ``by``."""
    comment: str = ""
    """Anything else."""

    @property
    def minutes(self) -> int:
        """Minutes of wear on this day."""
        return sum(session.minutes for session in self.sessions)
