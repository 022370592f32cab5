"""The delivery record: what the prosthetist knows when the prosthesis is handed over.

``read_delivery(text)`` turns YAML 1.2 or JSON into a ``DeliveryRecord``; every fault found is reported at
once, each with its field, its line and its mend. ``delivery_schema()`` is the same model as JSON Schema.

The facts (clinic, people, limb, prosthesis, socks) are the parts of ``fhircare.plan``: the plan carries them
on unchanged. What only the planner needs (routine, wishes, cadence) is in ``fhircare.delivery.record``.
"""

from __future__ import annotations

from fhircare.delivery.reading import MAX_BYTES, delivery_of, delivery_schema, read_delivery, read_fields
from fhircare.delivery.record import (
    DeliveryRecord,
    FollowUp,
    FreeSlot,
    LeftOut,
    Routine,
    WearWishes,
)

__all__ = [
    "MAX_BYTES",
    "DeliveryRecord",
    "FollowUp",
    "FreeSlot",
    "LeftOut",
    "Routine",
    "WearWishes",
    "delivery_of",
    "delivery_schema",
    "read_delivery",
    "read_fields",
]
