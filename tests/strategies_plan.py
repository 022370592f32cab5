"""Hypothesis strategies for whole plans: every part there or not, every text that FHIR can hold.

These are plans no planner would make; whatever a ``Plan`` can hold must survive its bundle. What a delivery
record leads to is in ``strategies``.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from hypothesis import strategies as st

from fhircare.plan import (
    WEEKDAYS,
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
    Diagnosis,
    Frequency,
    Goal,
    Intent,
    Level,
    Limb,
    LimbMeasurement,
    Measurement,
    Moment,
    OpeningHours,
    Order,
    Override,
    Pace,
    Patient,
    Plan,
    PlanStatus,
    Professional,
    Prosthesis,
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
from tests.strategies_values import (
    ADDRESSES,
    CODE,
    DATES,
    IDENTIFIERS,
    MAYBE_TEXT,
    MOMENTS,
    NAMES,
    NUMBERS,
    POSITIVES,
    QUANTITIES,
    RANGES,
    TEXT,
    TIMES,
    UNITS,
    WEEKDAY_SETS,
    of,
    some,
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
    opening_hours=some(st.builds(OpeningHours, days=WEEKDAY_SETS, opens=TIMES, closes=TIMES), 1),
    closures=some(RANGES),
    identifiers=some(IDENTIFIERS),
)
PROFESSIONALS = st.builds(
    Professional,
    role=of(Role),
    name=NAMES,
    identifiers=some(IDENTIFIERS),
    phone=MAYBE_TEXT,
    email=MAYBE_TEXT,
    organization=MAYBE_TEXT,
)
PATIENTS = st.builds(
    Patient,
    name=NAMES,
    birth_date=st.none() | DATES,
    gender=of(Gender),
    identifiers=some(IDENTIFIERS, 1),
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
    level=of(LimbLevel),
    amputated_on=st.none() | DATES,
    cause=of(Cause),
    skin=some(of(LimbSkin), 1, 3),
    protective_sensation=of(Sensation),
    measurements=some(
        st.builds(
            LimbMeasurement,
            on=DATES,
            reference=TEXT,
            circumferences=some(st.builds(Circumference, height=QUANTITIES, girth=POSITIVES), 1),
        )
    ),
)
COMPONENTS = st.builds(
    Component,
    kind=of(ComponentKind),
    name=TEXT,
    count=st.integers(1, 9),
    liner_kind=st.none() | of(LinerKind),
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
    suspension=of(SuspensionKind),
    components=some(COMPONENTS, 1, 3),
)
SOCK_KITS = st.builds(
    SockKit,
    socks=some(
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
    pace=of(Pace),
    pace_why=TEXT,
    days=_days(),
    wakes=TIMES,
    sleeps=TIMES,
    rest_minutes=st.integers(0, 300),
    redness_minutes=st.integers(1, 90),
    busy=some(
        st.builds(
            Busy,
            days=WEEKDAY_SETS,
            starts=TIMES,
            ends=TIMES,
            what=st.sampled_from(["therapy", "work", "school", "other"]),
        )
    ),
    days_without_wear=some(RANGES),
    binding=some(TEXT),
    overrides=some(st.builds(Override, setting=CODE, value=TEXT, usual=MAYBE_TEXT, reason=TEXT, by=TEXT)),
)


@st.composite
def _frequencies(draw: st.DrawFn) -> Frequency:
    moments = draw(some(of(Moment), 0, 2, unique=True))
    return Frequency(
        times=len(moments) or draw(st.integers(1, 4)),
        every=draw(st.integers(1, 6)),
        unit=draw(of(PeriodUnit)),
        moments=moments,
        days=draw(some(st.sampled_from(WEEKDAYS), 0, 2, unique=True)),
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
    tasks=some(_tasks()),
    advice=some(st.builds(Advice, code=st.just("") | CODE, text=TEXT, why=MAYBE_TEXT)),
    signs=some(
        st.builds(
            lambda limit, **parts: WarningSign(limit=limit[0], limit_unit=limit[1], **parts),
            st.just((None, "")) | st.tuples(NUMBERS, st.just("") | UNITS),
            code=st.just("") | CODE,
            text=TEXT,
            level=of(Level),
            call=of(Call),
        )
    ),
    sock_guide=some(
        st.builds(
            SockLayers,
            ply=st.integers(0, 30),
            layers=some(st.integers(1, 12), 0, 3),
            possible=st.booleans(),
        )
    ),
)
VISITS = st.builds(
    lambda window, **parts: Visit(earliest=window.first, latest=window.last, **parts),
    RANGES,
    kinds=some(CODE, 1),
    start=MOMENTS,
    minutes=st.integers(1, 300),
    role=of(Role),
    status=of(VisitStatus),
    why=TEXT,
)
GOALS = st.builds(
    Goal,
    identifier=st.none() | IDENTIFIERS,
    text=TEXT,
    category=st.sampled_from(["physiotherapy", "safety", "independence", "behavioral"]),
    status=of(GoalStatus),
    achievement=st.none() | of(Achievement),
    start=st.none() | DATES,
    targets=some(
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
        status=of(PlanStatus),
        intent=of(Intent),
        written_at=st.none() | MOMENTS,
        synthetic=st.booleans(),
        clinic=st.none() | CLINICS,
        professionals=some(PROFESSIONALS, 0, 3),
        patient=st.none() | PATIENTS,
        order=st.none() | ORDERS,
        limb=st.none() | LIMBS,
        risks=some(of(Risk)),
        circumstances=some(of(Circumstance)),
        prosthesis=st.none() | PROSTHESES,
        socks=st.none() | SOCK_KITS,
        shoes=st.none() | SHOES,
        wear=st.none() | WEAR,
        care=CARE,
        visits=some(VISITS),
        goals=some(GOALS),
        measurements=some(MEASUREMENTS),
    )
