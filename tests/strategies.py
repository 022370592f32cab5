"""Hypothesis strategies: delivery records of every kind the model allows, all of them valid.

``delivery_records()`` spans liners, suspensions, risks, skin, routines, follow-up, goals and people. What
would make a plan impossible by design (an open wound, a waking day without room) is left to tests of its
own.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any, get_args

from hypothesis import strategies as st

from fhircare.delivery import DeliveryRecord
from fhircare.delivery.rules import LINER_FOR_SUSPENSION
from fhircare.plan import WEEKDAYS, Circumstance, Risk
from fhircare.plan.device import Cause, LimbSkin, LinerKind, Sensation, SuspensionKind
from tests.builders import record

ZONES = ("America/Chicago", "America/Phoenix", "Europe/Berlin", "Pacific/Auckland", "Asia/Kathmandu", "UTC")
_HOLIDAYS = (("", ""), ("US", ""), ("US", "IL"), ("DE", "BY"), ("NZ", ""))
_LETTERS = st.characters(categories=["Lu", "Ll", "Nd"], include_characters=" '-.<&>\"ñüß李")
_WORDS = st.text(_LETTERS, min_size=1, max_size=20).map(lambda s: s.strip() or "x")
_MAYBE = st.one_of(st.just(""), _WORDS)
_DAYS = st.lists(st.sampled_from(WEEKDAYS), min_size=1, max_size=7, unique=True)
_HALF_HOURS = [f"{h:02d}:{m:02d}" for h in range(24) for m in (0, 30)]


def _decimal(low: str, high: str, places: int = 1) -> st.SearchStrategy[Decimal]:
    return st.decimals(Decimal(low), Decimal(high), places=places, allow_nan=False, allow_infinity=False)


def _quantity(unit: str, low: str, high: str) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({"value": _decimal(low, high), "unit": st.just(unit)})


def _sparse(
    required: dict[str, st.SearchStrategy[Any]], optional: dict[str, st.SearchStrategy[Any]] | None = None
) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(required, optional=optional or {})


def _identifiers() -> st.SearchStrategy[list[dict[str, str]]]:
    one = _sparse({"system": st.just("https://harrowcreek.example/list"), "value": _WORDS})
    return st.lists(one, min_size=1, max_size=2, unique_by=lambda i: i["value"])


def _name() -> st.SearchStrategy[dict[str, Any]]:
    return _sparse({"family": _WORDS}, {"given": st.lists(_WORDS, min_size=1, max_size=2)})


def _address() -> st.SearchStrategy[dict[str, Any]]:
    return _sparse(
        {"lines": st.lists(_WORDS, min_size=1, max_size=2), "city": _WORDS},
        {"state": _MAYBE, "postal_code": _MAYBE, "country": st.sampled_from(["US", "DE", ""])},
    )


_PHONES = st.sampled_from(["+1-815-555-0100", "+1-815-555-0141", "555-0199"])


@st.composite
def _clinic(draw: st.DrawFn) -> dict[str, Any]:
    country, region = draw(st.sampled_from(_HOLIDAYS))
    opens = draw(st.sampled_from(["07:30", "08:30", "09:00"]))
    closes = draw(st.sampled_from(["12:30", "17:00", "18:30"]))
    required = {
        "name": _WORDS,
        "uri": st.just("https://harrowcreek.example"),
        "phone": _PHONES,
        "time_zone": st.sampled_from(ZONES),
        "opening_hours": _DAYS.map(lambda days: [{"days": days, "opens": opens, "closes": closes}]),
    }
    optional = {
        "after_hours_phone": _PHONES,
        "emergency_phone": st.sampled_from(["911", "112"]),
        "email": st.just("care@harrowcreek.example"),
        "address": _address(),
        "closures": _ranges(dt.date(2026, 11, 1), 300),
        "identifiers": _identifiers(),
    }
    return {**draw(_sparse(required, optional)), "holiday_country": country, "holiday_region": region}


def _ranges(start: dt.date, reach: int) -> st.SearchStrategy[list[dict[str, Any]]]:
    one = st.tuples(st.integers(0, reach), st.integers(0, 9), _MAYBE).map(
        lambda t: {
            "first": start + dt.timedelta(days=t[0]),
            "last": start + dt.timedelta(days=t[0] + t[1]),
            "reason": t[2],
        }
    )
    return st.lists(one, max_size=2)


@st.composite
def _professionals(draw: st.DrawFn) -> list[dict[str, Any]]:
    others = st.lists(st.sampled_from(["physician", "physical-therapist", "prosthetist"]), max_size=3)
    optional = {
        "identifiers": _identifiers(),
        "phone": _PHONES,
        "email": st.just("a@harrowcreek.example"),
        "organization": _WORDS,
    }
    return [
        {"role": role, **draw(_sparse({"name": _name()}, optional))}
        for role in ("prosthetist", *draw(others))
    ]


def _patient() -> st.SearchStrategy[dict[str, Any]]:
    caregiver = _sparse({"name": _name()}, {"relationship": _MAYBE, "phone": _PHONES})
    return _sparse(
        {
            "name": _name(),
            "birth_date": st.dates(dt.date(1930, 1, 1), dt.date(2012, 12, 31)),
            "identifiers": _identifiers(),
        },
        {
            "gender": st.sampled_from(["male", "female", "other", "unknown"]),
            "language": st.sampled_from(["en", "en-US", "es", "es-US"]),
            "large_print": st.booleans(),
            "phone": _PHONES,
            "email": st.just("p@home.example"),
            "address": _address(),
            "caregiver": caregiver,
        },
    )


@st.composite
def _measurement(draw: st.DrawFn, on: dt.date) -> dict[str, Any]:
    heights = draw(st.lists(st.integers(0, 30), min_size=1, max_size=6, unique=True).map(sorted))
    return {
        "on": on,
        "circumferences": [
            {"height": {"value": h, "unit": "cm"}, "girth": draw(_quantity("cm", "25", "70"))}
            for h in heights
        ],
    }


@st.composite
def _limb(draw: st.DrawFn, delivered: dt.date) -> dict[str, Any]:
    limb = draw(
        _sparse(
            {
                "side": st.sampled_from(["left", "right"]),
                "cause": st.sampled_from(get_args(Cause)),
                "skin": st.lists(
                    st.sampled_from([s for s in get_args(LimbSkin) if s != "open-wound"]),
                    min_size=1,
                    max_size=3,
                    unique=True,
                ),
                "protective_sensation": st.sampled_from(get_args(Sensation)),
            },
            {
                "level": st.sampled_from(["above-knee", "through-knee"]),
                "amputated_on": st.dates(dt.date(2013, 1, 1), delivered - dt.timedelta(days=30)),
            },
        )
    )
    days = draw(st.lists(st.integers(0, 200), max_size=2, unique=True).map(lambda d: sorted(d, reverse=True)))
    limb["measurements"] = [draw(_measurement(delivered - dt.timedelta(days=d))) for d in days]
    return limb


@st.composite
def _prosthesis(draw: st.DrawFn, delivered: dt.date) -> dict[str, Any]:
    suspension = draw(st.sampled_from(get_args(SuspensionKind)))
    liner = LINER_FOR_SUSPENSION.get(suspension)
    if liner is None and draw(st.booleans()):
        liner = draw(st.sampled_from(get_args(LinerKind)))
    optional = {
        "manufacturer": _MAYBE,
        "model": _MAYBE,
        "serial": _MAYBE,
        "lot": _MAYBE,
        "udi": st.just("(01)09521234543213(21)KN-40718"),
        "mass_limit": _quantity("kg", "60", "160"),
        "battery": st.booleans(),
        "water_safe": st.booleans(),
        "replace_by": st.dates(delivered, delivered + dt.timedelta(days=900)),
        "warranty_until": st.dates(delivered, delivered + dt.timedelta(days=900)),
    }
    parts = [{"kind": "socket", **draw(_sparse({"name": _WORDS}, optional))}]
    if liner:
        count = draw(st.integers(1, 2))
        part = draw(_sparse({"name": _WORDS}, optional))
        parts.append({"kind": "liner", "liner_kind": liner, "count": count, **part})
    others = ["knee", "foot", "shrinker", "cover", "other", "suspension"]
    kinds = draw(st.lists(st.sampled_from(others), max_size=4))
    parts += [{"kind": kind, **draw(_sparse({"name": _WORDS}, optional))} for kind in kinds]
    return {
        "delivered_on": delivered,
        "first": draw(st.booleans()),
        "new_socket": draw(st.booleans()),
        "suspension": suspension,
        "components": parts,
    }


@st.composite
def _socks(draw: st.DrawFn) -> dict[str, Any]:
    sock = _sparse(
        {"ply": st.integers(1, 6), "count": st.integers(1, 8)},
        {"material": _MAYBE, "band_color": _MAYBE, "over_liner": st.booleans()},
    )
    return draw(
        _sparse(
            {"socks": st.lists(sock, max_size=3)},
            {"ply_at_delivery": st.integers(0, 6), "adjust_at_ply": st.integers(6, 12)},
        )
    )


@st.composite
def routines(draw: st.DrawFn, delivered: dt.date) -> dict[str, Any]:
    """Days with room for wear, with some hours and days that have none."""
    wakes = draw(st.integers(8, 20))
    sleeps = draw(st.integers(wakes + 16, 47))
    busy = []
    for _ in range(draw(st.integers(0, 3))):
        starts = draw(st.integers(12, 40))
        ends = draw(st.integers(starts + 1, min(starts + 16, 47)))
        what = draw(st.sampled_from(["therapy", "work", "school", "other"]))
        busy.append(
            {"days": draw(_DAYS), "starts": _HALF_HOURS[starts], "ends": _HALF_HOURS[ends], "what": what}
        )
    return {
        "wakes": _HALF_HOURS[wakes],
        "sleeps": _HALF_HOURS[sleeps],
        "busy": busy,
        "days_without_wear": draw(_ranges(delivered, 25)),
    }


def _follow_up(delivered: dt.date) -> st.SearchStrategy[dict[str, Any]]:
    return _sparse(
        {},
        {
            "weeks_after": st.lists(st.integers(1, 12), min_size=1, max_size=4, unique=True),
            "months_between": st.integers(1, 12),
            "visit_minutes": st.sampled_from([30, 45, 60]),
            "preferred_days": _DAYS,
            "preferred_time": st.sampled_from(["08:00", "10:15", "16:30", "20:00"]),
            "not_on": _ranges(delivered, 100),
        },
    )


@st.composite
def _goal(draw: st.DrawFn, delivered: dt.date) -> dict[str, Any]:
    measured = [
        ("two-minute-walk", "m", "20", "200"),
        ("timed-up-and-go", "s", "5", "60"),
        ("socket-comfort", "{score}", "0", "10"),
        ("daily-wear", "h/d", "1", "16"),
    ]
    targets = []
    for measure, unit, low, high in draw(st.lists(st.sampled_from(measured), max_size=2, unique=True)):
        target = {"measure": measure, "unit": unit, "value": draw(_decimal(low, high))}
        target["comparator"] = draw(st.sampled_from(["at-least", "at-most"]))
        if draw(st.booleans()):
            target["due"] = delivered + dt.timedelta(days=draw(st.integers(1, 200)))
        targets.append(target)
    goal = draw(
        _sparse(
            {"text": _WORDS, "targets": st.just(targets)},
            {
                "category": st.sampled_from(["physiotherapy", "safety", "independence", "behavioral"]),
                "status": st.sampled_from(["proposed", "planned", "accepted", "active"]),
                "set_by": st.sampled_from(["patient", "prosthetist", "physician", "physical-therapist"]),
                "start": st.just(delivered),
            },
        )
    )
    return dict(goal)


def _baseline(delivered: dt.date) -> st.SearchStrategy[list[dict[str, Any]]]:
    kinds = [("body-weight", "kg", "40", "150"), ("socket-comfort", "{score}", "0", "10")]
    return st.lists(st.sampled_from(kinds), max_size=2, unique=True).flatmap(
        lambda chosen: st.tuples(
            *(
                _sparse(
                    {"measure": st.just(m), "quantity": _quantity(u, low, high), "on": st.just(delivered)},
                    {"note": _MAYBE},
                )
                for m, u, low, high in chosen
            )
        ).map(list)
    )


_SETTINGS = {
    "first_day_minutes": (30, 60), "daily_increase_minutes": (30, 120), "longest_session_minutes": (120, 480),
    "sessions_a_day": (1, 3), "days_per_step": (1, 3), "rest_minutes": (60, 120), "redness_minutes": (10, 45),
    "pause_days": (0, 4), "sock_sets": (1, 3), "early_window_days": (0, 7), "weight_change_kg": (1, 5),
}  # fmt: skip
"""Settings with bounds between which any of them go together."""


@st.composite
def _wear(draw: st.DrawFn, delivered: dt.date) -> dict[str, Any]:
    wear: dict[str, Any] = {
        "overrides": [
            {
                "setting": name,
                "value": str(draw(st.integers(*_SETTINGS[name]))),
                "reason": draw(_WORDS),
                "by": draw(_WORDS),
            }
            for name in draw(st.lists(st.sampled_from(sorted(_SETTINGS)), max_size=3, unique=True))
        ]
    }
    if draw(st.booleans()):
        wear["pace"] = draw(st.sampled_from(["usual", "cautious", "experienced", "return-to-wear"]))
    if draw(st.booleans()):
        wear["last_worn_on"] = delivered - dt.timedelta(days=draw(st.integers(0, 120)))
    if draw(st.booleans()):
        wear["starts_on"] = delivered + dt.timedelta(days=draw(st.integers(0, 10)))
    return wear


@st.composite
def record_dicts(draw: st.DrawFn) -> dict[str, Any]:
    """Delivery records as plain data."""
    delivered = draw(st.dates(dt.date(2026, 1, 5), dt.date(2027, 6, 30)))
    offset = draw(st.sampled_from(["-06:00", "Z", "+05:45"]))
    data: dict[str, Any] = {
        "number": draw(_WORDS),
        "written_at": f"{delivered.isoformat()}T10:20:00{offset}",
        "synthetic": draw(st.booleans()),
        "clinic": draw(_clinic()),
        "professionals": draw(_professionals()),
        "patient": draw(_patient()),
        "limb": draw(_limb(delivered)),
        "risks": draw(st.lists(st.sampled_from(get_args(Risk)), max_size=4, unique=True)),
        "circumstances": draw(st.lists(st.sampled_from(get_args(Circumstance)), max_size=4, unique=True)),
        "prosthesis": draw(_prosthesis(delivered)),
        "socks": draw(_socks()),
        "routine": draw(routines(delivered)),
        "follow_up": draw(_follow_up(delivered)),
        "goals": draw(st.lists(_goal(delivered), max_size=2)),
        "measurements": draw(_baseline(delivered)),
    }
    if draw(st.booleans()):
        data["order"] = {
            "identifier": {"system": "https://stbrannoc.example/orders", "value": draw(_WORDS)},
            "authored_on": delivered - dt.timedelta(days=draw(st.integers(0, 90))),
            "diagnosis": {
                "code": "Z89.611" if data["limb"]["side"] == "right" else "Z89.612",
                "display": "Acquired absence of leg above knee",
            },
        }
    if draw(st.booleans()):
        data["shoes"] = {"heel_height": {"value": 10, "unit": "mm"}, "description": draw(_MAYBE)}
    if draw(st.booleans()):
        data["wear"] = draw(_wear(delivered))
    if draw(st.booleans()):
        topic = draw(st.sampled_from(["positions.lie-flat", "support.peer", "sitting.long"]))
        data["leave_out"] = [{"code": topic, "reason": draw(_WORDS), "by": draw(_WORDS)}]
    return data


def delivery_records() -> st.SearchStrategy[DeliveryRecord]:
    """Delivery records, read."""
    return record_dicts().map(DeliveryRecord.model_validate)


@st.composite
def wear_records(draw: st.DrawFn) -> DeliveryRecord:
    """Records that differ in what the wearing schedule depends on, and in nothing else: quick to make."""
    delivered = draw(st.dates(dt.date(2026, 2, 15), dt.date(2027, 4, 15)))
    changes = {
        "prosthesis.delivered_on": delivered,
        "prosthesis.first": draw(st.booleans()),
        "limb.amputated_on": dt.date(2025, 6, 1),
        "limb.protective_sensation": draw(st.sampled_from(get_args(Sensation))),
        "clinic.time_zone": draw(st.sampled_from(ZONES)),
        "routine": draw(routines(delivered)),
        "wear": draw(_wear(delivered)),
        "order": None,
    }
    return record(changes)
