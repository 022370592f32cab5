"""The patient's instructions: what is on them, where it came from, and what they do with text nobody can
trust.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import re
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any, ClassVar

import pytest

from fhircare.errors import TemplateError
from fhircare.render import render
from fhircare.render.templates import TEXT_WIDTH, text_of
from tests.conftest import EXAMPLES, reading_of

if TYPE_CHECKING:
    from pathlib import Path

    from fhircare.plan import Plan, Visit, WearDay
    from tests.golden import Golden


class Of:
    """A plan as if read from a bundle; places stand for FHIR paths."""

    bundle: ClassVar[dict[str, str]] = {"resourceType": "Bundle", "type": "collection"}

    def __init__(self, plan: Plan) -> None:
        self.plan = plan

    @staticmethod
    def source(place: str) -> str:
        return place


def changed(record: str, **changes: Any) -> Of:
    return Of(dataclasses.replace(reading_of(record).plan, **changes))


class DayTable(HTMLParser):
    """Reads the day table back: for each row its date and its (start, end, length) texts, machine and
    human.
    """

    def __init__(self, page: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.inside = self.row = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        facts = dict(attrs)
        self.inside |= tag == "table" and facts.get("class") == "days"
        if self.inside and tag == "tr":
            self.rows.append([])
        if self.inside and tag == "time":
            self.rows[-1].append(str(facts["datetime"]))

    def handle_endtag(self, tag: str) -> None:
        self.inside &= tag != "table"


def iso(minutes: int) -> str:
    hours, rest = divmod(minutes, 60)
    return "PT" + (f"{hours}H" if hours else "") + (f"{rest}M" if rest or not hours else "")


@pytest.mark.parametrize("record", EXAMPLES)
@pytest.mark.parametrize("form", ["html", "txt"])
def test_the_page_is_the_one_that_was_read(record: str, form: Any, golden: Golden) -> None:
    """Each example's page is its golden page, in the person's own language and print size. Paths into the
    bundle are left out here: they have tests of their own.
    """
    page = str(render(reading_of(record), form))
    golden.same(f"{record}.patient.{form}", re.sub(r' data-source="[^"]*"', "", page))


def splits_of(day: WearDay) -> list[tuple[int, ...]]:
    return [(one.minutes, one.sitting, one.standing, one.walking) for one in day.sessions]


@pytest.mark.parametrize("record", EXAMPLES)
def test_the_day_table_read_back_is_the_plan(record: str) -> None:
    """Every date, start, end and length in the table is the schedule's, and none is missing; how to spend the
    time stands on each day on which it is not as on the day before.
    """
    wear = reading_of(record).plan.wear
    assert wear is not None
    expected = []
    before: list[tuple[int, ...]] = []
    for day in wear.days:
        row = [day.on.isoformat()]
        if len(day.sessions) > 1:
            row.append(iso(day.minutes))
        for session in day.sessions:
            end = dt.datetime.combine(day.on, session.start) + dt.timedelta(minutes=session.minutes)
            row += [session.start.strftime("%H:%M"), end.strftime("%H:%M"), iso(session.minutes)]
            if splits_of(day) != before:
                row += [iso(session.sitting), iso(session.standing), iso(session.walking)]
        before = splits_of(day)
        expected.append(row)

    assert [row for row in DayTable(str(render(reading_of(record)))).rows if row] == expected


@pytest.mark.parametrize("record", EXAMPLES)
def test_every_value_names_its_place_in_the_bundle(record: str) -> None:
    """Every element that holds a value has a data-source, and every data-source is a path in the bundle."""
    page = str(render(reading_of(record)))
    bare = [
        found
        for found in re.findall(r"<(?:time|data|bdi|a href=\"tel:)[^>]*>", page)
        if "data-source" not in found
    ]
    # The number inside a telephone link is marked by the link.
    assert {found for found in bare if found != '<bdi dir="ltr">'} == set()
    for path in re.findall(r'data-source="([^"]*)"', page):
        assert path.startswith("Bundle.entry["), path


@pytest.mark.parametrize(
    ("record", "there", "absent"),
    [
        ("anna-first-locking", "pin", "cord"),
        ("diego-spanish-large-print", "cordón", "perno"),
        ("ben-replacement-socket", "valve", "pin must"),
        ("carla-diabetes-slow", "belt", "click"),
    ],
)
def test_advice_is_for_this_liner_and_suspension_only(record: str, there: str, absent: str) -> None:
    """Pin advice never reaches a lanyard, nor the other way round."""
    page = str(render(reading_of(record)))
    steps = text_of(page[page.index('<h2 id="don"') : page.index('<h2 id="skin"')])

    assert there in steps
    if record != "anna-first-locking":  # a sock's hole lets the pin or cord through, in one sentence for both
        assert not re.search(rf"\b{absent}\b", steps.replace("perno o el cordón", ""))


def test_today_is_the_day_that_is_given() -> None:
    """Without a day the page opens on the first; before and after the schedule it says so; it never asks
    a clock.
    """
    anna = reading_of("anna-first-locking")
    assert anna.plan.wear is not None
    first, last = anna.plan.wear.days[0].on, anna.plan.wear.days[-1].on

    assert "Day 1 of 21" in text_of(str(render(anna)))
    assert "Day 3 of 21" in text_of(str(render(anna, on=first + dt.timedelta(days=2))))
    assert "Your first day is Wednesday, November 18" in text_of(str(render(anna, on=dt.date(2026, 11, 1))))
    assert "Your table ended on" in text_of(str(render(anna, on=last + dt.timedelta(days=1))))


def test_a_draft_says_so_and_an_approved_plan_does_not() -> None:
    """Until a clinician approves, every page is a draft; a plan no longer in use says that instead."""
    draft = text_of(str(render(reading_of("anna-first-locking"))))
    active = text_of(str(render(changed("anna-first-locking", status="active", intent="plan"))))
    revoked = text_of(str(render(changed("anna-first-locking", status="revoked", intent="plan"))))

    assert "A clinician has not approved this plan yet" in draft
    assert "DRAFT" not in active
    assert "This plan is not in use now (taken back)" in revoked


def test_print_size_and_language_follow_the_bundle_and_the_caller_goes_first() -> None:
    """Diego reads Spanish in large print; the caller may ask otherwise."""
    diego = reading_of("diego-spanish-large-print")

    assert '<html lang="es-US" dir="ltr" class="large"' in str(render(diego))
    assert '<html lang="en-US" dir="ltr">' in str(render(diego, language="en", large_print=False))


def test_a_language_nobody_wrote_is_refused_when_asked_for_and_owned_up_to_when_not() -> None:
    """Asked for by the caller it is an error; read from the bundle the page says that it is not in that
    language.
    """
    anna = reading_of("anna-first-locking")
    assert anna.plan.patient is not None
    viet = changed("anna-first-locking", patient=dataclasses.replace(anna.plan.patient, language="vi"))

    with pytest.raises(TemplateError, match="there are: en, es"):
        render(anna, language="vi")
    assert "These pages are not written in Tiếng Việt" in text_of(str(render(viet)))


def test_what_is_absent_is_not_printed() -> None:
    """No socks, no visits, no goals, no shoes: no empty heading; no number for the night is said to be
    absent.
    """
    anna = reading_of("anna-first-locking").plan
    assert anna.clinic is not None
    page = text_of(
        str(
            render(
                changed(
                    "anna-first-locking",
                    socks=None, goals=(), visits=(), order=None, limb=None,
                    clinic=dataclasses.replace(anna.clinic, after_hours_phone="", email="", address=None),
                )
            )
        )
    )  # fmt: skip

    assert "Socks you have" not in page
    assert "What you work toward" not in page
    assert "This plan holds no visits" in page
    assert "This plan has no number for when the clinic is closed." in page
    assert "None" not in page


@pytest.mark.parametrize("form", ["html", "txt"])
def test_no_page_without_a_phone_or_a_stop_rule(form: Any) -> None:
    """A bundle without a contact, or without one sign to stop for, makes no page."""
    care = dataclasses.replace(reading_of("anna-first-locking").plan.care, signs=())

    with pytest.raises(TemplateError, match="no clinic phone"):
        render(changed("anna-first-locking", clinic=None), form)
    with pytest.raises(TemplateError, match="no sign to stop for"):
        render(changed("anna-first-locking", care=care), form)


def test_a_clinics_template_cannot_drop_a_caution(tmp_path: Path) -> None:
    """A clinic may change the page; a page that lost its stop rules, cautions or numbers is refused, and
    told which.
    """
    anna = reading_of("anna-first-locking")
    (tmp_path / "patient.html.jinja").write_text(
        '{% extends "base/page.html.jinja" %}{% block main %}<p>Nothing here.</p>{% endblock %}',
        encoding="utf-8",
    )
    with pytest.raises(TemplateError, match=r"caution\.not.*sign\.blister"):
        render(anna, clinic_templates=tmp_path)

    (tmp_path / "patient.html.jinja").write_text(
        '{% extends "base/page.html.jinja" %}{% block main %}<p>{{ view.nothing }}</p>{% endblock %}',
        encoding="utf-8",
    )
    with pytest.raises(TemplateError, match="nothing"):
        render(anna, clinic_templates=tmp_path)


def test_a_clinic_overrides_one_part(tmp_path: Path) -> None:
    """One file in the clinic's folder replaces one part; the rest stays."""
    part = tmp_path / "parts" / "patient" / "device.html.jinja"
    part.parent.mkdir(parents=True)
    part.write_text("<p>Our own words about the parts.</p>", encoding="utf-8")
    page = text_of(str(render(reading_of("anna-first-locking"), clinic_templates=tmp_path)))

    assert "Our own words about the parts." in page
    assert "Say it back" not in page
    assert "Keep this on the fridge" in page


EVIL = (
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)> 'or' 1=1",
    "</style><style>*{display:none}",
    "{{ 7*7 }}{% raw %}{phone}",
    "\u202eevil\u202c\u2066\x00\x1b[31m\u200f",
    "A" * 10_000,
)


@pytest.mark.parametrize("evil", EVIL)
def test_text_of_the_bundle_executes_nothing_and_turns_nothing(evil: str) -> None:
    """Markup, template braces, direction marks, controls and 10,000 letters stay text in every place they
    can stand.
    """
    plan = reading_of("anna-first-locking").plan
    assert plan.clinic is not None
    assert plan.clinic.address is not None
    assert plan.patient is not None
    assert plan.prosthesis is not None
    care = plan.care
    nasty = Of(
        dataclasses.replace(
            plan,
            number=evil,
            clinic=dataclasses.replace(
                plan.clinic, name=evil, phone=f"{evil} 815-555-0140", emergency_phone=f"911{evil}",
                email=evil,
                address=dataclasses.replace(plan.clinic.address, lines=(evil,), city=evil),
            ),
            patient=dataclasses.replace(
                plan.patient, name=dataclasses.replace(plan.patient.name, family=evil)
            ),
            prosthesis=dataclasses.replace(
                plan.prosthesis,
                components=tuple(
                    dataclasses.replace(part, name=evil, serial=evil) for part in plan.prosthesis.components
                ),
            ),
            goals=tuple(dataclasses.replace(goal, text=evil) for goal in plan.goals),
            visits=tuple(dataclasses.replace(visit, kinds=(evil,)) for visit in plan.visits),
            care=dataclasses.replace(
                care,
                tasks=tuple(dataclasses.replace(task, code=f"x{evil}", text=evil) for task in care.tasks),
                advice=tuple(
                    dataclasses.replace(advice, code=f"x{evil}", text=evil) for advice in care.advice
                ),
                signs=(
                    *care.signs,
                    dataclasses.replace(care.signs[0], code=f"x{evil}", text=evil, level="stop"),
                ),
            ),
        )
    )  # fmt: skip
    clean = str(render(reading_of("anna-first-locking")))
    page = str(render(nasty))

    assert "<script" not in page
    assert "<img" not in page
    assert page.count("<style>") == page.count("</style>") == 1
    assert not re.search("[\x00-\x08\x1b\u200e\u200f\u202a-\u202e\u2066-\u2069]", page)
    assert set(re.findall(r"<(\w+)", page)) <= set(re.findall(r"<(\w+)", clean)) | {"bdi"}
    assert not re.search(r"\son\w+=", re.sub(r'"[^"]*"', "", "".join(re.findall(r"<[^>]*>", page))))
    if "7*7" in evil:
        assert "{{ 7*7 }}" in page
    text = str(render(nasty, "txt"))
    assert max(map(len, text.splitlines())) <= TEXT_WIDTH


@pytest.mark.parametrize("record", EXAMPLES)
def test_plain_text_has_short_lines_and_no_markup(record: str) -> None:
    """Lines fit a telephone; no tag, no entity, no blank run."""
    text = str(render(reading_of(record), "txt"))

    assert max(map(len, text.splitlines())) <= TEXT_WIDTH
    assert not re.search(r"<\w|&\w+;|\n\n\n", text)


def test_a_stop_without_a_call_still_means_to_call() -> None:
    """A foreign bundle's stop sign that names no call is shown with a call the same day."""
    plan = reading_of("anna-first-locking").plan
    sign = dataclasses.replace(
        plan.care.signs[0], code="foreign", text="Foreign stop", level="stop", call="none"
    )
    page = text_of(
        str(render(changed("anna-first-locking", care=dataclasses.replace(plan.care, signs=(sign,)))))
    )

    assert page.index("Call the same day") < page.index("Foreign stop")


def test_visits_stand_in_order_and_the_next_is_the_next() -> None:
    """A cancelled visit is never the next one."""
    record = "anna-first-locking"
    plan = reading_of(record).plan
    first, *rest = sorted(plan.visits, key=lambda visit: visit.start)
    cancelled: tuple[Visit, ...] = (*rest, dataclasses.replace(first, status="cancelled"))
    page = text_of(str(render(changed(record, visits=cancelled))))

    assert f"Next visit: {rest[0].start:%A, %B %-d, %Y}" in page


def test_the_same_bundle_gives_the_same_page() -> None:
    """No clock, no chance."""
    assert render(reading_of("anna-first-locking")) == render(reading_of("anna-first-locking"))
