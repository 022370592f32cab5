"""Which of a bundle's CarePlans it is about: the plan in force.

A bundle that was followed holds history: plans that were replaced stay beside their successors
(``fhircare.bundle.history``), and another system's bundle may hold other people's. Whoever asks for *the*
plan of a bundle, to read it, send it or give its goals, asks here, so that all mean the same one.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from fhircare.bundle.identity import is_ours
from fhircare.bundle.located import Node, Read
from fhircare.bundle.source import Source
from fhircare.errors import BundleError, Fault

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fhircare.bundle.datatypes import Json

CURRENT = ("draft", "active", "on-hold")
"""States of a plan or request that still asks somebody to do something (FHIR R4 request-status)."""


def careplans(source: Source) -> list[Node]:
    """Return the CarePlans of a bundle, the one in force first.

    One of ours comes before another's, a current one (draft, active, on hold) before one that is over, and
    then the later revision. So a draft that waits for approval comes before the plan on hold that it is to
    replace; and where nothing is current, the last revision is what the bundle is about.
    """

    def rank(one: Node) -> tuple[bool, bool, int, str]:
        return (
            not is_break_in(one),
            one.word("status") not in CURRENT,
            -revision_of(one).value,
            repr(one.value),
        )

    return sorted((r for r in source.resources if r.kind == "CarePlan"), key=rank)


def careplan_in_force(bundle: Mapping[str, Any]) -> Json | None:
    """Return the CarePlan that a bundle is about, None when it holds none.

    Raises:
        BundleError: For what is neither a Bundle nor a CarePlan.
    """
    found = careplans(Source(bundle))
    return found[0].value if found else None


def the_careplan(source: Source) -> Node:
    """Return the CarePlan that a bundle is about.

    Raises:
        BundleError: When it is no bundle, or holds none.
    """
    found = careplans(source) if source.root.kind == "Bundle" else []
    if not found:
        raise BundleError(Fault("Bundle.entry", "holds no CarePlan", "give a bundle that holds a plan"))
    return found[0]


def is_break_in(careplan: Node) -> bool:
    """Tell whether a CarePlan says that it is a break-in plan, as ours do."""
    return any(category.code_in("plan-kind") for category in careplan.items("category"))


def numbered(careplan: Node, kind: str) -> Read[str]:
    """Return the value of the first identifier of a kind of ours (plan, plan-series), "" for none."""
    for one in careplan.items("identifier"):
        if is_ours(one.get("system").string(), kind):
            return one.text("value")
    return Read("")


def revision_of(careplan: Node) -> Read[int]:
    """Return a plan's revision, 1 when its identifiers tell none."""
    told = numbered(careplan, "plan")
    tail = re.search(r"/r([1-9][0-9]{0,8})$", told.value)
    return Read(int(tail[1]), told.path) if tail else Read(1)
