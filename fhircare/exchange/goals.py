"""Goals from a therapist: merged by identifier and version, never silently over ours.

Who set a goal owns it: a goal that comes in is taken as it stands, with its identifier, its author and its
extensions, and goes back the same way. Two goals are the same by identifier, or else by their whole address;
never by their words. Two goals *conflict* when they ask for the same measure at the same time and cannot both
be followed; then nothing is changed until a person says whose to prefer.
"""

from __future__ import annotations

import copy
import uuid
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from fhircare.bundle.in_force import careplan_in_force
from fhircare.errors import BundleError, Fault
from fhircare.exchange import same as sameness
from fhircare.exchange.entries import ACTORS, references
from fhircare.exchange.orders import unpacked
from fhircare.exchange.targets import clash, off_scale

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.exchange.client import Resource

Prefer = Literal["theirs", "ours"]
OVER = ("cancelled", "rejected", "entered-in-error")
"""A goal in one of these states is no longer part of the plan."""
_WAS_GIVEN_UP = "Another goal was preferred"


@dataclass(frozen=True, slots=True)
class GoalChange:
    """What became, or should become, of one goal."""

    outcome: Literal["new", "changed", "ended", "unchanged", "older", "conflict", "beside", "refused"]
    """beside: taken, though another goal asks for another value of the same measure at another time."""
    name: str
    """The goal's identifier value, or its address."""
    why: str = ""
    """What is to be known about it: measures and dates, never who it is for."""

    def as_data(self) -> dict[str, str]:
        """Return it as JSON data."""
        return {"outcome": self.outcome, "goal": self.name} | ({"why": self.why} if self.why else {})


@dataclass(frozen=True, slots=True)
class Taken:
    """A bundle with a therapist's goals in it, and what became of each."""

    bundle: dict[str, Any] = field(repr=False)
    changes: tuple[GoalChange, ...] = ()

    @property
    def settled(self) -> bool:
        """Whether nothing is left for a person to decide or mend."""
        return not any(change.outcome in ("conflict", "refused") for change in self.changes)

    def as_data(self) -> dict[str, Any]:
        """Return what became of each goal as JSON data."""
        return {"settled": self.settled, "goals": [change.as_data() for change in self.changes]}

    def as_text(self) -> str:
        """Return it as lines to read."""
        lines = [f"{c.outcome:<9} {c.name}" + (f": {c.why}" if c.why else "") for c in self.changes]
        if any(change.outcome == "conflict" for change in self.changes):
            lines.append("conflicts were left as they are; --prefer theirs or --prefer ours settles them")
        return "\n".join(lines) or "no goals there"


def take_goals(
    bundle: dict[str, Any], resources: Iterable[Resource], *, source: str, prefer: Prefer | None = None
) -> Taken:
    """Return the bundle with the goals among ``resources`` merged into it; the one given stays as it is.

    Args:
        bundle: The plan's bundle.
        resources: What came: goals, whom they are for and who set them; a Bundle is unpacked.
        source: Where it came from: a server's base address, or a name of the file.
        prefer: Whose goal to keep where two conflict; None to leave both as they are and say so.

    Raises:
        BundleError: When the bundle holds no plan of one patient.
    """
    merge = _Merge(copy.deepcopy(bundle), dict(unpacked(resources)), source, prefer)
    for name, resource in merge.came.items():
        if resource.get("resourceType") == "Goal":
            merge.one(name, resource)
    return Taken(merge.bundle, tuple(merge.changes))


class _Merge:
    """One merging at work."""

    def __init__(
        self, bundle: dict[str, Any], came: dict[str, Resource], source: str, prefer: Prefer | None
    ) -> None:
        self.bundle, self.came, self.source, self.prefer = bundle, came, source, prefer
        self.changes: list[GoalChange] = []
        self.with_it: list[dict[str, Any]] = []  # who comes into the bundle along with a goal that is taken
        listed = bundle.get("entry") or []
        people = [entry for entry in listed if entry["resource"].get("resourceType") == "Patient"]
        plan = careplan_in_force(self.bundle)
        if len(people) != 1 or plan is None:
            raise BundleError(Fault("Bundle.entry", "is not one plan of one patient", "name a plan's bundle"))
        self.patient, self.plan = people[0], plan

    def one(self, name: str, theirs: Resource) -> None:
        """Merge one goal."""
        self.with_it = []
        goal = self._arrived(theirs)
        told = _number(goal)
        label = told[1] if told else (name or "a goal without a number")
        wrong = self._wrong_person(theirs) or off_scale(goal)
        if wrong:
            self.changes.append(GoalChange("refused", label, wrong))
            return
        entry = self._same_goal(goal, name)
        if entry is not None:
            self._again(entry, goal, label)
        elif goal.get("lifecycleStatus") in OVER:
            self.changes.append(GoalChange("ended", label, "ended there, and was never part of this plan"))
        elif self._room_for(goal, label):
            full_url = self._full_url(name, theirs)
            self.bundle["entry"] += [*self.with_it, {"fullUrl": full_url, "resource": goal}]
            self.plan.setdefault("goal", []).append({"reference": full_url})

    def _again(self, entry: dict[str, Any], goal: Resource, label: str) -> None:
        """A goal we have already: by version, the newer one counts."""
        ours = entry["resource"]
        if _when(goal) and _when(ours) and _when(goal) < _when(ours):
            self.changes.append(GoalChange("older", label, "we have a later version of it"))
            return
        differing = sameness.differences(goal, ours)
        if not differing:
            if _when(goal) != _when(ours):  # a later version that says the same: the version is worth keeping
                entry["resource"] = goal
                self.bundle["entry"] += self.with_it
            self.changes.append(GoalChange("unchanged", label))
            return
        if not self._room_for(goal, label, entry, differing):
            return
        entry["resource"] = goal
        self.bundle["entry"] += self.with_it
        if goal.get("lifecycleStatus") in OVER:
            kept = [r for r in self.plan.get("goal", []) if r.get("reference") != entry.get("fullUrl")]
            self.plan["goal"] = kept
            if not kept:
                del self.plan["goal"]
            self.changes.append(GoalChange("ended", label, f"{goal['lifecycleStatus']} there"))

    def _room_for(
        self,
        goal: Resource,
        label: str,
        entry: dict[str, Any] | None = None,
        differing: list[str] | None = None,
    ) -> bool:
        """Return whether a goal can stand in the plan; note what became of it, and of those in its way."""
        others = [other for other in self._goals() if other is not entry]
        found = [(other, clash(goal, other["resource"])) for other in others]
        against = [(other, why) for other, (kind, why) in found if kind == "conflict"]
        if against and self.prefer != "theirs":
            for _, why in against:
                note = why if self.prefer is None else f"{why}; ours was preferred"
                self.changes.append(GoalChange("conflict" if self.prefer is None else "refused", label, note))
            return False
        for other, why in against:
            self._give_up(other)
            number = _number(other["resource"])
            self.changes.append(
                GoalChange("ended", number[1] if number else "ours", f"{why}; theirs preferred")
            )
        beside = [why for _, (kind, why) in found if kind == "beside"]
        if goal.get("lifecycleStatus") not in OVER:
            outcome: Any = "new" if entry is None else "changed"
            told = ", ".join(path.removeprefix("Goal.") for path in differing or [])
            self.changes.append(GoalChange(outcome, label, told))
        self.changes += [GoalChange("beside", label, why) for why in beside]
        return True

    def _goals(self) -> list[dict[str, Any]]:
        return [
            entry
            for entry in self.bundle["entry"]
            if entry["resource"].get("resourceType") == "Goal"
            and entry["resource"].get("lifecycleStatus") not in (*OVER, "completed")
        ]

    def _give_up(self, entry: dict[str, Any]) -> None:
        """End a goal of the plan; it stays in the bundle, so that it is seen that it was."""
        entry["resource"] = entry["resource"] | {
            "lifecycleStatus": "cancelled",
            "statusReason": _WAS_GIVEN_UP,
        }
        kept = [r for r in self.plan.get("goal", []) if r.get("reference") != entry.get("fullUrl")]
        self.plan["goal"] = kept
        if not kept:
            del self.plan["goal"]

    def _same_goal(self, goal: Resource, name: str) -> dict[str, Any] | None:
        """Find the goal we already have: by identifier, else by whole address; never by its words."""
        numbers = _numbers(goal)
        address = self._full_url(name, goal)
        for entry in self.bundle["entry"]:
            if entry["resource"].get("resourceType") != "Goal":
                continue
            if numbers & _numbers(entry["resource"]) or (not numbers and entry.get("fullUrl") == address):
                return entry  # type: ignore[no-any-return]  # JSON
        return None

    def _full_url(self, name: str, goal: Resource) -> str:
        if "://" in name or name.startswith("urn:"):
            return name
        if "://" in self.source and goal.get("id"):
            return f"{self.source.rstrip('/')}/Goal/{goal['id']}"
        told = _number(goal) or (self.source, str(goal.get("id", name)))
        return f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, '|'.join(told))}"

    def _arrived(self, theirs: Resource) -> Resource:
        """Return their goal as it stands in our bundle: about our patient, its other references good."""
        goal = copy.deepcopy(theirs)
        goal["subject"] = {"reference": self.patient["fullUrl"]}
        for element, value in goal.items():
            if element != "subject":
                for reference in references(value):
                    self._reach(reference)
        return goal

    def _reach(self, reference: dict[str, Any]) -> None:
        """Make a reference of theirs one that can be followed from our bundle.

        On a server: by its whole address. In a file: people come along, so that who set a goal is not lost;
        other things are named by their number.
        """
        target = str(reference["reference"])
        found = self.came.get(target)
        ours = self._ours(target, found) if found is not None else ""
        if ours:
            reference["reference"] = ours
        elif found is not None and found.get("resourceType") in ACTORS:
            reference["reference"] = self._brought(target, found)
        elif "://" in self.source and not target.startswith(("urn:", "http")):
            reference["reference"] = f"{self.source.rstrip('/')}/{target}"
        elif "://" not in target:
            made_up = f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, self.source + target)}"
            named = (_number(found) if found else None) or ("urn:ietf:rfc:3986", made_up)
            del reference["reference"]
            reference["identifier"] = {"system": named[0], "value": named[1]}

    def _ours(self, name: str, resource: Resource) -> str:
        """Return how to refer to what we have already: by number, else by name; "" when we have it not."""
        numbers = _numbers(resource)
        for entry in (*self.bundle["entry"], *self.with_it):
            have = entry["resource"]
            if have.get("resourceType") != resource.get("resourceType"):
                continue
            if numbers & _numbers(have) or entry.get("fullUrl") == name:
                return str(entry["fullUrl"])
        return ""

    def _brought(self, name: str, person: Resource) -> str:
        """Bring somebody who came with a goal into our bundle; return how to refer to them."""
        known = name.startswith("urn:") or "://" in name
        full_url = name if known else f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, self.source + name)}"
        brought = copy.deepcopy(person)
        self.with_it.append({"fullUrl": full_url, "resource": brought})
        for reference in references(brought):
            self._reach(reference)
        return full_url

    def _wrong_person(self, theirs: Resource) -> str:
        """Return why a goal is not of our patient, "" when it is, or when nothing says whose it is."""
        subject = theirs.get("subject") or {}
        found = self.came.get(str(subject.get("reference", "")))
        given = _numbers(found) if found else set[tuple[str, str]]()
        if isinstance(subject.get("identifier"), dict):
            given |= _numbers({"identifier": [subject["identifier"]]})
        if given and not given & _numbers(self.patient["resource"]):
            return "it is of another patient"
        return ""


def _numbers(resource: Resource) -> set[tuple[str, str]]:
    return {
        (str(n.get("system", "")), str(n["value"]))
        for n in resource.get("identifier") or []
        if isinstance(n, dict) and n.get("value")
    }


def _number(resource: Resource) -> tuple[str, str] | None:
    for number in resource.get("identifier") or []:
        if isinstance(number, dict) and number.get("value") and number.get("system"):
            return str(number["system"]), str(number["value"])
    return None


def _when(resource: Resource) -> str:
    return str((resource.get("meta") or {}).get("lastUpdated", ""))
