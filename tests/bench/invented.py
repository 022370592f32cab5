"""Invented records and resources in any number, varied and always the same for a seed; one line at a time.

    python -m tests.bench.invented records 1000 > clinic.ndjson
    python -m tests.bench.invented resources 1000000 > export.ndjson

Everybody in them is invented. Records differ in all that costs time in planning: routine, opening hours,
risks, parts, visits, goals, language. All of them can be planned, and all resources conform.
"""

from __future__ import annotations

import datetime as dt
import json
import random
import sys
from typing import TYPE_CHECKING, Any

from tests.builders import record_data

if TYPE_CHECKING:
    from collections.abc import Iterator

_GIVEN = ("Mara", "Tomas", "Ines", "Joel", "Aiko", "Rosa", "Emil", "Nadia")
_FAMILY = ("Ostrand", "Vellacott", "Marsh", "Ibarra", "Quill", "Sandoval", "Thorne", "Weld")
_RISKS = ("diabetes", "vascular-disease", "smoking", "falls", "low-vision", "swelling", "blood-thinner")
_CIRCUMSTANCES = ("drives", "lives-alone", "travels", "stairs-at-home", "works", "wheelchair", "walking-aid")
_DAYS = ("mon", "tue", "wed", "thu", "fri")


def record(number: int, seed: int = 0) -> dict[str, Any]:
    """Return an invented delivery record as plain data: the same number and seed, the same record."""
    dice = random.Random(f"{seed}/{number}")  # noqa: S311 - invented data, not a secret
    delivered = dt.date(2026, 1, 5) + dt.timedelta(days=dice.randrange(500))
    right = dice.random() < 0.5
    busy_from = dice.choice(("09:00", "10:00", "13:00"))
    changes: dict[str, Any] = {
        "number": f"HC-{number:07d}",
        "written_at": f"{delivered.isoformat()}T11:40:00-06:00",
        "patient.name": {"given": [dice.choice(_GIVEN)], "family": dice.choice(_FAMILY)},
        "patient.birth_date": (dt.date(1935, 1, 1) + dt.timedelta(days=dice.randrange(25_000))).isoformat(),
        "patient.identifiers": [{"system": "https://harrowcreek.example/patients", "value": str(number)}],
        "patient.language": dice.choice(("en", "en", "es")),
        "patient.large_print": dice.random() < 0.2,
        "order.identifier.value": f"ORD-{number}",
        "order.authored_on": (delivered - dt.timedelta(days=dice.randrange(1, 90))).isoformat(),
        "order.diagnosis": {
            "code": "Z89.611" if right else "Z89.612",
            "display": f"Acquired absence of {'right' if right else 'left'} leg above knee",
        },
        "limb.side": "right" if right else "left",
        "limb.amputated_on": (delivered - dt.timedelta(days=dice.randrange(91, 2500))).isoformat(),
        "limb.protective_sensation": dice.choice(("intact", "reduced", "absent", "not-tested")),
        "prosthesis.delivered_on": delivered.isoformat(),
        "prosthesis.first": dice.random() < 0.6,
        "risks": sorted(dice.sample(_RISKS, dice.randrange(4))),
        "circumstances": sorted(dice.sample(_CIRCUMSTANCES, dice.randrange(4))),
        "routine": {
            "wakes": dice.choice(("06:00", "07:00", "08:30")),
            "sleeps": dice.choice(("21:30", "22:30", "23:00")),
            "busy": [
                {"days": [dice.choice(_DAYS)], "starts": busy_from, "ends": "14:30", "what": "therapy"},
            ][: dice.randrange(2)],
        },
        "socks.ply_at_delivery": dice.randrange(0, 5),
        "goals": [{"text": "Walk to the shop and back"}][: dice.randrange(2)],
    }
    return record_data(changes, synthetic=True)


def records(count: int, seed: int = 0) -> Iterator[bytes]:
    """Yield invented delivery records, one JSON line each."""
    for number in range(1, count + 1):
        yield json.dumps(record(number, seed), ensure_ascii=False).encode() + b"\n"


def resources(count: int, seed: int = 0) -> Iterator[bytes]:
    """Yield invented small resources, one JSON line each: patients, and what was measured of them."""
    dice = random.Random(seed)  # noqa: S311 - invented data, not a secret
    for number in range(1, count + 1):
        made = _patient(number, dice) if number % 4 == 1 else _observation(number, dice)
        yield json.dumps({**made, "text": _text(made["resourceType"])}).encode() + b"\n"


def _text(kind: str) -> dict[str, str]:
    div = f'<div xmlns="http://www.w3.org/1999/xhtml">An invented {kind.lower()}</div>'
    return {"status": "generated", "div": div}


def _patient(number: int, dice: random.Random) -> dict[str, Any]:
    return {
        "resourceType": "Patient",
        "id": f"p{number}",
        "name": [{"family": dice.choice(_FAMILY), "given": [dice.choice(_GIVEN)]}],
        "gender": dice.choice(("female", "male", "other", "unknown")),
        "birthDate": f"{dice.randrange(1930, 2005)}-{dice.randrange(1, 13):02d}-{dice.randrange(1, 29):02d}",
    }


def _observation(number: int, dice: random.Random) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": f"o{number}",
        "status": "final",
        "code": {"text": "Limb circumference"},
        "subject": {"reference": f"Patient/p{number - number % 4 + 1}"},
        "effectiveDateTime": f"2026-{dice.randrange(1, 13):02d}-{dice.randrange(1, 29):02d}",
        "performer": [{"display": "An invented prosthetist"}],
        "valueQuantity": {
            "value": dice.randrange(300, 650) / 10,
            "unit": "cm",
            "system": "http://unitsofmeasure.org",
            "code": "cm",
        },
    }


def main() -> None:
    """Print what was asked for."""
    made = {"records": records, "resources": resources}[sys.argv[1]]
    sys.stdout.buffer.writelines(made(int(sys.argv[2])))


if __name__ == "__main__":
    main()
