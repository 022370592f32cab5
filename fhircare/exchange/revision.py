"""An earlier revision of a plan on the server: what of it has to be withdrawn when a new one arrives.

The number of a plan's revision ends in ``/rN``; the series number is the same for all. The new revision's
arrival and the old one's withdrawal travel in one transaction, each change tied to the version that was read
(If-Match), so that a person never has two plans in force.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fhircare.bundle.in_force import CURRENT
from fhircare.errors import ServerRefused
from fhircare.exchange.client import escape
from fhircare.exchange.many import read_all

if TYPE_CHECKING:
    from collections.abc import Collection

    from fhircare.exchange.client import FhirServer, Resource, Stored


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """A resource of an earlier revision, and what it is to become."""

    stored: Stored
    becomes: Resource

    @property
    def name(self) -> str:
        """The name under which it is remembered, as ``Cargo.key``: it was ours once."""
        number = next(iter(_bare(self.becomes.get("identifier"))), {})
        return f"{self.becomes['resourceType']}|{number.get('system', '')}|{number.get('value', '')}"


def revision_of(careplan: Resource) -> int:
    """Return the number of a plan's revision, 0 when its identifiers do not tell."""
    for number in careplan.get("identifier") or []:
        match = re.search(r"/r(\d{1,6})$", str(number.get("value", "")))
        if match:
            return int(match[1])
    return 0


def withdrawals(server: FhirServer, careplan: Resource, ours: Collection[str]) -> list[Withdrawal]:
    """Return what of earlier revisions on the server is still in force, and has to go unsaid by the bundle.

    A bundle that was followed holds its earlier revisions itself, and says what has become of them. A draft
    waits for approval: it takes the place of earlier drafts, not of a plan that a clinician has approved.

    Args:
        server: The server.
        careplan: The plan in force, with literal references where they are known.
        ours: Literal references of all that is in the bundle: sending it sees to those.

    Raises:
        ServerRefused: When the server already holds a later revision: an old plan must not replace it.
    """
    numbers = careplan.get("identifier") or []
    if len(numbers) < 2 or not revision_of(careplan):
        return []
    serial = _bare(numbers)[-1]
    token = f"{escape(serial.get('system', ''))}|{escape(serial.get('value', ''))}"
    rows = server.search("CarePlan", {"identifier": token})
    plans = [row for row in rows.matches if serial in _bare(row.get("identifier"))]
    mine = revision_of(careplan)
    if any(revision_of(row) > mine for row in plans):
        raise ServerRefused("already holds a later revision of this plan: nothing was sent")
    ends = ("draft",) if careplan.get("status") == "draft" else CURRENT
    old = [
        row
        for row in plans
        if revision_of(row) < mine and row.get("status") in ends and f"CarePlan/{row['id']}" not in ours
    ]
    if not old:
        return []
    begins = str((careplan.get("period") or {}).get("start", ""))
    found: list[Withdrawal] = []
    for plan in old:
        current = server.read(f"CarePlan/{plan['id']}")
        if current is None:
            continue
        gone = [a for a in _activities(current.resource, server.base) if a not in ours]
        found += [
            Withdrawal(request, _ended(request.resource, begins))
            for request in read_all(server, gone).values()
            if request is not None and _to_withdraw(request.resource)
        ]
        found.append(Withdrawal(current, current.resource | {"status": "revoked"}))
    return found


def _to_withdraw(resource: Resource) -> bool:
    return resource.get("status") in CURRENT and resource.get("intent") in ("plan", "proposal")


def _ended(request: Resource, begins: str) -> Resource:
    """A phase that was over before the new plan begins was carried out; the others are called off."""
    repeat = (request.get("occurrenceTiming") or {}).get("repeat") or {}
    last = str((repeat.get("boundsPeriod") or {}).get("end", ""))
    over = bool(last and begins and last[:10] < begins[:10])
    return request | {"status": "completed" if over else "revoked"}


def _activities(careplan: Resource, base: str) -> list[str]:
    found = []
    for activity in careplan.get("activity") or []:
        listed = activity.get("reference") or activity.get("plannedActivityReference") or {}  # R4; R5
        reference = str(listed.get("reference", "")).removeprefix(f"{base}/")
        if re.fullmatch(r"(ServiceRequest|CommunicationRequest|Task)/[A-Za-z0-9.\-]{1,64}", reference):
            found.append(reference)
    return found


def _bare(numbers: Any) -> list[dict[str, Any]]:
    return [{k: n[k] for k in ("system", "value") if k in n} for n in numbers or [] if isinstance(n, dict)]
