"""Sending a bundle so that it may be sent any number of times with the same result.

Sending is: look what the server has, write what is missing or different, and look again, until there is
nothing left to write. An answer that got lost is no special case: the next look tells what became of the
request. Two rounds are made: first people and places (conditional creates, few at a time), then the plan and
what it answers (plain creates and updates tied to a version, in the order of their references, the CarePlan
last). The last look is the proof: everything was read back as it was sent.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from fhircare.errors import Conflict, OutcomeUnclear, ServerRefused, ServerUnavailable
from fhircare.exchange import same as sameness
from fhircare.exchange import writing
from fhircare.exchange.entries import ACTORS
from fhircare.exchange.many import Key, find_all, read_all
from fhircare.exchange.memory import Arrived
from fhircare.exchange.nameless import find_nameless
from fhircare.exchange.revision import Withdrawal, revision_of, withdrawals
from fhircare.exchange.writing import Step, Write

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.exchange.cargo import Cargo, Item
    from fhircare.exchange.client import FhirServer, Stored, Written
    from fhircare.exchange.http import Request
    from fhircare.exchange.memory import Memory

MOST_ROUNDS = 6
"""Looks and writes before we give up on a server whose answers never come to rest."""
_SENT = "sent|"
"""Before the name under which an update is noted before it goes out: its answer may never come."""
_TEMPORARY = (0, 408, 409, 412, 425, 429)


@dataclass(frozen=True, slots=True)
class Limits:
    """How much goes into one transaction, as found in the field: 8 with conditional creates, 50 updates."""

    entries: int = 50
    conditional: int = 8


@dataclass
class Sending:
    """One bundle on its way to one server."""

    server: FhirServer
    cargo: Cargo
    memory: Memory
    way: Literal["transaction", "single"] = "transaction"
    limits: Limits = field(default_factory=Limits)
    private: frozenset[str] = frozenset()
    overwrite: bool = False
    """True to replace what others have changed there since the plan was last sent."""
    alive: Callable[[], None] = lambda: None
    """Called before each request; raises when we may not go on."""
    rest: Callable[[int], None] = lambda _round: None
    """Called to wait before looking again after an unclear answer."""
    shown: list[Request] | None = None
    """When a list: nothing is written, the requests are put there."""
    withdrawn: list[Withdrawal] = field(default_factory=list)
    """What of earlier revisions was withdrawn."""
    reason: ServerUnavailable | Conflict | None = None
    """Why the last write did not come to an end."""

    def settle(self, group: list[Item]) -> None:
        """Look and write until the server has a group of items as we have them.

        Raises:
            Conflict: When others have changed there what was changed here since it was last sent.
            ServerRefused, ServerUnavailable: When it cannot be done, now or at all. What has arrived by then
                is found by the next run.
        """
        for turn in range(MOST_ROUNDS):
            self.alive()
            self._look(group)
            steps = self._steps(group)
            if not steps:
                return
            self._write(steps)
            if self.shown is not None:
                return
            if self.reason is not None:
                self.rest(turn)
        raise self.reason or OutcomeUnclear("does not keep what it says it has taken")

    # --- looking -------------------------------------------------------------------------------------------

    def _look(self, group: list[Item]) -> None:
        """Find out what the server has; what is known and was not written since is not asked for again."""
        due = [item for item in group if not item.looked or item.stale]
        named = {item.reference: item for item in due if item.reference}
        for reference, stored in read_all(self.server, named).items():
            _saw(named[reference], stored)
        unknown = [item for item in due if not item.reference]
        self._find({(i.entry.kind, *i.entry.identifier): i for i in unknown if i.entry.identifier})
        # Somebody may be known there by another number than the one we name first.
        actors = [item for item in unknown if item.entry.owner == "actor"]
        for rank in range(max((len(item.entry.also) for item in actors), default=0)):
            still = [item for item in actors if not item.reference and len(item.entry.also) > rank]
            self._find({(item.entry.kind, *item.entry.also[rank]): item for item in still})
        nameless = [item for item in unknown if not item.entry.identifier]
        for item, stored_as in find_nameless(self.server, self.cargo, self.memory, nameless):
            _saw(item, stored_as)
        for item in due:
            if item.stored is not None and item.entry.owner == "own":
                self._same_person(item, item.stored)

    def _find(self, keyed: dict[Key, Item]) -> None:
        named = ((i, i.entry.identifier) for i in self.cargo.items if i.stored is not None)
        there = next(((item.entry.kind, *name) for item, name in named if name), None)
        for key, stored in find_all(self.server, keyed, there=there).items():
            _saw(keyed[key], stored)

    def _same_person(self, item: Item, stored: Stored) -> None:
        """Stop when a resource of ours turns up at another patient: no number may lead to two people."""
        ours, theirs = self.cargo.resolved(item), stored.resource
        for element in ("subject", "patient", "for"):
            mine = (ours.get(element) or {}).get("reference", "")
            have = str((theirs.get(element) or {}).get("reference", "")).removeprefix(f"{self.server.base}/")
            if mine.startswith("Patient/") and have.startswith("Patient/") and mine != have:
                raise ServerRefused(
                    f"holds {item.reference} with the number of {item.entry.place}, of another patient: "
                    "a person has to look"
                )

    # --- what is to be written -----------------------------------------------------------------------------

    def _steps(self, group: list[Item]) -> list[Step]:
        steps, changed = list[Step](), list[str]()
        for item in group:
            if item.stored is None:
                if not self._must_do_without(item):
                    steps.append(Write(item))
            elif self._ours(item) and not item.kept:
                verdict = self._verdict(item, item.stored)
                if verdict == "changed there":
                    changed.append(item.reference)
                elif verdict == "different":
                    steps.append(Write(item, over=item.stored))
        if changed:
            raise Conflict(
                "changed there by somebody, and here by us, since this plan was last sent: "
                f"{', '.join(changed)}. Nothing was overwritten"
            )
        for item in group:
            if item.entry.in_force and revision_of(item.entry.resource):
                ours = {other.reference for other in self.cargo.items}
                steps += withdrawals(self.server, self.cargo.resolved(item), ours)
        return steps

    def _ours(self, item: Item) -> bool:
        """Return whether we may change it there: it is the plan's, or we brought it there.

        Of what is others' otherwise only what we have just made wrong: placeholders that the server left in.
        """
        if item.entry.owner == "own":
            return True
        made_wrong = (
            not item.was_there and item.stored is not None and sameness.unresolved(item.stored.resource)
        )
        brought = item.entry.owner == "foreign" and self.memory.recall(self.cargo.key(item)) is not None
        return made_wrong or brought

    def _must_do_without(self, item: Item) -> bool:
        """Return whether the server neither knows a person or organisation nor lets us add one."""
        kind = item.entry.kind
        if kind not in ACTORS or self.server.capabilities.offers(kind, "create"):
            return False
        if kind == "Patient":
            raise ServerRefused(
                "does not know this patient, and lets nobody be added: register them there first"
            )
        item.logical = True
        return True

    def _verdict(self, item: Item, stored: Stored) -> Literal["same", "different", "changed there"]:
        if self.cargo.open(item):
            return "different"
        ours = self.cargo.resolved(item)
        if sameness.unresolved(stored.resource) and not sameness.unresolved(ours):
            return "different"
        mark = self.cargo.mark(item)
        if item.written == mark:
            return "same"  # acknowledged; what the server made of it is told in the report
        before = self.memory.recall(self.cargo.key(item))
        known = before is not None and before.reference == item.reference
        if known and before is not None and before.version == stored.version:
            return "same" if before.fingerprint == mark else "different"
        if sameness.same(ours, stored.resource, self.server.base):
            return "same"
        if not known or before is None or self.overwrite or self._sent_it(item, stored):
            return "different"
        if before.fingerprint == mark:
            item.kept = True
            return "same"
        return "changed there"

    def _sent_it(self, item: Item, stored: Stored) -> bool:
        """Return whether what is there is what we once sent, without ever seeing the answer."""
        sent = self.memory.recall(_SENT + self.cargo.key(item))
        return sent is not None and sent.fingerprint == sameness.fingerprint(stored.resource)

    # --- writing -------------------------------------------------------------------------------------------

    def _write(self, steps: list[Step]) -> None:
        self.reason = None
        conditional = any(isinstance(step, Write) and step.item.entry.owner == "actor" for step in steps)
        size = self.limits.conditional if conditional else self.limits.entries
        for chunk in writing.chunks(steps, 1 if self.way == "single" else size):
            if self.shown is None and not self._ready(chunk):
                return  # an id is not known yet: the next look finds it
            self.alive()
            try:
                self._send(chunk)
            except (OutcomeUnclear, Conflict) as reason:
                self.reason = reason
            if self.reason is not None:
                return

    def _ready(self, chunk: list[Step]) -> bool:
        """Return whether all a chunk refers to is known, or made in the same transaction."""
        writes = [step for step in chunk if isinstance(step, Write)]
        made = {id(write.item) for write in writes if write.over is None and self.way != "single"}
        return not any(self.cargo.open(write.item, made) for write in writes)

    def _send(self, chunk: list[Step]) -> None:
        chunk = writing.fresh(self.server, chunk)
        if self.way == "single":
            request = writing.single(self.server, self.cargo, chunk[0])
        else:
            request = writing.transaction(self.server, self.cargo, chunk)
        if self.shown is not None:
            self.shown.append(request)
            return
        sent: dict[str, Arrived] = {}
        for step in chunk:
            if isinstance(step, Write):
                step.item.stale = step.item.wrote = True
                if step.over is not None:
                    mark = self.cargo.mark(step.item)
                    sent[_SENT + self.cargo.key(step.item)] = Arrived(step.over.reference, "", mark)
        self.memory.remember(sent)
        results = self.server.write(request, len(chunk), self.private)
        done = [(step, result) for step, result in zip(chunk, results, strict=True) if result.done]
        for step, result in done:
            self._place(step, result)
        for step, _ in done:
            if isinstance(step, Write):
                step.item.written = self.cargo.mark(step.item)
        self._acknowledged(done)
        self._judge(chunk, results)

    def _place(self, step: Step, result: Written) -> None:
        if isinstance(step, Withdrawal):
            self.withdrawn.append(step)
            return
        step.item.reference = result.reference or step.item.reference
        if step.over is None and result.status == 200:
            step.item.was_there = True  # somebody else had just made it

    def _acknowledged(self, done: list[tuple[Step, Written]]) -> None:
        """Remember at once what was taken: were we stopped now, it would look like somebody else's change."""
        arrived: dict[str, Arrived] = {}
        for step, result in done:
            if not result.version:
                continue
            if isinstance(step, Withdrawal):
                mark = sameness.fingerprint(step.becomes)
                arrived[step.name] = Arrived(step.stored.reference, result.version, mark)
            elif self._ours(step.item) or (result.status == 201 and _brought(step.item)):
                name = self.cargo.key(step.item)
                arrived[name] = Arrived(step.item.reference, result.version, step.item.written)
        if arrived:
            self.memory.remember(arrived)

    def _judge(self, chunk: list[Step], results: list[Written]) -> None:
        """A transaction may have been run as a batch: look at what became of each entry, even after a 200."""
        refused = []
        for step, result in zip(chunk, results, strict=True):
            if result.done:
                continue
            if result.status in _TEMPORARY or result.status >= 500:
                self.reason = OutcomeUnclear(f"{result.status}: {result.problem}", status=result.status)
            else:
                where = step.item.entry.place if isinstance(step, Write) else "an earlier revision"
                refused.append(f"{where} ({result.status}): {result.problem}")
        if refused:
            raise ServerRefused("; ".join(refused[:5]), status=422)

    # --- the end -------------------------------------------------------------------------------------------

    def remember(self) -> None:
        """Note the version of each resource of ours: the next sending then knows whose changes are whose."""
        arrived: dict[str, Arrived] = {}
        for item in self.cargo.items:
            brought = _brought(item) and not item.was_there
            if (brought or self._ours(item)) and item.stored is not None and not item.kept:
                mark = self.cargo.mark(item)
                arrived[self.cargo.key(item)] = Arrived(item.reference, item.stored.version, mark)
        self.memory.remember({k: a for k, a in arrived.items() if self.memory.recall(k) != a})


def _brought(item: Item) -> bool:
    """Return whether only memory can tell that we brought it: others' things, people without a number."""
    return item.entry.owner == "foreign" or not item.entry.identifier


def _saw(item: Item, stored: Stored | None) -> None:
    item.stored, item.reference = stored, stored.reference if stored else ""
    item.looked, item.stale = True, False
    if not item.wrote:
        item.was_there = stored is not None
