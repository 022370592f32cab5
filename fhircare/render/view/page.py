"""What every page has: its language, its size, whose it is, and the notices that stand above all else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from babel import Locale

from fhircare.render.said import Said, Sentence, Value, clean, shorten

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Mapping

    from fhircare.plan import Plan
    from fhircare.render.words import Words

LETTER_COUNTRIES = frozenset({"US", "CA", "MX", "CL", "CO", "PH", "VE", ""})
"""Where paper is Letter; elsewhere it is A4 (common practice, no source). No country counts as the United
States.
"""


class Readable(Protocol):
    """A plan read from a bundle that remembers where each of its leaves came from."""

    @property
    def plan(self) -> Plan:
        """The plan."""

    @property
    def bundle(self) -> Mapping[str, Any]:
        """The bundle it was read from: the log stands there, beside the plan."""

    def source(self, place: str) -> str:
        """FHIRPath of the element that a place of the plan, such as ``clinic.phone``, came from, or ""."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the caller asked for, beside the bundle.

    Attributes:
        form: ``html``, ``pdf`` or ``txt``.
        on: The day that counts as today; None for the first day of the schedule.
        large: Large print.
        wanted: Language asked for, a BCP 47 tag; the page's language differs when no catalog has it.
    """

    form: str = "html"
    on: dt.date | None = None
    large: bool = False
    wanted: str = "en"


@dataclass(frozen=True, slots=True, kw_only=True)
class PageView:
    """The frame of a page.

    Attributes:
        lang: BCP 47 tag of the page.
        direction: ``ltr`` or ``rtl``.
        large: True for large print.
        paper: CSS page size, ``letter`` or ``A4``.
        title: Heading and document title.
        title_line: The title as it stands in the file's list of titles; never holds the person's name.
        synthetic: The sentence that the data are invented, or None.
        stop: The sentence that wear is stopped, or None; it stands before all else.
        status: The sentence that the plan is a draft or not in use, or None when it is in use.
        translation: What the reader has to know about the translation, or None.
        running: The caution at the foot of every printed page.
        foot: Plan number and revision.
        written: When it was written, or None.
        number: The plan's number.
        person: The person's name, or None.
        clinic: The clinic's name, or None.
    """

    lang: str
    direction: str
    large: bool
    paper: str
    title: Sentence
    title_line: str
    synthetic: Sentence | None
    stop: Sentence | None
    status: Sentence | None
    translation: Sentence | None
    running: str
    foot: Sentence
    written: Sentence | None
    number: Value
    revision: Sentence
    person: Value | None
    clinic: Value | None

    @property
    def notices(self) -> tuple[Sentence, ...]:
        """The notices that must be found on the page."""
        notices = (self.stop, self.synthetic, self.status, self.translation)
        return tuple(notice for notice in notices if notice is not None)


def page_view(
    reading: Readable, words: Words, asked: Asked, title: Sentence, *, draft: str = "caution.draft"
) -> PageView:
    """Build the frame that all readers' pages share; ``draft`` is the key of what a draft says of itself."""
    plan, source = reading.plan, reading.source
    country = (
        plan.clinic.address.country if plan.clinic is not None and plan.clinic.address is not None else ""
    )
    number = words.text(plan.number, source("number"))
    revision = words.number(plan.revision, source("revision"))
    clinic = words.text(plan.clinic.name, source("clinic.name")) if plan.clinic is not None else None
    person = (
        words.text(str(plan.patient.name), source("patient.name.family"))
        if plan.patient is not None
        else None
    )
    written = None
    if plan.written_at is not None:
        written = words.say(
            "page.written", day=words.date(plan.written_at.date(), source("written_at"), style="full")
        )
    return PageView(
        lang=words.tag,
        direction=words.direction,
        large=asked.large,
        paper="letter" if country.upper() in LETTER_COUNTRIES else "A4",
        title=title,
        title_line=" \N{EN DASH} ".join(
            [str(title), *([shorten(clinic.text, 60)] if clinic is not None else [])]
        ),
        synthetic=words.say("caution.synthetic") if plan.synthetic else None,
        stop=_stop(plan, words, source),
        status=_status(plan, words, source, draft),
        translation=_translation(words, asked),
        running=_running(plan, words),
        foot=words.say("page.foot", number=number, revision=revision),
        written=written,
        number=number,
        revision=words.say("page.revision", n=revision),
        person=person,
        clinic=clinic,
    )


def _stop(plan: Plan, words: Words, source: Callable[[str], str]) -> Sentence | None:
    """Wear that is stopped stays so until a clinician approves a plan with wear in it."""
    if plan.stopped_since is None:
        return None
    waits = plan.status == "draft" or plan.intent == "proposal"
    return words.say(
        "caution.stopped-waiting" if waits else "caution.stopped",
        day=words.date(plan.stopped_since, source("stopped_since")),
        phone=words.phone(plan.clinic.phone if plan.clinic is not None else "", source("clinic.phone")),
    )


def _status(plan: Plan, words: Words, source: Callable[[str], str], draft: str) -> Sentence | None:
    """A plan that no clinician has approved says so, and so does one that is no longer in use."""
    if plan.status == "draft" or plan.intent == "proposal":
        return words.say(draft)
    if plan.status == "active" or plan.stopped_since is not None:
        return None
    status = Value(str(words.say(f"status.{plan.status}")), source("status"), "number", plan.status)
    return words.say("caution.not-current", status=status)


def _translation(words: Words, asked: Asked) -> Sentence | None:
    wanted = asked.wanted.replace("_", "-").split("-")[0].lower()
    if wanted != words.language.tag.split("-")[0].lower():
        return words.say("caution.no-language", language=_language_name(asked.wanted))
    if words.language.tag == words.english.tag:
        return None
    if not words.language.reviewed_by:
        return words.say("caution.unreviewed")
    return words.say("caution.reviewed", by=words.language.reviewed_by, on=words.language.reviewed_on)


def _language_name(tag: str) -> Value:
    """A language by its own name, for the one who reads it; its tag where it has none here."""
    try:
        locale = Locale.parse(tag.replace("-", "_").split("_")[0])
    except ValueError:
        return Value(shorten(clean(tag), 20), kind="text")
    return Value(locale.display_name or tag, kind="text", lang=locale.language)


def _running(plan: Plan, words: Words) -> str:
    """The one line at the foot of every printed page; numbers are cut so that no bundle can fill the page."""
    if plan.clinic is None:
        return ""
    phone, emergency = shorten(clean(plan.clinic.phone), 30), shorten(clean(plan.clinic.emergency_phone), 20)
    if words.direction == "rtl":  # no element isolates a number at the foot of a sheet, so two characters do
        phone, emergency = (
            f"\N{LEFT-TO-RIGHT ISOLATE}{number}\N{POP DIRECTIONAL ISOLATE}" for number in (phone, emergency)
        )
    line = str(words.say("caution.running", phone=phone, emergency=emergency))
    if plan.stopped_since is not None:
        line = f"{words.say('caution.running-stopped')} {line}"
    elif plan.status == "draft" or plan.intent == "proposal":
        line = f"{words.say('caution.running-draft')} {line}"
    return line


Row = tuple[Said, ...]
"""Cells of a table row."""
