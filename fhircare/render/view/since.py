"""What was logged since the last visit, for those who see the person next; nothing when nothing was."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fhircare.bundle.logbook import log_of
from fhircare.render.view.record import Fact, Section, joined

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator, Sequence

    from fhircare.log import LogEntry
    from fhircare.render.said import Said
    from fhircare.render.view.record import Teller

_QUIET = ("clear", "marks")
_TO = " \u2013 "


def since_section(tell: Teller) -> Section:
    """Return the section "since last time", empty without a log."""
    words = tell.words
    heading = words.say("since.heading")
    entries = log_of(tell.reading.bundle)
    if not entries:
        return Section(heading=heading)
    since = _last_visit(tell, entries)
    told = [entry for entry in entries if since is None or entry.on >= since]
    return Section(heading=heading, facts=tuple(_facts(tell, told)))


def _last_visit(tell: Teller, entries: Sequence[LogEntry]) -> dt.date | None:
    """Return the day of the last visit that lies among the entries, None when there was none."""
    last = entries[-1].on
    past = [v.start.date() for v in tell.plan.visits if v.status in ("booked", "fulfilled")]
    return max((day for day in past if day <= last), default=None)


def _facts(tell: Teller, told: Sequence[LogEntry]) -> Iterator[Fact]:
    words = tell.words

    def fact(key: str, value: Said) -> Fact:
        return Fact(label=words.say(f"since.{key}"), value=value)

    first, last = told[0].on, told[-1].on
    span = [words.date(day, style="medium") for day in dict.fromkeys((first, last))]
    days = {entry.on for entry in told}
    asked = (last - first).days + 1
    yield fact("days", words.say("since.days-of", n=words.number(len(days)), of=words.number(asked)))
    yield fact("span", joined(span, _TO))
    planned = {day.on: day.minutes for day in (tell.plan.wear.days if tell.plan.wear else ())}
    worn = {on: min(e.minutes for e in told if e.on == on and e.sessions) for on in _worn(told)}
    if worn:
        both = {on: planned[on] for on in worn if on in planned}
        yield fact("worn", words.length(sum(worn.values())))
        if both:
            yield fact("planned", words.length(sum(both.values())))
    seen = [s.skin for entry in told for s in entry.sessions if s.skin and s.skin not in _QUIET]
    if seen:
        found = [words.say(f"since.skin.{skin}") for skin in dict.fromkeys(seen)]
        yield fact("skin", words.join(found))
    elif any(s.skin for entry in told for s in entry.sessions):
        yield fact("skin", words.say("since.skin.none"))
    signs = list(dict.fromkeys(sign for entry in told for sign in entry.signs))
    if signs:
        texts = {sign.code: sign.text for sign in tell.plan.care.signs}
        yield fact("signs", joined([words.text(texts.get(code, code), lang="en") for code in signs], "; "))
    pains = [entry.pain for entry in told if entry.pain is not None]
    if pains:
        yield fact("pain", words.number(max(pains)))
    falls = [entry.falls for entry in told if entry.falls is not None]
    if falls:
        yield fact("falls", words.number(sum(falls)))
    ply = [entry.ply_morning for entry in told if entry.ply_morning is not None]
    if ply:
        yield fact("ply", words.say("since.ply-from", first=words.number(ply[0]), last=words.number(ply[-1])))


def _worn(told: Sequence[LogEntry]) -> list[dt.date]:
    return list(dict.fromkeys(entry.on for entry in told if entry.sessions))
