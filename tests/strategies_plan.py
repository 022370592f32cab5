"""Hypothesis strategies for whole plans: every part there or not, every text that FHIR can hold.

These are plans no planner would make; whatever a ``Plan`` can hold must survive its bundle. What a delivery
record leads to is in ``strategies``.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from decimal import Decimal
from typing import Any, get_args

from hypothesis import strategies as st

from fhircare.plan import (
    WEEKDAYS,
    Address,
    Advice,
    Busy,
    Call,
    Caregiver,
    CarePlanParts,
    CareTask,
    Circumference,
    Circumstance,
    Clinic,
    Component,
    DateRange,
    Diagnosis,
    Frequency,
    Goal,
    Identifier,
    Intent,
    Level,
    Limb,
    LimbMeasurement,
    Measurement,
    Moment,
    Name,
    OpeningHours,
    Order,
    Override,
    Pace,
    Patient,
    Plan,
    PlanStatus,
    PositiveQuantity,
    Professional,
    Prosthesis,
    Quantity,
    Risk,
    Role,
    Session,
    Shoes,
    Sock,
    SockKit,
    SockLayers,
    Target,
    Visit,
    WarningSign,
    WearDay,
    WearSchedule,
)
from fhircare.plan.care import PeriodUnit
from fhircare.plan.device import (
    Cause,
    ComponentKind,
    LimbLevel,
    LimbSkin,
    LinerKind,
    Sensation,
    SuspensionKind,
)
from fhircare.plan.goals import Achievement, GoalStatus, VisitStatus
from fhircare.plan.people import Gender

_LETTERS = st.characters(categories=["L", "N", "P", "S"], include_characters=" ")
TEXT = st.text(_LETTERS, min_size=1, max_size=25).map(str.strip).filter(bool)
MAYBE_TEXT = st.just("") | TEXT
CODE = st.from_regex(r"[a-z][a-z0-9]{0,8}([-.][a-z0-9]{1,5})?", fullmatch=True)
DATES = st.dates(dt.date(1930, 1, 1), dt.date(2090, 12, 31))
TIMES = st.times().map(lambda t: t.replace(microsecond=0))
OFFSETS = st.integers(-12 * 4, 13 * 4).map(lambda quarter: dt.timezone(dt.timedelta(minutes=15 * quarter)))
MOMENTS = st.builds(
    dt.datetime.combine,
    st.dates(dt.date(1950, 1, 1), dt.date(2090, 1, 1)),
    st.times(),
    OFFSETS,
)
NUMBERS = st.decimals(
    Decimal("-9999.999"), Decimal("9999.999"), allow_nan=False, allow_infinity=False, places=3
)
POSITIVE = st.decimals(Decimal("0.01"), Decimal(999), allow_nan=False, allow_infinity=False, places=2)
UNITS = st.sampled_from(["cm", "kg", "min", "h/d", "m/s", "{ply}", "[lb_av]", "Cel", "{score}", "1"])


def _of(literal: Any) -> st.SearchStrategy[Any]:
    return st.sampled_from(get_args(literal))


def _some(one: st.SearchStrategy[Any], least: int = 0, most: int = 2, **more: Any) -> st.SearchStrategy[Any]:
    return st.lists(one, min_size=least, max_size=most, **more).map(tuple)


IDENTIFIERS = st.builds(Identifier, system=CODE.map(lambda code: f"https://example.org/{code}"), value=TEXT)
QUANTITIES = st.builds(Quantity, value=NUMBERS, unit=UNITS)
POSITIVES = st.builds(PositiveQuantity, value=POSITIVE, unit=UNITS)
NAMES = st.builds(Name, family=TEXT, given=_some(TEXT))
ADDRESSES = st.builds(
    Address, lines=_some(TEXT, 1), city=TEXT, state=MAYBE_TEXT, postal_code=MAYBE_TEXT, country=MAYBE_TEXT
)
WEEKDAY_SETS = _some(st.sampled_from(WEEKDAYS), 1, 3, unique=True)
RANGES = st.builds(
    lambda first, days, reason: DateRange(first=first, last=first + dt.timedelta(days=days), reason=reason),
    DATES,
    st.integers(0, 30),
    MAYBE_TEXT,
)

CLINICS = st.builds(
    lambda holidays, **parts: Clinic(holiday_country=holidays[0], holiday_region=holidays[1], **parts),
    st.sampled_from([("", ""), ("US", ""), ("US", "IL"), ("DE", "BY")]),
    name=TEXT,
    uri=st.sampled_from(["https://harrowcreek.example", "https://harrowcreek.example/", "urn:oid:1.2.3"]),
    phone=TEXT,
    after_hours_phone=MAYBE_TEXT,
    emergency_phone=TEXT,
    email=MAYBE_TEXT,
    address=st.none() | ADDRESSES,
    time_zone=st.sampled_from(["America/Chicago", "Asia/Kathmandu", "UTC"]),
    opening_hours=_some(st.builds(OpeningHours, days=WEEKDAY_SETS, opens=TIMES, closes=TIMES), 1),
    closures=_some(RANGES),
    identifiers=_some(IDENTIFIERS),
)
PROFESSIONALS = st.builds(
    Professional,
    role=_of(Role),
    name=NAMES,
    identifiers=_some(IDENTIFIERS),
    phone=MAYBE_TEXT,
    email=MAYBE_TEXT,
    organization=MAYBE_TEXT,
)
PATIENTS = st.builds(
    Patient,
    name=NAMES,
    birth_date=st.none() | DATES,
    gender=_of(Gender),
    identifiers=_some(IDENTIFIERS, 1),
    language=st.sampled_from(["en", "es", "es-US", "zh-Hant"]),
    large_print=st.booleans(),
    phone=MAYBE_TEXT,
    email=MAYBE_TEXT,
    address=st.none() | ADDRESSES,
    caregiver=st.none() | st.builds(Caregiver, name=NAMES, relationship=MAYBE_TEXT, phone=MAYBE_TEXT),
)
ORDERS = st.builds(
    Order,
    identifier=IDENTIFIERS,
    authored_on=DATES,
    text=TEXT,
    diagnosis=st.builds(Diagnosis, code=st.sampled_from(["Z89.611", "Z89.612", "Z47.81"]), display=TEXT),
)
LIMBS = st.builds(
    Limb,
    side=st.sampled_from(["left", "right"]),
    level=_of(LimbLevel),
    amputated_on=st.none() | DATES,
    cause=_of(Cause),
    skin=_some(_of(LimbSkin), 1, 3),
    protective_sensation=_of(Sensation),
    measurements=_some(
        st.builds(
            LimbMeasurement,
            on=DATES,
            reference=TEXT,
            circumferences=_some(st.builds(Circumference, height=QUANTITIES, girth=POSITIVES), 1),
        )
    ),
)
COMPONENTS = st.builds(
    Component,
    kind=_of(ComponentKind),
    name=TEXT,
    count=st.integers(1, 9),
    liner_kind=st.none() | _of(LinerKind),
    manufacturer=MAYBE_TEXT,
    model=MAYBE_TEXT,
    serial=MAYBE_TEXT,
    lot=MAYBE_TEXT,
    udi=st.sampled_from(["", "(01)00844588003288(17)141120(10)7654321D", "+H123PARTNO1234567890120/$$420"]),
    hcpcs=st.sampled_from(["", "L5673", "L5856"]),
    mass_limit=st.none() | POSITIVES,
    heel_height=st.none() | QUANTITIES,
    battery=st.booleans(),
    water_safe=st.booleans(),
    replace_by=st.none() | DATES,
    warranty_until=st.none() | DATES,
)
PROSTHESES = st.builds(
    Prosthesis,
    delivered_on=DATES,
    identifier=st.none() | IDENTIFIERS,
    first=st.booleans(),
    new_socket=st.booleans(),
    suspension=_of(SuspensionKind),
    components=_some(COMPONENTS, 1, 3),
)
SOCK_KITS = st.builds(
    SockKit,
    socks=_some(
        st.builds(
            Sock,
            ply=st.integers(1, 12),
            count=st.integers(1, 9),
            material=MAYBE_TEXT,
            band_color=MAYBE_TEXT,
            over_liner=st.booleans(),
        )
    ),
    ply_at_delivery=st.integers(0, 30),
    adjust_at_ply=st.integers(1, 30),
)
SHOES = st.builds(Shoes, heel_height=st.none() | POSITIVES, description=MAYBE_TEXT)


@st.composite
def _sessions(draw: st.DrawFn) -> tuple[Session, ...]:
    starts = sorted(draw(st.lists(TIMES, max_size=3, unique=True)))
    parts = st.integers(0, 300)
    return tuple(
        Session(
            start=start,
            minutes=max(1, sitting + standing + walking),
            sitting=sitting,
            standing=standing,
            walking=walking,
            all_day=draw(st.booleans()),
        )
        for start in starts
        for sitting, standing, walking in [(draw(parts), draw(parts), draw(parts))]
    )


@st.composite
def _days(draw: st.DrawFn) -> tuple[WearDay, ...]:
    day = draw(DATES)
    found = []
    for _ in range(draw(st.integers(1, 3))):
        sessions = draw(_sessions())
        for _ in range(draw(st.integers(1, 2))):
            step, rule, why = draw(st.integers(0, 8)), draw(CODE), draw(TEXT)
            for _ in range(draw(st.integers(1, 2))):
                found.append(WearDay(on=day, step=step, sessions=sessions, rule=rule, why=why))
                day += dt.timedelta(days=1)
    return tuple(found)


WEAR = st.builds(
    WearSchedule,
    pace=_of(Pace),
    pace_why=TEXT,
    days=_days(),
    wakes=TIMES,
    sleeps=TIMES,
    rest_minutes=st.integers(0, 300),
    redness_minutes=st.integers(1, 90),
    busy=_some(
        st.builds(
            Busy,
            days=WEEKDAY_SETS,
            starts=TIMES,
            ends=TIMES,
            what=st.sampled_from(["therapy", "work", "school", "other"]),
        )
    ),
    days_without_wear=_some(RANGES),
    binding=_some(TEXT),
    overrides=_some(st.builds(Override, setting=CODE, value=TEXT, usual=MAYBE_TEXT, reason=TEXT, by=TEXT)),
)


@st.composite
def _frequencies(draw: st.DrawFn) -> Frequency:
    moments = draw(_some(_of(Moment), 0, 2, unique=True))
    return Frequency(
        times=len(moments) or draw(st.integers(1, 4)),
        every=draw(st.integers(1, 6)),
        unit=draw(_of(PeriodUnit)),
        moments=moments,
        days=draw(_some(st.sampled_from(WEEKDAYS), 0, 2, unique=True)),
    )


@st.composite
def _tasks(draw: st.DrawFn) -> CareTask:
    first = draw(DATES)
    return CareTask(
        code=draw(st.just("") | CODE),
        text=draw(TEXT),
        frequency=draw(st.none() | _frequencies()),
        after_each_wear=draw(st.booleans()),
        first=first,
        last=draw(st.none() | st.integers(0, 400).map(lambda days: first + dt.timedelta(days=days))),
        why=draw(MAYBE_TEXT),
    )


CARE = st.builds(
    CarePlanParts,
    tasks=_some(_tasks()),
    advice=_some(st.builds(Advice, code=st.just("") | CODE, text=TEXT, why=MAYBE_TEXT)),
    signs=_some(
        st.builds(
            lambda limit, **parts: WarningSign(limit=limit[0], limit_unit=limit[1], **parts),
            st.just((None, "")) | st.tuples(NUMBERS, st.just("") | UNITS),
            code=st.just("") | CODE,
            text=TEXT,
            level=_of(Level),
            call=_of(Call),
        )
    ),
    sock_guide=_some(
        st.builds(
            SockLayers,
            ply=st.integers(0, 30),
            layers=_some(st.integers(1, 12), 0, 3),
            possible=st.booleans(),
        )
    ),
)
VISITS = st.builds(
    lambda window, **parts: Visit(earliest=window.first, latest=window.last, **parts),
    RANGES,
    kinds=_some(CODE, 1),
    start=MOMENTS,
    minutes=st.integers(1, 300),
    role=_of(Role),
    status=_of(VisitStatus),
    why=TEXT,
)
GOALS = st.builds(
    Goal,
    identifier=st.none() | IDENTIFIERS,
    text=TEXT,
    category=st.sampled_from(["physiotherapy", "safety", "independence", "behavioral"]),
    status=_of(GoalStatus),
    achievement=st.none() | _of(Achievement),
    start=st.none() | DATES,
    targets=_some(
        st.builds(
            Target,
            measure=st.sampled_from(["daily-wear", "two-minute-walk", "something-new"]),
            comparator=st.sampled_from(["at-least", "at-most"]),
            value=NUMBERS,
            unit=UNITS,
            due=st.none() | DATES,
        )
    ),
    set_by=st.sampled_from(["patient", "prosthetist", "physician", "physical-therapist"]),
)
MEASUREMENTS = st.builds(
    Measurement,
    measure=st.sampled_from(["body-weight", "pain", "two-minute-walk", "something-new"]),
    quantity=QUANTITIES,
    on=DATES,
    note=MAYBE_TEXT,
)


def plans() -> st.SearchStrategy[Plan]:
    """Whole plans, any part of which may be absent; of some, wear is stopped."""
    return _plans() | st.builds(_stopped, _plans(), DATES, st.lists(st.booleans(), min_size=9))


def _stopped(plan: Plan, since: dt.date, on_hold: list[bool]) -> Plan:
    open_plan = plan.status in ("draft", "active", "on-hold")
    tasks = (
        replace(t, on_hold=held and open_plan) for t, held in zip(plan.care.tasks, on_hold, strict=False)
    )
    return replace(plan, stopped_since=since, care=replace(plan.care, tasks=tuple(tasks)))


def _plans() -> st.SearchStrategy[Plan]:
    return st.builds(
        Plan,
        number=TEXT,
        revision=st.integers(1, 12),
        status=_of(PlanStatus),
        intent=_of(Intent),
        written_at=st.none() | MOMENTS,
        synthetic=st.booleans(),
        clinic=st.none() | CLINICS,
        professionals=_some(PROFESSIONALS, 0, 3),
        patient=st.none() | PATIENTS,
        order=st.none() | ORDERS,
        limb=st.none() | LIMBS,
        risks=_some(_of(Risk)),
        circumstances=_some(_of(Circumstance)),
        prosthesis=st.none() | PROSTHESES,
        socks=st.none() | SOCK_KITS,
        shoes=st.none() | SHOES,
        wear=st.none() | WEAR,
        care=CARE,
        visits=_some(VISITS),
        goals=_some(GOALS),
        measurements=_some(MEASUREMENTS),
    )
