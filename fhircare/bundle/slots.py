"""The times a clinic still has free, read from FHIR Slot resources.

=====================  =================================================================================
free slot              FHIR Slot, status ``free`` only
=====================  =================================================================================
start                  start
minutes                from start to end
=====================  =================================================================================
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhircare.bundle.located import Node
from fhircare.delivery import FreeSlot
from fhircare.errors import BundleError, Fault

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


def read_slots(resources: Iterable[Mapping[str, Any]]) -> tuple[FreeSlot, ...]:
    """Return the free slots among resources, in order of time; a Bundle is unpacked.

    Raises:
        BundleError: When there is no Slot at all, or one that is free has no start or end that can be read.
    """
    slots = [node for resource in resources for node in _unpacked(resource) if node.kind == "Slot"]
    if not slots:
        raise BundleError(Fault("", "holds no Slot", "name a file of FHIR Slot resources"))
    return _free(slots)


def free_slots(resources: Iterable[Mapping[str, Any]]) -> tuple[FreeSlot, ...]:
    """Return the free slots among Slot resources, in order of time; none when there are none.

    Raises:
        BundleError: When one that is free has no start or end that can be read.
    """
    return _free([Node(one, "Slot") for one in resources])


def _free(slots: list[Node]) -> tuple[FreeSlot, ...]:
    return tuple(sorted((_slot(s) for s in slots if s.get("status").value == "free"), key=lambda s: s.start))


def _unpacked(resource: Mapping[str, Any]) -> list[Node]:
    root = Node(resource, str(resource.get("resourceType", "")))
    return [entry.get("resource") for entry in root.items("entry")] if root.kind == "Bundle" else [root]


def _slot(slot: Node) -> FreeSlot:
    start, end = slot.instant("start").value, slot.instant("end").value
    if start is None or end is None or end <= start:
        raise BundleError(
            Fault(
                f"{slot.path}.start", "and end are no stretch of time", "give both as instants with an offset"
            )
        )
    return FreeSlot(start=start, minutes=int((end - start).total_seconds() // 60))
