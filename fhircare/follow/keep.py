"""Following a plan in its bundle: log in, review, revision stored, approval. What the commands call."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from fhircare.bundle import read, to_bundle, us_core
from fhircare.bundle.history import Change, put_plan
from fhircare.bundle.logbook import Resources, Taken, take_log
from fhircare.bundle.recent import recent_log, without_log
from fhircare.bundle.slots import free_slots
from fhircare.errors import BundleError, Fault
from fhircare.follow.clinician import named, of_team
from fhircare.follow.evidence import follow_rules
from fhircare.follow.logged import WEEK, WINDOW, Logged
from fhircare.follow.review import Review, review
from fhircare.follow.revise import Revision, revision_of
from fhircare.follow.taking import refuse_impossible
from fhircare.plan.team import members
from fhircare.planner.care import with_wear

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping, Sequence

    from fhircare.delivery import FreeSlot
    from fhircare.log import LogEntry
    from fhircare.plan import Plan, Professional

Json = dict[str, Any]


@dataclass(frozen=True)
class Followed:
    """A review of a bundle's plan, and the bundle after it.

    Attributes:
        review: What the log so far asks for.
        revision: The revision it led to, None when the plan already says so.
        bundle: The bundle with that revision; unchanged without one.
    """

    review: Review
    revision: Revision | None
    bundle: Mapping[str, Any]


def take(bundle: Mapping[str, Any], entries: Sequence[LogEntry]) -> Taken:
    """Return the bundle with a log taken in.

    Raises:
        LogError: When an entry cannot be about this plan, or is older than the one that stands; nothing is
            taken.
        BundleError: When the bundle holds no plan.
    """
    plan = read(without_log(Resources(bundle))).plan
    refuse_impossible(plan, entries)
    return take_log(bundle, plan, named(plan, entries))


def follow(bundle: Mapping[str, Any], on: dt.date, slots: tuple[FreeSlot, ...] = ()) -> Followed:
    """Review a bundle's plan for a day, and put the revision it asks for in its place.

    The same bundle and day give the same result, and following the result again changes nothing.

    Args:
        bundle: The bundle.
        on: The day to review for.
        slots: The clinic's free times, for a visit that the log asks for; none for the free Slots that the
            bundle holds itself, and its opening hours where it holds none.

    Raises:
        PlanningError: As ``revise``.
        BundleError: When the bundle holds no plan.
    """
    resources = Resources(bundle)
    plan = read(without_log(resources)).plan
    log = looked_back(resources, on)
    seen = review(plan, log, on, slots or free_slots(resources.of_type("Slot")))
    revision = revision_of(seen, log)
    if revision is None:
        return Followed(seen, None, bundle)
    written = revision.plan.written_at
    if written is None:
        raise BundleError(
            Fault("CarePlan.created", "is missing, so a revision has no time", "add when the plan was made")
        )
    change = Change(
        at=written, on=on, reason=revision.reason, used=revision.used, attention=revision.attention
    )
    grown = put_plan(bundle, revision.plan, _written(revision.plan, bundle), change)
    return Followed(seen, revision, grown)


def looked_back(resources: Resources, on: dt.date) -> Logged:
    """Return of a bundle's log all that a review for a day can rest on."""
    pain_from = follow_rules()["pain"]["stop_from"]
    return Logged.of(recent_log(resources, on, days=WINDOW, first_days=WEEK, pain_from=pain_from))


def approve(
    bundle: Mapping[str, Any], by: str, at: dt.datetime, *, new: Professional | None = None
) -> Json | None:
    """Return the bundle with its plan approved: active, and no longer a proposal; None when it is already.

    Args:
        bundle: The bundle.
        by: The clinician: a name or an identifier of somebody in the care team.
        at: When, with its offset.
        new: Somebody who is not in the care team yet, to be added to it and to approve instead of ``by``.

    Raises:
        BundleError: When the plan is on hold after a stop, no longer in force, or written after ``at``.
        PlanningError: When ``by`` is nobody in the care team, or may be several.
    """
    plan = read(bundle).plan
    if (plan.status, plan.intent) == ("active", "plan"):
        return None
    if plan.status == "on-hold":
        raise BundleError(
            Fault(
                "CarePlan.status", "is on-hold: wear was stopped",
                "log the release with `fhircare log --released --author clinic --by NAME`, review, then "
                "approve the new plan",
            )
        )  # fmt: skip
    if plan.status not in ("draft", "active"):
        raise BundleError(Fault("CarePlan.status", "says the plan is over", "plan anew"))
    if plan.written_at is not None and at < plan.written_at:
        raise BundleError(
            Fault(
                "CarePlan.created", "is after the approval: nobody approves what is not written yet",
                "give the moment of approval with --at, or see that this machine's clock is right",
            )
        )  # fmt: skip
    if new is not None and not members(plan.professionals, str(new.name)):
        plan = replace(plan, professionals=(*plan.professionals, new))
    place = of_team(plan, by if new is None else str(new.name))
    care = replace(plan.care, tasks=with_wear(plan.care.tasks, worn=True))
    approved = replace(plan, status="active", intent="plan", stopped_since=None, care=care)
    name = str(plan.professionals[place].name)
    change = Change(
        at=at,
        on=at.date(),
        reason="A clinician has approved this plan.",
        by=name,
        who=f"practitioner/{place}",
    )
    return put_plan(bundle, approved, _written(approved, bundle), change)


def _written(plan: Plan, bundle: Mapping[str, Any]) -> dict[str, Any]:
    """Return a plan as a bundle that claims US Core in the version that the one before it does."""
    return to_bundle(plan, validate=False, us_core=us_core.version_of(bundle))
