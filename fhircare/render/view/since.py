"""What was logged since the last visit, for those who see the person next; nothing when nothing was."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from fhircare.bundle.diary import located_entries
from fhircare.bundle.source import Source
from fhircare.render.view.record import Fact, Section, joined

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from fhircare.log import LogEntry
    from fhircare.render.said import Said
    from fhircare.render.view.record import Teller

_QUIET = ("clear", "marks")
_TO = " \u2013 "


class _Told(NamedTuple):
    """An entry of the log, and the FHIRPath of each of its leaves."""

    entry: LogEntry
    places: Mapping[str, str]


class _Value(NamedTuple):
    """One value that was written down, and the FHIRPath it stands at."""

    on: dt.date
    value: int
    path: str


def since_section(tell: Teller) -> Section:
    """Return the section "since last time", empty without a log.

    What is reckoned from several values names them all: ``|`` is FHIRPath's own union.
    """
    heading = tell.words.say("since.heading")
    log = [_Told(*one) for one in located_entries(Source(tell.reading.bundle))]
    if not log:
        return Section(heading=heading)
    since = _last_visit(tell, log[-1].entry.on)
    told = [one for one in log if since is None or one.entry.on >= since]
    facts = (
        _days(tell, told), _worn(tell, told), _skin(tell, told), _redness(tell, told), _signs(tell, told),
        _released(tell, told), _counts(tell, told),
    )  # fmt: skip
    return Section(heading=heading, facts=tuple(fact for group in facts for fact in group))


def _last_visit(tell: Teller, last: dt.date) -> dt.date | None:
    """Return the day of the last visit up to the last entry, None when there was none."""
    past = [v.start.date() for v in tell.plan.visits if v.status in ("booked", "fulfilled")]
    return max((day for day in past if day <= last), default=None)


def _fact(tell: Teller, key: str, value: Said) -> Fact:
    return Fact(label=tell.words.say(f"since.{key}"), value=value)


def _days(tell: Teller, told: Sequence[_Told]) -> Iterator[Fact]:
    words = tell.words
    where = {one.entry.on: one.places.get("on", "") for one in told}
    first, last = min(where), max(where)
    count = words.number(len(where), _all(where.values()))
    asked = words.number((last - first).days + 1, _all((where[first], where[last])))
    yield _fact(tell, "days", words.say("since.days-of", n=count, of=asked))
    span = [words.date(day, where[day], style="medium") for day in dict.fromkeys((first, last))]
    yield _fact(tell, "span", joined(span, _TO))


def _worn(tell: Teller, told: Sequence[_Told]) -> Iterator[Fact]:
    """The time worn and the time planned, over the same days; of two who wrote a day, the lower counts."""
    words, wear = tell.words, tell.plan.wear
    worn: dict[dt.date, tuple[int, str]] = {}
    for entry, places in told:
        if entry.sessions:
            path = _all(places.get(f"sessions[{index}].minutes", "") for index in range(len(entry.sessions)))
            worn[entry.on] = min(worn.get(entry.on, (entry.minutes, path)), (entry.minutes, path))
    if not worn:
        return
    total = sum(minutes for minutes, _ in worn.values())
    yield _fact(tell, "worn", words.length(total, _all(path for _, path in worn.values())))
    planned = [(index, day) for index, day in enumerate(wear.days if wear else ()) if day.on in worn]
    if planned:
        paths = (
            tell.source(f"wear.days[{index}].sessions[{number}].minutes")
            for index, day in planned
            for number in range(len(day.sessions))
        )
        yield _fact(tell, "planned", words.length(sum(day.minutes for _, day in planned), _all(paths)))


def _skin(tell: Teller, told: Sequence[_Told]) -> Iterator[Fact]:
    """What was seen on the skin, each finding once, naming every session it was seen after."""
    words = tell.words
    seen: dict[str, list[str]] = {}
    for entry, places in told:
        for index, session in enumerate(entry.sessions):
            if session.skin:
                seen.setdefault(session.skin, []).append(places.get(f"sessions[{index}].skin", ""))
    found = [code for code in seen if code not in _QUIET]
    if found:
        said = [words.coded("since.skin", code, code, _all(seen[code])) for code in found]
        yield _fact(tell, "skin", words.join(said))
    elif seen:
        paths = _all(path for paths in seen.values() for path in paths)
        yield _fact(tell, "skin", words.coded("since.skin", "none", "none", paths))


def _redness(tell: Teller, told: Sequence[_Told]) -> Iterator[Fact]:
    """How long redness took to go at the worst: beyond the plan's limit it stopped wear."""
    found = [
        _Value(entry.on, session.faded_after, places.get(f"sessions[{index}].faded_after", ""))
        for entry, places in told
        for index, session in enumerate(entry.sessions)
        if session.skin == "redness" and session.faded_after is not None
    ]
    if found:
        worst = max(found, key=lambda one: one.value)
        yield _fact(tell, "redness", tell.words.length(worst.value, worst.path))


def _released(tell: Teller, told: Sequence[_Told]) -> Iterator[Fact]:
    """When a clinician let wear begin again after a stop, and who."""
    words = tell.words
    said = [
        words.say(
            "since.released-by",
            day=words.date(
                entry.on, _all((places.get("on", ""), places.get("released", ""))), style="medium"
            ),
            by=words.text(entry.by, places.get("by", "")),
        )
        for entry, places in told
        if entry.released
    ]
    if said:
        yield _fact(tell, "released", joined(said, "; "))


def _signs(tell: Teller, told: Sequence[_Told]) -> Iterator[Fact]:
    texts = {sign.code: sign.text for sign in tell.plan.care.signs}
    where: dict[str, list[str]] = {}
    for entry, places in told:
        for index, code in enumerate(entry.signs):
            where.setdefault(code, []).append(places.get(f"signs[{index}]", ""))
    if where:
        said = [
            tell.words.text(texts.get(code, code), _all(paths), lang="en") for code, paths in where.items()
        ]
        yield _fact(tell, "signs", joined(said, "; "))


def _counts(tell: Teller, told: Sequence[_Told]) -> Iterator[Fact]:
    """Worst pain, all falls, and the ply of the first and the last morning."""
    words = tell.words
    pains, falls, ply = (_values(told, name) for name in ("pain", "falls", "ply_morning"))
    if pains:
        worst = max(pains, key=lambda one: one.value)
        yield _fact(tell, "pain", words.number(worst.value, worst.path))
    if falls:
        total = sum(one.value for one in falls)
        yield _fact(tell, "falls", words.number(total, _all(one.path for one in falls)))
    if ply:
        ends = {"first": ply[0], "last": ply[-1]}
        said = {name: words.number(one.value, one.path) for name, one in ends.items()}
        yield _fact(tell, "ply", words.say("since.ply-from", **said))


def _values(told: Sequence[_Told], name: str) -> list[_Value]:
    values = ((one, getattr(one.entry, name)) for one in told)
    return [
        _Value(one.entry.on, value, one.places.get(name, "")) for one, value in values if value is not None
    ]


def _all(paths: Iterable[str]) -> str:
    return " | ".join(dict.fromkeys(path for path in paths if path))
