"""The letter, the sheet and the record: what professionals are told, and where each value came from."""

from __future__ import annotations

import dataclasses
import datetime as dt
import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from fhircare.plan import Advice, Measurement, Override, Plan, Quantity, WarningSign
from fhircare.plan.measures import measures
from fhircare.render import READERS, render
from fhircare.render.measure import GRADE_LIMIT, INFLESZ_LIMIT, measure
from fhircare.render.templates import text_of
from tests.conftest import EXAMPLES, reading_of

if TYPE_CHECKING:
    from tests.golden import Golden

PROFESSIONALS = ("physician", "therapist", "clinic")


class Of:
    """A plan as if read from a bundle that holds no log."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "collection"}

    @staticmethod
    def source(place: str) -> str:
        return place


def changed(record: str, **changes: Any) -> Of:
    return Of(dataclasses.replace(reading_of(record).plan, **changes))


def told(reading: Any, reader: Any, **asked: Any) -> str:
    """What a person reads of a page."""
    page = str(render(reading, "html", reader, **asked))
    return text_of(re.sub(r"(</t[dh]>|</d[td]>|</li>)", r" \1", page))


# Golden pages


@pytest.mark.parametrize("record", EXAMPLES)
@pytest.mark.parametrize("reader", PROFESSIONALS)
def test_the_text_is_the_one_that_was_read(record: str, reader: Any, golden: Golden) -> None:
    """Each example's page as plain text."""
    golden.same(f"{record}.{reader}.txt", str(render(reading_of(record), "txt", reader)))


@pytest.mark.parametrize("reader", PROFESSIONALS)
def test_the_page_is_the_one_that_was_read(reader: Any, golden: Golden) -> None:
    """One example's page as HTML; paths into the bundle have tests of their own, the style is not content."""
    page = str(render(reading_of(EXAMPLES[0]), "html", reader))
    bare = re.sub(r'(?s) data-source="[^"]*"|<style>.*?</style>', "", page)
    golden.same(f"{EXAMPLES[0]}.{reader}.html", bare)


# Plain language


@pytest.mark.parametrize("record", EXAMPLES)
@pytest.mark.parametrize("reader", READERS)
def test_every_english_page_is_sixth_grade_or_easier(record: str, reader: Any) -> None:
    """Flesch-Kincaid on the body text."""
    found = measure(str(render(reading_of(record), "html", reader, language="en")), "en")
    assert found.sentences > 20
    assert found.grade is not None
    assert found.grade <= GRADE_LIMIT, found.lines()


@pytest.mark.parametrize("record", EXAMPLES)
@pytest.mark.parametrize("reader", READERS)
def test_every_spanish_page_is_fairly_easy_or_easier(record: str, reader: Any) -> None:
    """Szigriszt-Pazos on the INFLESZ scale."""
    found = measure(str(render(reading_of(record), "html", reader, language="es")), "es")
    assert found.inflesz is not None
    assert found.inflesz >= INFLESZ_LIMIT, found.lines()


# One source


def at(bundle: Any, path: str) -> Any:
    """What stands at a path of the bundle; fails when nothing does."""
    node = bundle
    for step in re.findall(r"\w+|\[\d+\]", path.removeprefix("Bundle")):
        node = node[int(step[1:-1])] if step.startswith("[") else node[step]
    return node


@pytest.mark.parametrize("record", EXAMPLES)
@pytest.mark.parametrize("reader", READERS)
def test_every_value_names_a_place_that_is_in_the_bundle(record: str, reader: Any) -> None:
    """Every data-source leads to something; a date or clock time or number it marks is the one that stands
    there.
    """
    reading = reading_of(record)
    page = str(render(reading, "html", reader, language="en"))
    marks = re.findall(r'<(?:time datetime|data value)="([^"]*)" data-source="([^"]*)"', page)
    assert len(marks) > 20
    for path in set(re.findall(r'data-source="([^"]*)"', page)):
        at(reading.bundle, path)
    dates = 0
    for machine, path in marks:
        found = at(reading.bundle, path)
        if isinstance(found, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", found):
            if re.fullmatch(r"\d{4}-\d\d-\d\d", machine):
                dates += 1
        elif isinstance(found, int | Decimal) and machine.replace(".", "").isdigit():
            assert Decimal(machine) == found, path
    assert dates


@pytest.mark.parametrize("record", EXAMPLES)
@pytest.mark.parametrize("reader", PROFESSIONALS)
def test_every_place_a_page_speaks_of_is_known(record: str, reader: Any) -> None:
    """No value of the plan is printed whose place in the bundle the reading could not tell."""
    reading = reading_of(record)
    lost = set()

    class Watched:
        plan = reading.plan
        bundle = reading.bundle

        @staticmethod
        def source(place: str) -> str:
            found = reading.source(place)
            if not found:
                lost.add(place)
            return found

    render(Watched(), "html", reader)
    untimed = {index for index, task in enumerate(reading.plan.care.tasks) if task.frequency is None}
    assert lost - {f"care.tasks[{index}].frequency.times" for index in untimed} == set()


# The letter to the physician


@pytest.mark.parametrize("record", EXAMPLES)
def test_the_letter_names_the_order_and_every_part(record: str) -> None:
    """The order it answers, and each part with its numbers and its HCPCS code."""
    plan = reading_of(record).plan
    page = told(reading_of(record), "physician")
    assert plan.order is not None
    assert plan.prosthesis is not None
    assert plan.order.identifier.value in page
    assert plan.order.diagnosis.code in page
    for part in plan.prosthesis.components:
        for text in (part.name, part.model, part.serial, part.lot, part.udi, part.hcpcs):
            assert text in page


def test_the_letter_asks_what_the_plan_gives_reason_for() -> None:
    """Driving, a missing therapist and a wound each lead to a question with a day; without them to none."""
    plan = reading_of("carla-diabetes-slow").plan
    assert plan.limb is not None
    without = told(Of(plan), "physician")
    assert "may drive" not in without
    assert "Order physical therapy" not in without
    assert "the wound" not in without
    advice = Advice(code="driving.left", text="Do not drive yet.", why="drives")
    asks = dataclasses.replace(
        plan,
        professionals=tuple(one for one in plan.professionals if one.role != "physical-therapist"),
        limb=dataclasses.replace(plan.limb, skin=("healed-wound",)),
        care=dataclasses.replace(plan.care, advice=(*plan.care.advice, advice)),
    )
    page = told(Of(asks), "physician")
    assert "may drive; the law where they live applies. before they drive" in page
    assert "Order physical therapy" in page
    assert "Look at the wound" in page
    assert plan.wear is not None
    assert f"{plan.wear.days[0].on:%b} {plan.wear.days[0].on.day}, {plan.wear.days[0].on.year}" in page


def test_the_letter_is_addressed_even_when_nobody_is_named() -> None:
    """A plan without a physician says that none is named."""
    assert "not named in this plan" in told(changed(EXAMPLES[0], professionals=()), "physician")


# The therapist's sheet


@pytest.mark.parametrize("record", EXAMPLES)
def test_the_load_table_read_back_is_the_plan(record: str) -> None:
    """Each row, spread over the days it stands for, has the day's sessions and its standing and walking."""
    wear = reading_of(record).plan.wear
    assert wear is not None
    page = str(render(reading_of(record), "html", "therapist", language="en"))
    body = page[page.index('<h2 id="load"') : page.index('<h2 id="stop"')]
    rows = re.findall(r"(?s)<tr>(.*?)</tr>", body[body.index("<tbody>") :])
    days = iter(wear.days)
    for row in rows:
        numbers = [int(n) for n in re.findall(r"\d+", text_of(row.split("</th>", 1)[0]))]
        times = re.findall(r'<time datetime="(PT[^"]*|\d\d:\d\d)"', row)
        for number in range(numbers[0], numbers[-1] + 1):
            day = next(days)
            assert wear.days.index(day) + 1 == number
            assert [t for t in times if ":" in t] == [f"{session.start:%H:%M}" for session in day.sessions]
            if day.sessions:
                assert times[-1] == iso(sum(s.standing + s.walking for s in day.sessions))
    assert next(days, None) is None


def iso(minutes: int) -> str:
    hours, rest = divmod(minutes, 60)
    return "PT" + (f"{hours}H" if hours else "") + (f"{rest}M" if rest or not hours else "")


@pytest.mark.parametrize("record", EXAMPLES)
def test_goals_stand_with_baseline_target_mdc_and_due_date(record: str) -> None:
    """Each target with its value and day; the change one can be sure of with where the figure comes from."""
    plan = reading_of(record).plan
    page = str(render(reading_of(record), "html", "therapist", language="en"))
    rows = page[page.index('<h2 id="goals"') :]
    for goal in plan.goals:
        for target in goal.targets:
            assert f'value="{target.value:f} {target.unit}"' in rows
            assert target.due is None or f'datetime="{target.due.isoformat()}"' in rows
            known = measures().get(target.measure)
            assert known is None or known.mdc is None or known.mdc_source in text_of(rows)
    for one in plan.measurements:
        assert f'value="{one.quantity.value:f} {one.quantity.unit}"' in rows


def test_a_measure_nobody_knows_is_shown_as_it_is() -> None:
    """Without a scale or a change held here the sheet says so, and makes nothing up."""
    one = Measurement(
        measure="one-leg-hop", quantity=Quantity(value=Decimal("1.20"), unit="m"), on=dt.date(2026, 11, 20)
    )
    page = told(changed(EXAMPLES[0], measurements=(one,)), "therapist")
    assert "one-leg-hop 1.20 meters on Nov 20, 2026 not recorded no value held here" in page


def test_numb_skin_is_a_precaution() -> None:
    """Reduced, absent or untested sensation: the therapist looks at the skin, whatever is felt."""
    plan = reading_of(EXAMPLES[0]).plan
    assert plan.limb is not None
    for sensation in ("reduced", "absent", "not-tested"):
        limb = dataclasses.replace(plan.limb, protective_sensation=sensation)
        assert "look at the skin yourself" in told(changed(EXAMPLES[0], limb=limb), "therapist")


# The clinic's record


@pytest.mark.parametrize("record", EXAMPLES)
def test_the_record_gives_every_reason(record: str) -> None:
    """Why each day, task, piece of advice and visit is as it is, and who set what otherwise."""
    plan = reading_of(record).plan
    assert plan.wear is not None
    page = told(reading_of(record), "clinic")
    reasons = [
        plan.wear.pace_why,
        *(day.why for day in plan.wear.days),
        *(task.why for task in plan.care.tasks),
        *(advice.why for advice in plan.care.advice),
        *(visit.why for visit in plan.visits),
        *(
            text
            for one in plan.wear.overrides
            for text in (one.setting, one.value, one.usual, one.reason, one.by)
        ),
        *plan.wear.binding,
    ]
    assert [reason for reason in reasons if " ".join(reason.split()) not in page] == []


def test_what_is_open_is_asked() -> None:
    """Each gap of a plan is a question of its own, and a gap that is closed is none."""
    plan = reading_of(EXAMPLES[0]).plan
    assert plan.limb is not None
    assert plan.prosthesis is not None
    assert plan.clinic is not None
    full = told(Of(plan), "clinic")
    gaps = {
        "Protective sensation has not been tested": {
            "limb": dataclasses.replace(plan.limb, protective_sensation="not-tested")
        },
        "The date of the amputation is not recorded": {
            "limb": dataclasses.replace(plan.limb, amputated_on=None, cause="trauma")
        },
        "a change of volume cannot be followed": {"limb": dataclasses.replace(plan.limb, measurements=())},
        "No physician's order is named": {"order": None},
        "Nobody is named as: physician": {
            "professionals": tuple(one for one in plan.professionals if one.role != "physician")
        },
        "No number is given for when the clinic is closed": {
            "clinic": dataclasses.replace(plan.clinic, after_hours_phone="")
        },
        "No goal is recorded": {"goals": ()},
        "Targets without a baseline": {"measurements": ()},
        "No serial, lot or UDI is recorded for: Knee": {
            "prosthesis": dataclasses.replace(
                plan.prosthesis,
                components=tuple(
                    dataclasses.replace(part, serial="", lot="", udi="") if part.kind == "knee" else part
                    for part in plan.prosthesis.components
                ),
            )
        },
        "Only one liner was issued": {
            "prosthesis": dataclasses.replace(
                plan.prosthesis,
                components=tuple(
                    dataclasses.replace(part, count=1) if part.kind == "liner" else part
                    for part in plan.prosthesis.components
                ),
            )
        },
    }
    for question, change in gaps.items():
        assert question not in full
        assert question in told(changed(EXAMPLES[0], **change), "clinic"), question


def test_the_record_counts_its_revisions_and_is_signed() -> None:
    """A third revision says that two stand before it; there are lines to sign."""
    page = told(changed(EXAMPLES[0], revision=3), "clinic")
    assert "2 earlier revisions" in page
    assert "Prosthetist, name and license" in page


def test_an_override_stands_with_its_reason_and_its_author() -> None:
    """What was set otherwise, from what, why and by whom."""
    plan = reading_of(EXAMPLES[0]).plan
    assert plan.wear is not None
    one = Override(
        setting="first_day_minutes", value="45", usual="30", reason="wore it in the clinic", by="R. Okafor"
    )
    page = told(changed(EXAMPLES[0], wear=dataclasses.replace(plan.wear, overrides=(one,))), "clinic")
    assert "first_day_minutes 45 30 wore it in the clinic R. Okafor" in page


# All of them


@pytest.mark.parametrize("reader", PROFESSIONALS)
def test_professionals_read_english_unless_asked(reader: Any) -> None:
    """The person's Spanish and large print are the person's; the letter follows only when it is asked to."""
    reading = reading_of("diego-spanish-large-print")
    page = str(render(reading, "html", reader))
    assert '<html lang="en-US" dir="ltr">' in page
    assert '<html lang="es-US" dir="ltr" class="large">' in str(
        render(reading, "html", reader, language="es", large_print=True)
    )


@pytest.mark.parametrize("reader", PROFESSIONALS)
@pytest.mark.parametrize("form", ["html", "txt"])
def test_a_guest_s_plan_makes_a_page(reader: Any, form: Any) -> None:
    """A bundle from elsewhere may hold a clinic, a name and a stop sign: what is absent is said."""
    whole = reading_of(EXAMPLES[0]).plan
    stop = WarningSign(code="blister", text="A blister", level="stop", call="same-day")
    guest = Plan(
        number="G-1",
        clinic=whole.clinic,
        patient=whole.patient,
        care=dataclasses.replace(whole.care, tasks=(), advice=(), signs=(stop,), sock_guide=()),
    )
    page = text_of(str(render(Of(guest), form, reader)))
    assert "not a prescription" in page
    assert whole.clinic is not None
    assert whole.clinic.phone in page


@pytest.mark.parametrize("reader", PROFESSIONALS)
@pytest.mark.parametrize("form", ["html", "txt"])
@pytest.mark.parametrize("language", ["en", "es"])
def test_cautions_and_contacts_stand_on_every_page(reader: Any, form: Any, language: str) -> None:
    """What this plan is not, who comes first, when to stop, the emergency number as the clinic set it."""
    whole = reading_of(EXAMPLES[0]).plan
    assert whole.clinic is not None
    clinic = dataclasses.replace(whole.clinic, emergency_phone="112", after_hours_phone="")
    page = text_of(str(render(changed(EXAMPLES[0], clinic=clinic), form, reader, language=language)))
    said = {
        "en": ("not a prescription", "comes first", "Stop if it hurts", "call 112", "DRAFT"),
        "es": ("no es una receta", "va primero", "duele", "112", "BORRADOR"),
    }
    missing = [words for words in said[language] if words not in page]
    assert missing == []


@pytest.mark.parametrize("reader", PROFESSIONALS)
def test_the_same_bundle_gives_the_same_page(reader: Any) -> None:
    """No clock, no chance."""
    assert render(reading_of(EXAMPLES[0]), "html", reader) == render(reading_of(EXAMPLES[0]), "html", reader)
