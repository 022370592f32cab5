"""From a bundle to what people hold in their hands: instructions, letters, sheets, and a calendar file.

``render`` and ``calendar`` read only what ``fhircare.bundle.read`` found in the bundle. No page is made
without its cautions, its stop rules and its contacts: after a page was filled it is read back, and a missing
one is an error.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol

from fhircare.errors import TemplateError
from fhircare.render.measure import measure
from fhircare.render.said import Said, Sentence, Value
from fhircare.render.templates import fill, folders, text_of, wrap
from fhircare.render.view import Asked, PageView, Readable, patient_view
from fhircare.render.view.clinic import clinic_view
from fhircare.render.view.guest import guest_of, guest_view
from fhircare.render.view.physician import physician_view
from fhircare.render.view.therapist import therapist_view
from fhircare.render.words import SOURCE, Words, choose, languages, locale_for

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Mapping

Form = Literal["html", "pdf", "txt"]
Reader = Literal["patient", "physician", "therapist", "clinic"]


class View(Protocol):
    """What every reader's view has."""

    @property
    def page(self) -> PageView:
        """The frame of the page."""

    @property
    def required(self) -> tuple[Said, ...]:
        """What must be found on the page after it was filled."""


@dataclass(frozen=True, slots=True)
class _Page:
    """How one reader's page is made: the view, and the stem of its templates."""

    view: Callable[[Readable, Words, Asked], View]
    template: str


READERS: Mapping[str, _Page] = {
    "patient": _Page(patient_view, "patient"),
    "physician": _Page(physician_view, "physician"),
    "therapist": _Page(therapist_view, "therapist"),
    "clinic": _Page(clinic_view, "clinic"),
}


def render(
    reading: Readable,
    form: Form = "html",
    reader: Reader = "patient",
    *,
    language: str | None = None,
    large_print: bool | None = None,
    on: dt.date | None = None,
    clinic_templates: str | Path | None = None,
) -> str | bytes:
    """Render one reader's page from a bundle that was read.

    Args:
        reading: What ``fhircare.bundle.read`` returned.
        form: ``html`` (one file that needs nothing else), ``pdf`` (PDF/UA-1) or ``txt`` (short lines).
        reader: Who reads it.
        language: BCP 47 tag; None for the language the bundle says the person reads (patient), or English.
        large_print: 18 points or more; None for what the bundle says the person asked for.
        on: The day that counts as today; None for the first day of the schedule.
        clinic_templates: A folder whose templates and words go before ours.

    Returns:
        HTML or plain text as ``str``, PDF as ``bytes``. The same bundle gives the same page.

    Raises:
        TemplateError: When a template or a sentence is missing, when the language asked for is not there, or
            when a caution, a stop rule or a contact would not be on the page.
    """
    places = folders(Path(clinic_templates) if clinic_templates is not None else None)
    page = READERS.get(reader)
    if page is None or form not in {"html", "pdf", "txt"}:
        raise TemplateError(f"there is no page for this reader or form — readers: {', '.join(READERS)}")
    words, wanted = _words(reading, reader, language, places)
    patient = reading.plan.patient
    if large_print is None:
        large_print = reader == "patient" and patient is not None and patient.large_print
    asked = Asked(form=form, on=on, large=large_print, wanted=wanted)
    if guest_of(reading) is not None:
        page = _Page(guest_view(reader), "guest")
    view = page.view(reading, words, asked)
    ending = "txt" if form == "txt" else "html"
    context: dict[str, Any] = {"view": view, "say": words.say, "form": form}
    filled = fill(places, f"{page.template}.{ending}.jinja", context)
    _verify(" ".join(filled.split()) if form == "txt" else text_of(filled), view.required)
    if form == "txt":
        return wrap(filled)
    if form == "pdf":
        from fhircare.render.pdf import STYLE, pdf

        return pdf(filled, next(place / STYLE for place in places if (place / STYLE).is_file()))
    return filled


def calendar(reading: Readable, *, language: str | None = None) -> bytes:
    """Write wear sessions, skin checks and visits as a calendar file (RFC 5545).

    What earlier revisions in the bundle planned and this one does not is in it as cancelled.

    Args:
        reading: What ``fhircare.bundle.read`` returned.
        language: BCP 47 tag; None for the language the bundle says the person reads.

    Raises:
        TemplateError: When the bundle names no clinic, or the language is not there; for a plan of another
            system, when it holds no visit that can be placed.
    """
    from fhircare.bundle.history import revisions
    from fhircare.render.ics import calendar_of

    words, _ = _words(reading, "patient", language, folders())
    guest = guest_of(reading)
    if guest is not None:
        from fhircare.render.guest_ics import guest_calendar

        return guest_calendar(guest, words)
    earlier = revisions(reading.bundle)[:-1] if reading.plan.revision > 1 else ()
    return calendar_of(reading, words, earlier)


def words_of(reading: Readable, reader: Reader = "patient", language: str | None = None) -> Words:
    """Return the words for a reader of this bundle, for whoever says something beside the pages.

    Args:
        reading: What ``fhircare.bundle.read`` returned.
        reader: Who reads it.
        language: BCP 47 tag; None for the language the bundle says the person reads (patient), or English.

    Raises:
        TemplateError: When the language asked for is not there.
    """
    return _words(reading, reader, language, folders())[0]


def _words(
    reading: Readable, reader: str, language: str | None, places: tuple[Path, ...]
) -> tuple[Words, str]:
    """The words of the page, and the language that was wanted."""
    found = languages(places)
    plan = reading.plan
    wanted = language
    if wanted is None:
        wanted = plan.patient.language if reader == "patient" and plan.patient is not None else SOURCE
    chosen = choose(found, wanted)
    if chosen is None:
        if language is not None:
            raise TemplateError(
                f"there is no catalog for this language — there are: {', '.join(sorted(found))}"
            )
        chosen = found[SOURCE]
    address = plan.clinic.address if plan.clinic is not None else None
    same = chosen.tag.split("-")[0] == wanted.replace("_", "-").split("-")[0].lower()
    locale = locale_for(
        wanted if same else chosen.tag, address.country.upper() if address is not None else ""
    )
    return Words(chosen, found[SOURCE], locale), wanted


def _verify(text: str, required: tuple[Said, ...]) -> None:
    """Read the page back: every caution, stop rule and contact must be there."""
    missing = [line for line in required if " ".join(str(line).split()) not in text]
    if missing:
        keys = {line.key if isinstance(line, Sentence) and line.key else "a contact" for line in missing}
        raise TemplateError(
            f"these must be on the page and are not: {', '.join(sorted(keys))} — "
            "put them back into the template"
        )


__all__ = [
    "READERS",
    "Asked",
    "Form",
    "Readable",
    "Reader",
    "Value",
    "View",
    "calendar",
    "measure",
    "render",
    "words_of",
]
