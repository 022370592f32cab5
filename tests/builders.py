"""Builders of delivery records, valid by default: a test states only what it is about.

``record_data(**changes)`` gives a record as the plain data a YAML file would hold; a change is a dotted path
such as ``{"limb.skin": ["skin-graft"]}`` or a top-level keyword. ``record(**changes)`` reads it. Everybody
is invented.
"""

from __future__ import annotations

import copy
from typing import Any

from fhircare.delivery import DeliveryRecord

_FIRST_PROSTHESIS: dict[str, Any] = {
    "number": "HC-2026-0001",
    "written_at": "2026-11-16T11:40:00-06:00",
    "synthetic": True,
    "clinic": {
        "name": "Harrow Creek Limb Clinic",
        "uri": "https://harrowcreek.example",
        "phone": "+1-815-555-0140",
        "after_hours_phone": "+1-815-555-0149",
        "time_zone": "America/Chicago",
        "opening_hours": [
            {"days": ["mon", "tue", "wed", "thu", "fri"], "opens": "08:30", "closes": "17:00"},
        ],
        "holiday_country": "US",
        "holiday_region": "IL",
    },
    "professionals": [
        {"role": "prosthetist", "name": {"given": ["Ruth"], "family": "Okafor"}},
        {"role": "physician", "name": {"given": ["Miles"], "family": "Hartwell"}},
        {"role": "physical-therapist", "name": {"given": ["Ines"], "family": "Delacroix"}},
    ],
    "patient": {
        "name": {"given": ["Jo"], "family": "Marsh"},
        "birth_date": "1970-05-01",
        "identifiers": [{"system": "https://harrowcreek.example/patients", "value": "1"}],
    },
    "order": {
        "identifier": {"system": "https://stbrannoc.example/orders", "value": "ORD-1"},
        "authored_on": "2026-09-22",
        "diagnosis": {"code": "Z89.611", "display": "Acquired absence of right leg above knee"},
    },
    "limb": {
        "side": "right",
        "amputated_on": "2026-06-11",
        "cause": "trauma",
        "protective_sensation": "intact",
    },
    "prosthesis": {
        "delivered_on": "2026-11-16",
        "first": True,
        "suspension": "locking-pin",
        "components": [
            {"kind": "socket", "name": "Ischial containment socket"},
            {"kind": "liner", "name": "Locking liner", "count": 2, "liner_kind": "locking-pin"},
            {"kind": "knee", "name": "Four-bar knee"},
            {"kind": "foot", "name": "Flexible keel foot"},
            {"kind": "shrinker", "name": "Shrinker", "count": 2},
        ],
    },
    "socks": {
        "socks": [{"ply": 1, "count": 4}, {"ply": 3, "count": 4}, {"ply": 5, "count": 2}],
        "ply_at_delivery": 1,
    },
}


def record_data(changes: dict[str, Any] | None = None, **top_level: Any) -> dict[str, Any]:
    """Return a record as plain data: a first prosthesis with a locking liner, delivered on a Monday."""
    data = copy.deepcopy(_FIRST_PROSTHESIS)
    data.update(top_level)
    for path, value in (changes or {}).items():
        here = data
        *parents, last = path.split(".")
        for step in parents:
            here = here.setdefault(step, {})
        if value is None:
            here.pop(last, None)
        else:
            here[last] = value
    return data


def record(changes: dict[str, Any] | None = None, **top_level: Any) -> DeliveryRecord:
    """Return the same record, read."""
    return DeliveryRecord.model_validate(record_data(changes, **top_level))


def override(setting: str, value: object, reason: str = "for this test") -> dict[str, str]:
    """Return one of a record's wear.overrides."""
    return {"setting": setting, "value": str(value), "reason": reason, "by": "Ruth Okafor"}
