"""One whole plan, made by hand: every part there, every optional field set, two of whatever may be several.

Small, so that a test can afford to read it thousands of times. Everybody is invented.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from fhircare.plan import (
    Address,
    Advice,
    Busy,
    Caregiver,
    CarePlanParts,
    CareTask,
    Circumference,
    Clinic,
    Component,
    DateRange,
    Diagnosis,
    Frequency,
    Goal,
    Identifier,
    Limb,
    LimbMeasurement,
    Measurement,
    Name,
    OpeningHours,
    Order,
    Override,
    Patient,
    Plan,
    PositiveQuantity,
    Professional,
    Prosthesis,
    Quantity,
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

ZONE = dt.timezone(dt.timedelta(hours=-6))
DELIVERED = dt.date(2026, 11, 16)


def _day(number: int) -> dt.date:
    return DELIVERED + dt.timedelta(days=number)


def _cm(value: str) -> PositiveQuantity:
    return PositiveQuantity(value=Decimal(value), unit="cm")


def _session(hour: int, minutes: int, *, all_day: bool = False) -> Session:
    standing, walking = minutes // 4, minutes // 6
    return Session(
        start=dt.time(hour, 30),
        minutes=minutes,
        sitting=minutes - standing - walking,
        standing=standing,
        walking=walking,
        all_day=all_day,
    )


def _clinic() -> Clinic:
    return Clinic(
        name="Harrow Creek Limb Clinic",
        uri="https://harrowcreek.example",
        phone="+1-815-555-0140",
        after_hours_phone="+1-815-555-0149",
        emergency_phone="911",
        email="care@harrowcreek.example",
        address=Address(
            lines=("12 Creek Road", "Suite 4"), city="Harrow", state="IL", postal_code="60001", country="US"
        ),
        time_zone="America/Chicago",
        opening_hours=(
            OpeningHours(days=("mon", "tue"), opens=dt.time(8, 30), closes=dt.time(17, 0)),
            OpeningHours(days=("fri",), opens=dt.time(9, 0), closes=dt.time(12, 0)),
        ),
        holiday_country="US",
        holiday_region="IL",
        closures=(
            DateRange(first=dt.date(2026, 12, 24), last=dt.date(2026, 12, 26), reason="Winter closing"),
            DateRange(first=dt.date(2027, 1, 2), last=dt.date(2027, 1, 2)),
        ),
        identifiers=(Identifier(system="https://register.example/clinics", value="C-77"),),
    )


def _professionals() -> tuple[Professional, ...]:
    return (
        Professional(
            role="prosthetist",
            name=Name(family="Okafor", given=("Ruth", "Ada")),
            identifiers=(Identifier(system="https://register.example/people", value="P-1"),),
            phone="+1-815-555-0141",
            email="okafor@harrowcreek.example",
        ),
        Professional(
            role="physician",
            name=Name(family="Hartwell", given=("Miles",)),
            phone="+1-815-555-0150",
            organization="Saint Brannoc Hospital",
        ),
        Professional(role="physical-therapist", name=Name(family="Delacroix")),
    )


def _patient() -> Patient:
    return Patient(
        name=Name(family="Marsh", given=("Jo", "Lee")),
        birth_date=dt.date(1970, 5, 1),
        gender="female",
        identifiers=(
            Identifier(system="https://harrowcreek.example/patients", value="1"),
            Identifier(system="https://stbrannoc.example/patients", value="88"),
        ),
        language="es-US",
        large_print=True,
        phone="+1-815-555-0160",
        email="jo@mail.example",
        address=Address(lines=("3 Mill Lane",), city="Harrow"),
        caregiver=Caregiver(
            name=Name(family="Marsh", given=("Kim",)), relationship="daughter", phone="+1-815-555-0161"
        ),
    )


def _limb() -> Limb:
    first, second = (
        Circumference(height=Quantity(value=Decimal(height), unit="cm"), girth=_cm(girth))
        for height, girth in (("0", "52.50"), ("10", "48.0"))
    )
    return Limb(
        side="left",
        amputated_on=dt.date(2026, 6, 11),
        cause="diabetes",
        skin=("fragile-scar", "dry"),
        protective_sensation="reduced",
        measurements=(
            LimbMeasurement(on=dt.date(2026, 10, 1), circumferences=(first, second)),
            LimbMeasurement(on=DELIVERED, reference="perineum", circumferences=(second,)),
        ),
    )


def _prosthesis() -> Prosthesis:
    kilograms = PositiveQuantity(value=Decimal(125), unit="kg")
    return Prosthesis(
        delivered_on=DELIVERED,
        identifier=Identifier(system="https://harrowcreek.example/devices", value="D-9"),
        first=True,
        new_socket=True,
        suspension="locking-pin",
        components=(
            Component(kind="socket", name="Ischial containment socket", hcpcs="L5649", serial="S-1"),
            Component(
                kind="liner",
                name="Locking liner",
                count=2,
                liner_kind="locking-pin",
                manufacturer="Example Works",
                model="LL-28",
                lot="LOT-5",
                udi="(01)00844588003288(17)281120(10)LOT-5",
                hcpcs="L5673",
                water_safe=True,
                replace_by=dt.date(2027, 5, 1),
                warranty_until=dt.date(2027, 3, 1),
            ),
            Component(kind="knee", name="Knee", battery=True, mass_limit=kilograms),
            Component(kind="foot", name="Foot", heel_height=Quantity(value=Decimal("10.0"), unit="mm")),
            Component(kind="shrinker", name="Shrinker"),
        ),
    )


def _wear() -> WearSchedule:
    half, hour = (_session(9, 30), _session(15, 30)), (_session(9, 60), _session(15, 60))
    days = (
        WearDay(on=_day(1), step=1, sessions=half, rule="first-day", why="Every break-in starts here."),
        WearDay(on=_day(2), step=2, sessions=hour, rule="climb", why="After a day that went well."),
        WearDay(on=_day(3), step=2, sessions=hour, rule="hold", why="This pace takes two days."),
        WearDay(on=_day(4), step=0, sessions=(), rule="no-wear", why="Away from home."),
        WearDay(
            on=_day(5), step=3, sessions=(_session(8, 720, all_day=True),), rule="all-day", why="All day."
        ),
    )
    return WearSchedule(
        pace="cautious",
        pace_why="Reduced sensation.",
        days=days,
        wakes=dt.time(7, 0),
        sleeps=dt.time(22, 0),
        rest_minutes=120,
        redness_minutes=30,
        busy=(Busy(days=("mon", "wed"), starts=dt.time(12, 0), ends=dt.time(13, 0), what="therapy"),),
        days_without_wear=(DateRange(first=_day(4), last=_day(4), reason="Away from home"),),
        binding=("No second session fits on day 5.",),
        overrides=(
            Override(setting="rest_minutes", value="120", usual="60", reason="Swelling", by="Ruth Okafor"),
            Override(setting="leave_out", value="driving.left", reason="Does not drive", by="Ruth Okafor"),
        ),
    )


def _care() -> CarePlanParts:
    daily = Frequency(times=2, every=1, unit="d", moments=("MORN", "EVE"))
    weekly = Frequency(every=2, unit="wk", days=("sun",))
    return CarePlanParts(
        tasks=(
            CareTask(
                code="ply-log",
                text="Note your ply",
                frequency=daily,
                first=_day(1),
                last=_day(90),
                why="Socks were issued.",
            ),
            CareTask(
                code="pin-check", text="Check the pin", frequency=weekly, first=_day(1), why="It has a pin."
            ),
            CareTask(
                code="skin-check",
                text="Look at the skin",
                after_each_wear=True,
                first=_day(1),
                last=_day(5),
                why="Everybody does.",
            ),
            CareTask(
                code="shrinker-wear", text="Wear the shrinker", first=_day(1), why="A young limb swells."
            ),
        ),
        advice=(
            Advice(code="caution.defer", text="Your team comes first.", why="Everybody is told."),
            Advice(code="put-on.locking-pin", text="Count the clicks.", why="It has a pin."),
        ),
        signs=(
            WarningSign(code="sock-marks", text="Even marks that fade", level="carry-on"),
            WarningSign(code="itch-or-rash", text="A rash", level="watch", call="next-visit"),
            WarningSign(
                code="redness-stays",
                text="Redness that stays",
                level="stop",
                call="same-day",
                limit=Decimal(30),
                limit_unit="min",
            ),
            WarningSign(code="fainting", text="Fainting", level="emergency", call="emergency-number"),
        ),
        sock_guide=(
            SockLayers(ply=0),
            SockLayers(ply=4, layers=(1, 3)),
            SockLayers(ply=7, possible=False),
        ),
    )


def whole_plan() -> Plan:
    """Return the plan."""
    return Plan(
        number="HC-2026-0009",
        revision=2,
        status="active",
        intent="plan",
        written_at=dt.datetime(2026, 11, 16, 11, 40, tzinfo=ZONE),
        synthetic=True,
        clinic=_clinic(),
        professionals=_professionals(),
        patient=_patient(),
        order=Order(
            identifier=Identifier(system="https://stbrannoc.example/orders", value="ORD-1"),
            authored_on=dt.date(2026, 9, 22),
            text="Above-knee prosthesis",
            diagnosis=Diagnosis(code="Z89.612", display="Acquired absence of left leg above knee"),
        ),
        limb=_limb(),
        risks=("diabetes", "falls"),
        circumstances=("drives", "lives-alone"),
        prosthesis=_prosthesis(),
        socks=SockKit(
            socks=(
                Sock(ply=1, count=4, material="wool", band_color="yellow"),
                Sock(ply=3, count=2, over_liner=False),
            ),
            ply_at_delivery=1,
            adjust_at_ply=9,
        ),
        shoes=Shoes(heel_height=_cm("1.5"), description="Laced walking shoes"),
        wear=_wear(),
        care=_care(),
        visits=(
            Visit(
                kinds=("fit-check",),
                start=dt.datetime(2026, 11, 23, 10, 0, tzinfo=ZONE),
                minutes=45,
                earliest=dt.date(2026, 11, 21),
                latest=dt.date(2026, 11, 25),
                status="booked",
                why="A week after delivery.",
            ),
            Visit(
                kinds=("regular-check", "liner-replace"),
                start=dt.datetime(2027, 5, 17, 14, 0, tzinfo=dt.timezone(dt.timedelta(hours=-5))),
                minutes=60,
                earliest=dt.date(2027, 5, 10),
                latest=dt.date(2027, 5, 24),
                role="physical-therapist",
                why="Six months after delivery.",
            ),
        ),
        goals=(
            Goal(
                text="Wear the leg all day",
                category="physiotherapy",
                achievement="in-progress",
                start=DELIVERED,
                targets=(
                    Target(measure="daily-wear", value=Decimal("8.0"), unit="h/d", due=dt.date(2026, 12, 20)),
                    Target(measure="falls", comparator="at-most", value=Decimal(0), unit="{falls}"),
                ),
                set_by="prosthetist",
            ),
            Goal(
                identifier=Identifier(system="https://therapy.example/goals", value="G-4"),
                text="Walk to the shop",
                status="proposed",
            ),
        ),
        measurements=(
            Measurement(
                measure="two-minute-walk",
                quantity=Quantity(value=Decimal("92.5"), unit="m"),
                on=DELIVERED,
                note="With a stick",
            ),
            Measurement(
                measure="body-weight", quantity=Quantity(value=Decimal("81.40"), unit="kg"), on=DELIVERED
            ),
        ),
    )
