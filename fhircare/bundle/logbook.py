"""The log inside a bundle: entries read, and taken in without ever overwriting one.

An entry is known by its day and its author. The same entry again changes nothing; another one for the same
day by the same author is a correction, and stands beside what it corrects.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from fhircare.bundle.asked import Asked
from fhircare.bundle.careplan import unshared
from fhircare.bundle.diary import REPLACES, VALID, read_entries, read_entry, write_entry
from fhircare.bundle.draft import Draft
from fhircare.bundle.located import Node
from fhircare.bundle.source import Source
from fhircare.errors import Fault, LogError
from fhircare.spec import terms

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator, Mapping

    from fhircare.bundle.datatypes import Json
    from fhircare.log import LogEntry
    from fhircare.plan import Plan

_LIVING = (
    ("Patient", "patient"), ("Organization", "clinic"), ("RelatedPerson", "caregiver"),
    ("Device", "prosthesis"), ("CarePlan", "plan"),
)  # fmt: skip
_CLINICIANS = (("Practitioner", "practitioner"), ("PractitionerRole", "role"))
"""What additions to a bundle refer to."""


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of the entries that were to be taken in.

    Attributes:
        bundle: The bundle with them.
        new: Days that were not there before.
        corrected: Entries that correct one that stood there.
        unchanged: Entries that were there already.
    """

    bundle: Json
    new: tuple[LogEntry, ...] = ()
    corrected: tuple[LogEntry, ...] = ()
    unchanged: tuple[LogEntry, ...] = ()


@dataclass(frozen=True, slots=True)
class _Panel:
    """An entry as it stands in the bundle."""

    entry: LogEntry
    url: str
    in_force: bool


def log_of(bundle: Mapping[str, Any]) -> tuple[LogEntry, ...]:
    """Return the log in force, oldest first; corrected entries are left out."""
    return read_entries(Source(bundle))


def take_log(bundle: Mapping[str, Any], plan: Plan, entries: Iterable[LogEntry]) -> Taken:
    """Return the bundle with the entries taken in.

    Args:
        bundle: The bundle so far; it is not changed.
        plan: The plan read from it.
        entries: What was written down.

    Raises:
        LogError: When an entry is older than the one that stands for its day and author; nothing is taken.
    """
    known: dict[tuple[dt.date, str], list[_Panel]] = {}
    entries = list(entries)
    for panel in _panels(bundle, {entry.on for entry in entries}):
        known.setdefault((panel.entry.on, panel.entry.author), []).append(panel)
    draft, asked = draft_on(bundle, plan), Asked(bundle)
    new: list[LogEntry] = []
    corrected: list[LogEntry] = []
    unchanged: list[LogEntry] = []
    for entry in sorted(entries, key=lambda one: (one.on, one.written_at)):
        versions = known.setdefault((entry.on, entry.author), [])
        last = next((one for one in versions if one.in_force), None)
        if _is_known(entry, versions, last):
            unchanged.append(entry)
            continue
        if last is not None and entry.written_at < last.entry.written_at:
            raise LogError(_older(entry))
        url = last.url if last is not None else ""
        reference = write_entry(draft, entry, version=len(versions) + 1, replaces=url, asked=asked)
        (corrected if last is not None else new).append(entry)
        versions[:] = [replace(one, in_force=False) for one in versions]
        versions.append(_Panel(entry, reference["reference"], in_force=True))
    grown = {**bundle, "entry": [*bundle.get("entry", []), *unshared(draft.entries)]}
    return Taken(grown, tuple(new), tuple(corrected), tuple(unchanged))


def _is_known(entry: LogEntry, versions: list[_Panel], last: _Panel | None) -> bool:
    """The same words written at another time say nothing new; an old entry read in again neither."""
    if any(one.entry == entry for one in versions):
        return True
    return last is not None and replace(last.entry, written_at=entry.written_at) == entry


def _older(entry: LogEntry) -> Fault:
    return Fault(
        f"on {entry.on.isoformat()}",
        f"a later entry of this day by the {entry.author} stands already",
        "to correct it, write the day again with the time of the correction",
    )


def draft_on(bundle: Mapping[str, Any], plan: Plan) -> Draft:
    """Return an empty draft whose references lead to what the bundle holds already."""
    draft = Draft(plan)
    urls = {entry.get("fullUrl") for entry in bundle.get("entry", [])}
    team = range(len(plan.professionals))
    people = [(kind, f"{key}/{n}") for n in team for kind, key in _CLINICIANS]
    for kind, key in (*_LIVING, *people):
        url = draft.names.full_url(kind, key)
        if url in urls:
            draft.made[key] = {"reference": url}
    draft.subject = draft.made.get("patient", draft.subject)
    return draft


class Resources:
    """The resources of a bundle by every name that a reference may use, without being read.

    Attributes:
        bundle: The bundle.
        entries: Bundle.entry, as it stands.
    """

    def __init__(self, bundle: Mapping[str, Any]) -> None:
        self.bundle = bundle
        self.entries: list[Json] = list(bundle.get("entry", []))
        self._by_name: dict[str, Json] = {}
        for entry in self.entries:
            resource, url = entry.get("resource") or {}, str(entry.get("fullUrl", ""))
            self._by_name.setdefault(url, resource)
            if "id" in resource:
                self._by_name.setdefault(f"{resource.get('resourceType')}/{resource['id']}", resource)
            if not url.startswith("urn:"):
                self._by_name.setdefault("/".join(url.rsplit("/", 2)[-2:]), resource)

    def get(self, reference: Any) -> Json | None:
        """Return what a Reference points to, None when it is not here."""
        told = reference.get("reference") if isinstance(reference, dict) else None
        if not isinstance(told, str):
            return None
        found = self._by_name.get(told)
        if found is None and not told.startswith("urn:"):
            found = self._by_name.get("/".join(told.rsplit("/", 2)[-2:]))
        return found

    def of_type(self, kind: str) -> list[Json]:
        """Return the resources of a type, in order."""
        resources = (entry.get("resource") or {} for entry in self.entries)
        return [one for one in resources if one.get("resourceType") == kind]

    def members(self, panel: Json) -> list[Json]:
        """Return the Observations that a day's panel gathers."""
        found = (self.get(one) for one in panel.get("hasMember", []))
        return [one for one in found if one is not None and one.get("resourceType") == "Observation"]


def panels_in_force(found: Resources) -> Iterator[tuple[str, Json]]:
    """Yield the fullUrl and the resource of every day's panel that is valid and that no other replaces."""
    panels = [(e.get("fullUrl", ""), e["resource"]) for e in found.entries if is_panel(e)]
    panels = [(url, panel) for url, panel in panels if panel.get("status") in VALID]
    gone = {id(found.get(old)) for _, panel in panels for old in _replaced(panel)}
    return ((url, panel) for url, panel in panels if id(panel) not in gone)


def _panels(bundle: Mapping[str, Any], days: set[dt.date]) -> Iterator[_Panel]:
    """Yield the entries of some days, those that were corrected as well."""
    resources = Resources(bundle)
    wanted = {day.isoformat() for day in days}
    current = {id(panel) for _, panel in panels_in_force(resources)}
    source = Source(bundle)
    for index, one in enumerate(resources.entries):
        if is_panel(one) and str(one["resource"].get("effectiveDateTime", ""))[:10] in wanted:
            panel = Node(one["resource"], f"Bundle.entry[{index}].resource")
            entry = read_entry(source, panel)
            if entry is not None:
                yield _Panel(entry, one.get("fullUrl", ""), id(one["resource"]) in current)


def is_panel(entry: Json) -> bool:
    """Tell whether an entry of a bundle is the panel of a day of the log."""
    resource = entry.get("resource") or {}
    if resource.get("resourceType") != "Observation" or not isinstance(resource.get("code"), dict):
        return False
    wanted = terms.uri("log")
    codings = resource["code"].get("coding") or []
    return any(one.get("system") == wanted and one.get("code") == "day-log" for one in codings)


def _replaced(panel: Json) -> Iterator[Any]:
    for one in panel.get("extension", []):
        if one.get("url") == REPLACES:
            yield one.get("valueReference")
