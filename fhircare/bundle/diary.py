"""The patient's log as Observations, both ways.

=========================  =============================================================================
log entry                  FHIR Observation
=========================  =============================================================================
the day and who wrote it   panel ``day-log``: effectiveDateTime, issued, performer (what they are; then
                           the Practitioner, of a clinician who gave a name), hasMember, note
sessions[]                 ``wear-session`` each: valueQuantity minutes; components sitting, standing,
                           walking, skin, faded-after, site; device
pain                       LOINC 72514-3, 0 to 10
ply_morning, ply_evening   measure ``sock-ply``, component time-of-day
the rest                   components of the panel
what the plan asked for    basedOn of each, the wear request in force that day (``asked``)
=========================  =============================================================================

Nothing is overwritten: a correction is a new panel with status ``corrected`` and HL7's
``observation-replaces`` extension; the one before stays. What was not written down is not there: absence is
not zero.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

from fhircare.bundle import datatypes as fhir
from fhircare.bundle.datatypes import Json, extension, filled
from fhircare.bundle.located import Node, choice
from fhircare.bundle.narrative import facts, heading, narrative
from fhircare.log import LogEntry, LogSession, Skin
from fhircare.plan.team import members
from fhircare.spec import terms

if TYPE_CHECKING:
    from collections.abc import Iterator
    from decimal import Decimal

    from fhircare.bundle.asked import Asked
    from fhircare.bundle.draft import Draft
    from fhircare.bundle.source import Source

VALID = ("final", "corrected", "amended")
"""The statuses with which an entry counts."""
REPLACES = "http://hl7.org/fhir/StructureDefinition/observation-replaces"
_CHOICES = {"sweating": ("none", "some", "heavy"), "swelling": ("none", "some", "sudden")}
_COUNTS = ("falls",)
_TRUTHS = ("fall_hurt", "damage", "new_shoes", "released")
_MINUTES = ("sitting", "standing", "walking", "faded_after")
_AUTHORS = ("patient", "caregiver", "physical-therapist", "clinic")


def write_entry(
    draft: Draft, entry: LogEntry, *, version: int, replaces: str = "", asked: Asked | None = None
) -> Json:
    """Add an entry and return a reference to its panel.

    Args:
        draft: Where to; its ``subject`` and ``made`` refer to the person and the device.
        entry: What was written.
        version: 1 for the first of this day and author, one more for each correction.
        replaces: fullUrl of the panel this one corrects, "" for none.
        asked: What the plan in force asked for; None when nothing is known of it.
    """
    key = f"log/{entry.on.isoformat()}/{entry.author}/{version}"
    status = "corrected" if replaces else "final"
    members = [
        _write(draft, f"{key}/{name}", entry, status, body) for name, body in _members(draft, entry, asked)
    ]
    body = {
        "extension": [extension(REPLACES, "Reference", {"reference": replaces})] if replaces else [],
        "basedOn": asked.on(entry.on) if asked else [],
        "code": fhir.term("log", "day-log"),
        "hasMember": members,
        "component": list(_components(entry)),
        "note": [{"text": entry.comment}] if entry.comment else [],
    }
    return _write(draft, key, entry, status, body)


def _write(draft: Draft, key: str, entry: LogEntry, status: str, body: Json) -> Json:
    title = body["code"]["text"]
    said = narrative(heading(title), facts([("Day", entry.on.isoformat()), ("Written by", entry.author)]))
    whole = {
        **{name: body[name] for name in ("extension",) if name in body},
        "identifier": draft.own(key, lasting=True),
        "basedOn": body.get("basedOn"),
        "status": status,
        "category": [
            fhir.concept("", terms.coding("observation-category", "survey")),
            fhir.concept("", terms.coding("us-core-category", "functional-status")),
        ],
        "code": body["code"],
        "subject": draft.subject,
        "effectiveDateTime": entry.on.isoformat(),
        "issued": entry.written_at.isoformat(),
        "performer": _performers(draft, entry),
        **{name: value for name, value in body.items() if name not in ("extension", "basedOn", "code")},
    }
    return draft.add("Observation", key, filled(whole), text=said)


def _performers(draft: Draft, entry: LogEntry) -> list[Json]:
    """Return who wrote an entry: what they are first, then, of a clinician who gave a name, which one."""
    team = draft.plan.professionals
    keys = {"patient": "patient", "caregiver": "caregiver", "clinic": "clinic"}
    therapist = next((n for n, one in enumerate(team) if one.role == "physical-therapist"), None)
    key = keys.get(entry.author, "" if therapist is None else f"role/{therapist}")
    found = [{**draft.made.get(key, {}), "display": terms.display("log-author", entry.author)}]
    if entry.by:
        place = next(iter(members(team, entry.by)), None)
        found.append({**draft.made.get(f"practitioner/{place}", {}), "display": entry.by})
    return found


def _members(draft: Draft, entry: LogEntry, asked: Asked | None) -> Iterator[tuple[str, Json]]:
    day = asked.on(entry.on) if asked else []
    for number, session in enumerate(entry.sessions, 1):
        body = {
            "basedOn": asked.on(entry.on, number - 1) if asked else [],
            "code": fhir.term("log", "wear-session"),
            "valueQuantity": fhir.quantity(session.minutes, "min"),
            "device": draft.made.get("prosthesis"),
            "component": list(_session_components(session)),
        }
        yield f"session/{number}", filled(body)
    if entry.pain is not None:
        code = fhir.term("measure", "pain")
        code["coding"].insert(0, terms.coding("loinc", "72514-3"))
        yield "pain", {"basedOn": day, "code": code, "valueQuantity": fhir.quantity(entry.pain, "{score}")}
    for when, ply in (("morning", entry.ply_morning), ("evening", entry.ply_evening)):
        if ply is not None:
            body = {
                "basedOn": day,
                "code": fhir.term("measure", "sock-ply"),
                "valueQuantity": fhir.quantity(ply, "{ply}"),
                "component": [_component("time-of-day", valueString=when)],
            }
            yield f"ply/{when}", body


def _session_components(session: LogSession) -> Iterator[Json]:
    for name in _MINUTES:
        minutes = getattr(session, name)
        if minutes is not None:
            yield _component(name, valueQuantity=fhir.quantity(minutes, "min"))
    if session.skin is not None:
        yield _component("skin", valueCodeableConcept=fhir.term("skin-finding", session.skin))
    if session.site:
        yield _component("site", valueString=session.site)


def _components(entry: LogEntry) -> Iterator[Json]:
    for name in _CHOICES:
        if getattr(entry, name) is not None:
            yield _component(name, valueString=getattr(entry, name))
    for name in _COUNTS:
        if getattr(entry, name) is not None:
            yield _component(name, valueInteger=getattr(entry, name))
    for name in _TRUTHS:
        if getattr(entry, name) is not None:
            yield _component(name, valueBoolean=getattr(entry, name))
    if entry.liner:
        yield _component("liner", valueString=entry.liner)
    for sign in entry.signs:
        yield _component("sign", valueCodeableConcept=fhir.term("warning-sign", sign))


def _component(name: str, **value: Any) -> Json:
    return {"code": fhir.term("log", name.replace("_", "-")), **value}


# ---------------------------------------------------------------------------------------------- reading


def panels(source: Source) -> list[Node]:
    """Return the log's panels in the bundle, those that were corrected since left out."""
    found = [one for one in source.of_type("Observation") if _is(one, "day-log")]
    found = [one for one in found if one.word("status") in VALID]
    replaced = [source.resolve(one.extension(REPLACES).get("valueReference")) for one in found]
    gone = [id(one.value) for one in replaced if one is not None]
    return [one for one in found if id(one.value) not in gone]


def read_entries(source: Source) -> tuple[LogEntry, ...]:
    """Return the log in force, oldest first; a panel without its day or time of writing is named unread."""
    found = [entry for one in panels(source) if (entry := read_entry(source, one)) is not None]
    return tuple(sorted(found, key=lambda entry: (entry.on, entry.author, entry.written_at)))


def located_entries(source: Source) -> tuple[tuple[LogEntry, dict[str, str]], ...]:
    """Return the log in force, oldest first, each entry with the ``places`` it was read from."""
    found = [(entry, places(source, one)) for one in panels(source) if (entry := read_entry(source, one))]
    return tuple(sorted(found, key=lambda one: (one[0].on, one[0].author, one[0].written_at)))


def read_entry(source: Source, panel: Node) -> LogEntry | None:
    """Return the entry of a panel, None when its day or its time of writing cannot be read."""
    on, written = panel.date("effectiveDateTime").value, panel.instant("issued").value
    if on is None or written is None:
        source.skip(panel, "is a log of no day, or of no time of writing")
        return None
    members = [one for one in source.follow(panel.items("hasMember")) if one.kind == "Observation"]
    ply = {_text_of(one, "time-of-day"): _number(one) for one in members if _measures(one, "sock-ply")}
    author = choice(panel.first("performer").text("display").then(_author), _AUTHORS, "patient").value
    return LogEntry(
        on=on,
        written_at=written,
        author=author,
        by=(panel.items("performer")[1].text("display").value if len(panel.items("performer")) > 1 else ""),
        sessions=tuple(_read_session(one) for one in members if _is(one, "wear-session")),
        pain=next((_number(one) for one in members if _measures(one, "pain")), None),
        ply_morning=ply.get("morning"),
        ply_evening=ply.get("evening"),
        sweating=choice(_part(panel, "sweating").text("valueString"), _CHOICES["sweating"], None).value,
        swelling=choice(_part(panel, "swelling").text("valueString"), _CHOICES["swelling"], None).value,
        falls=_part(panel, "falls").integer("valueInteger").value,
        fall_hurt=_truth(panel, "fall-hurt"),
        damage=_truth(panel, "damage"),
        new_shoes=_truth(panel, "new-shoes"),
        released=_truth(panel, "released"),
        liner=_text_of(panel, "liner"),
        signs=tuple(
            code
            for part in _parts(panel, "sign")
            if (code := part.get("valueCodeableConcept").code_in("warning-sign").value)
        ),
        comment=panel.first("note").text("text").value,
    )


def places(source: Source, panel: Node) -> dict[str, str]:
    """Return the FHIRPath of what an entry was read from, by its place in the entry.

    The places are those of ``LogEntry``: ``on``, ``sessions[0].minutes``, ``pain``, ``signs[1]`` and so on;
    what was not written down has none.
    """
    members = [one for one in source.follow(panel.items("hasMember")) if one.kind == "Observation"]
    found = {"on": panel.get("effectiveDateTime")}
    for index, one in enumerate(one for one in members if _is(one, "wear-session")):
        found[f"sessions[{index}].minutes"] = one.get("valueQuantity").get("value")
        found[f"sessions[{index}].skin"] = _part(one, "skin").get("valueCodeableConcept")
        for name in _MINUTES:
            part = _part(one, name.replace("_", "-"))
            found[f"sessions[{index}].{name}"] = part.get("valueQuantity").get("value")
    for one in members:
        if _measures(one, "pain"):
            found.setdefault("pain", one.get("valueQuantity").get("value"))
        if _measures(one, "sock-ply"):
            found[f"ply_{_text_of(one, 'time-of-day')}"] = one.get("valueQuantity").get("value")
    found |= {name: _part(panel, name).get("valueInteger") for name in _COUNTS}
    for index, part in enumerate(_parts(panel, "sign")):
        found[f"signs[{index}]"] = part.get("valueCodeableConcept")
    found["released"] = _part(panel, "released").get("valueBoolean")
    performers = panel.items("performer")
    if len(performers) > 1:
        found["by"] = performers[1].get("display")
    return {place: node.path for place, node in found.items() if node}


def _read_session(one: Node) -> LogSession:
    def minutes(name: str) -> int | None:
        return _part(one, name).get("valueQuantity").integer("value").value

    return LogSession(
        minutes=_number(one) or 0,
        sitting=minutes("sitting"),
        standing=minutes("standing"),
        walking=minutes("walking"),
        skin=choice(
            _part(one, "skin").get("valueCodeableConcept").code_in("skin-finding"), get_args(Skin), None
        ).value,
        faded_after=minutes("faded-after"),
        site=_text_of(one, "site"),
    )


def _is(one: Node, code: str) -> bool:
    return one.get("code").code_in("log").value == code


def _measures(one: Node, code: str) -> bool:
    return one.get("code").code_in("measure").value == code


def _number(one: Node) -> int | None:
    value: Decimal | None = one.get("valueQuantity").decimal("value").value
    return None if value is None else int(value)


def _parts(one: Node, code: str) -> list[Node]:
    return [part for part in one.items("component") if part.get("code").code_in("log").value == code]


def _part(one: Node, code: str) -> Node:
    return next(iter(_parts(one, code)), Node(None, one.path))


def _text_of(one: Node, code: str) -> str:
    return _part(one, code).text("valueString").value


def _truth(one: Node, code: str) -> bool | None:
    value = _part(one, code).get("valueBoolean").value
    return value if isinstance(value, bool) else None


def _author(display: str) -> str:
    names = {terms.display("log-author", author): author for author in _AUTHORS}
    return names.get(display, "")
