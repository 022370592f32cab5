"""The page for a plan that another system wrote: what could be read of it, and what could not.

One page for every reader: it retells, and claims nothing that the bundle does not say. It has the same duties
as ours: what it is not, when to stop, whom to call. Where the bundle names no phone, it says to ask for one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fhircare.render.said import Said, Sentence, Value, clean, shorten
from fhircare.render.view.page import Asked, PageView, Readable, page_view
from fhircare.render.view.record import joined
from fhircare.render.view.retell import label, title_of, told_words
from fhircare.render.view.unread import UnreadView, unread_view

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from fhircare.bundle.retold import Guest, Item
    from fhircare.render.words import Words


CAUTIONS = ("guest.other", "not", "first", "guest.stop")
"""What stands first on the page: what it is not, who comes first, and to stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineView:
    """One thing that was read: what it is called, and what it says, each with its label."""

    title: Said | None
    facts: tuple[tuple[Said, Said], ...]
    parts: tuple[LineView, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class GuestPart:
    """A part of the page: its name for anchors, its heading, what it says above its items, its items."""

    name: str
    heading: Sentence
    lead: Sentence | None
    items: tuple[LineView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProseView:
    """What the other system wrote in sentences."""

    heading: Said | None
    lines: tuple[Value, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GuestView:
    """The page.

    Attributes:
        page: The frame.
        born: The person's birth date, or None.
        about_heading: What stands above that.
        about: What the plan says of itself.
        cautions: What the page is not, and who comes first.
        stop: When to stop: first what the bundle's own safety flags say, then what holds for everybody.
        emergency: When to call the emergency number.
        contacts: Whom to call, a line each; never empty.
        parts: What was read, by part.
        prose: What the other system wrote in sentences.
        unread: What could not be read.
        required: What must be found on the page afterwards.
    """

    page: PageView
    born: Sentence | None
    about_heading: Sentence
    about: tuple[tuple[Said, Said], ...]
    cautions: tuple[Sentence, ...]
    stop: tuple[Said, ...]
    emergency: tuple[Sentence, ...]
    contacts: tuple[Said, ...]
    parts: tuple[GuestPart, ...]
    prose: tuple[ProseView, ...]
    unread: UnreadView
    required: tuple[Said, ...]


def guest_of(reading: Readable) -> Guest | None:
    """Return the retold plan of another system; None for one of ours, and for what was not read by us."""
    found: Guest | None = getattr(reading, "guest", None)
    return found


def guest_view(reader: str) -> Callable[[Readable, Words, Asked], GuestView]:
    """Return what builds a reader's page; professionals are also told where each unread thing stands."""

    def view(reading: Readable, words: Words, asked: Asked) -> GuestView:
        guest = guest_of(reading)
        if guest is None:
            raise ValueError("this plan is one of ours")
        return _view(guest, reader, reading, words, asked)

    return view


def _view(guest: Guest, reader: str, reading: Readable, words: Words, asked: Asked) -> GuestView:
    cautions = tuple(_say(f"caution.{key}", guest, words) for key in CAUTIONS)
    flags = [title_of(item, words) for item in guest.parts.get("signs", ())]
    stop = (*(flag for flag in flags if flag), *words.lines("call.guest.stop"))
    emergency = words.lines("call.guest.emergency")
    contacts = tuple(_contacts(guest, words)) or (words.say("contact.guest.none"),)
    page = _page(guest, reader, reading, words, asked)
    unread = unread_view(reading, words, places=reader != "patient")
    about = tuple(_facts(guest.about, words)) if guest.about else ()
    return GuestView(
        page=page,
        born=_born(guest, words),
        about_heading=_say("guest.about", guest, words),
        about=about,
        cautions=cautions,
        stop=stop,
        emergency=emergency,
        contacts=contacts,
        parts=tuple(_parts(guest, words)),
        prose=tuple(
            ProseView(
                heading=told_words(one.heading, words) if one.heading else None,
                lines=tuple(words.text(line, one.path, lang=one.language) for line in one.lines),
            )
            for one in guest.prose
        ),
        unread=unread,
        required=(*page.notices, *cautions, *stop, *emergency, *contacts, *unread.required),
    )


def _page(guest: Guest, reader: str, reading: Readable, words: Words, asked: Asked) -> PageView:
    """The frame: it gives no number and no revision, for those are ours."""
    page = page_view(reading, words, asked, _say(f"guest.title.{reader}", guest, words))
    person = told_words(guest.person, words) if guest.person else None
    named = title_of(guest.about, words) if guest.about else None
    return replace(
        page,
        title_line=str(page.title),
        status=_status(guest, words),
        running=str(words.say("caution.guest.running")),
        person=person if isinstance(person, Value) else None,
        clinic=named if isinstance(named, Value) else None,
        written=None,
    )


def _has_plan(guest: Guest) -> bool:
    return guest.unusable or (guest.about is not None and guest.about.kind == "CarePlan")


def _say(key: str, guest: Guest, words: Words) -> Sentence:
    """A sentence, in the form for a file without a plan where there is none and it has such a form."""
    return words.say(key if _has_plan(guest) or not words.has(f"{key}.file") else f"{key}.file")


def _status(guest: Guest, words: Words) -> Sentence | None:
    if guest.about is None or not _has_plan(guest):
        return words.say("caution.guest.unusable" if guest.unusable else "caution.guest.no-plan")
    told = {fact.element: fact.told for fact in guest.about.facts}
    status = str(told["status"].value) if "status" in told else "unknown"
    if status == "active":
        proposed = "intent" in told and told["intent"].value in {"proposal", "option"}
        return words.say("caution.draft") if proposed else None
    if status == "draft":
        return words.say("caution.draft")
    return words.say("caution.not-current", status=_code(status, words))


def _code(code: str, words: Words) -> Value:
    key = f"guest.code.{code}"
    return Value(str(words.say(key)) if words.has(key) else shorten(clean(code), 30), kind="text")


def _born(guest: Guest, words: Words) -> Sentence | None:
    if guest.born is None:
        return None
    return words.say("guest.born", day=told_words(guest.born, words))


def _parts(guest: Guest, words: Words) -> Iterator[GuestPart]:
    for part, items in guest.parts.items():
        lead = f"guest.part.{part}.lead"
        yield GuestPart(
            name=part,
            heading=_say(f"guest.part.{part}", guest, words),
            lead=words.say(lead) if words.has(lead) else None,
            items=tuple(_line(item, words, leave=("status",) if part == "do-not" else ()) for item in items),
        )


def _line(item: Item, words: Words, *, leave: tuple[str, ...] = ()) -> LineView:
    """One item; ``leave`` names elements that would mislead here: what is not to be done is not "planned"."""
    return LineView(
        title=title_of(item, words),
        facts=tuple(_facts(item, words, leave=leave)),
        parts=tuple(_line(part, words) for part in item.parts),
    )


def _facts(item: Item, words: Words, *, leave: tuple[str, ...] = ()) -> Iterator[tuple[Said, Said]]:
    for fact in item.facts:
        if fact.element in leave:
            continue
        yield label(fact.element, words), told_words(fact.told, words, element=fact.element)


def _contacts(guest: Guest, words: Words) -> Iterator[Said]:
    for contact in guest.contacts:
        phones = joined([words.phone(phone.value, phone.path) for phone in contact.phones], ", ")
        name = told_words(contact.name, words)
        if contact.role is None:
            yield words.say("contact.guest.phone", name=name, phone=phones)
        else:
            role = told_words(contact.role, words)
            yield words.say("contact.guest.role", name=name, role=role, phone=phones)
