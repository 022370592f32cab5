"""A resource or bundle from one release to the other, and what became of what the other does not have.

::

    say(bundle, "R5")                    # R4's spelling, in which the house speaks → R5
    hear(bundle, "R5")                   # the way back
    done = convert(bundle, "R5")         # either way, for people who want to know
    done.resource, done.notes

``hear(say(bundle, "R5"), "R5") == bundle``; ``convert`` tries it out and names what came back otherwise.
Entries keep their place and their fullUrl; R5 gets entries for DeviceAssociation after them.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fhircare.releases import association
from fhircare.releases.recognition import FHIR_VERSION, detect_release, is_ours
from fhircare.releases.table import HOUSE, Json, release
from fhircare.releases.walk import Note, Turn

if TYPE_CHECKING:
    from collections.abc import Iterator


@dataclass(frozen=True)
class Converted:
    """What a conversion gave.

    Attributes:
        resource: The resource or bundle in the release ``to``.
        notes: What the other release does not have, or not so, in the resource's order.
        source: The release it came in.
        to: The release it is in now.
    """

    resource: Json
    notes: tuple[Note, ...]
    source: str
    to: str

    @property
    def lost(self) -> tuple[Note, ...]:
        """Notes of what could not be expressed or carried over; the rest stands in the resource."""
        return tuple(note for note in self.notes if note.outcome in {"lost", "stale", "left"})


def say(resource: Json, in_release: str) -> Json:
    """Return a resource or bundle in R4's spelling as this release says it.

    Raises:
        UnknownRelease: For a release that is not spoken here.
    """
    return _turned(resource, HOUSE, release(in_release).name)[0]


def hear(resource: Json, in_release: str) -> Json:
    """Return a resource or bundle of this release in R4's spelling.

    Raises:
        UnknownRelease: For a release that is not spoken here.
    """
    return _turned(resource, release(in_release).name, HOUSE)[0]


def convert(resource: Json, to: str, source: str | None = None) -> Converted:
    """Return a resource or bundle in another release, with notes.

    Args:
        resource: A resource or Bundle as a dict; it is not changed.
        to: The release it shall be in.
        source: The release it is in; None to find out.

    Raises:
        UnknownRelease: For a release that is not spoken here, or when nothing tells which one it is in.
    """
    before = release(source).name if source else detect_release(resource)
    after = release(to).name
    turned, notes = _turned(resource, before, after)
    if before != after:
        back, _ = _turned(turned, after, before)
        known = {one.path for one in notes}
        # Leaving out what no longer fits empties the extension that kept it.
        known |= {f"{one.path.rpartition('.')[0]}.extension" for one in notes if one.outcome == "stale"}
        notes = [*notes, *(one for one in _differences(resource, back) if one.path not in known)]
    return Converted(turned, tuple(notes), before, after)


def _turned(resource: Json, source: str, target: str) -> tuple[Json, list[Note]]:
    if source == target:
        return resource, []
    turn = Turn(source, target)
    whole = copy.copy(resource)
    if resource.get("resourceType") != "Bundle":
        return turn.resource(whole, str(resource.get("resourceType"))), turn.notes
    if target == "R5":
        return _bundle_to_r5(turn, whole), turn.notes
    return _bundle_to_r4(turn, whole), turn.notes


def _bundle_to_r5(turn: Turn, bundle: Json) -> Json:
    kind = str(bundle.get("type"))
    taken = {entry.get("fullUrl") for entry in _entries(bundle)}
    added, known = [], association.wearers(_with_associations(turn, bundle))
    left = list(bundle.get("entry", ())) if isinstance(bundle.get("entry"), list) else []
    for place, entry in enumerate(left):
        device = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(device, dict) or device.get("resourceType") != "Device":
            continue
        if _is_known(turn, device.get("patient"), known.get(str(entry.get("fullUrl")))):
            bare = {name: value for name, value in device.items() if name != "patient"}
            left[place] = entry | {"resource": bare}
            continue
        said = association.made(device, entry, device.get("patient"), kind)
        if said and said["fullUrl"] not in taken:
            added.append(said)
            bare = {name: value for name, value in device.items() if name != "patient"}
            left[place] = entry | {"resource": bare}
    turned: Json = turn.resource(bundle | {"entry": left} if left else bundle, "Bundle")
    if added:
        more = Turn(turn.source, turn.target)
        turned["entry"] = [*turned["entry"], *(_with_patient(more, one) for one in added)]
    if is_ours(turned):
        meta = dict(turned["meta"])
        meta["tag"] = [*meta["tag"], FHIR_VERSION]
        turned["meta"] = meta
    return turned


def _with_associations(turn: Turn, bundle: Json) -> list[Json]:
    """Return the entries with those associations in R5 that R4 keeps in a Basic; none when there is none."""
    found, kept = [], False
    for entry in _entries(bundle):
        resource = entry["resource"]
        if resource.get("resourceType") == "Basic":
            resource = Turn(turn.source, turn.target).resource(copy.copy(resource), "Basic")
            kept |= resource.get("resourceType") == "DeviceAssociation"
        found.append(entry | {"resource": resource})
    return found if kept else []


def _is_known(turn: Turn, patient: Any, subject: Json | None) -> bool:
    """Tell whether an association that came along says already who wears a device."""
    if subject is None or not isinstance(patient, dict):
        return False
    said: Json = Turn(turn.source, turn.target).object(patient, "Reference", "Reference", "")
    return said == subject


def _with_patient(turn: Turn, entry: Json) -> Json:
    """Return a made entry with the values it took from the device in the other release."""
    resource = entry["resource"]
    subject = turn.object(resource["subject"], "Reference", "Reference", "")
    return entry | {"resource": resource | {"subject": subject}}


def _bundle_to_r4(turn: Turn, bundle: Json) -> Json:
    kind = str(bundle.get("type"))
    meta = bundle.get("meta")
    if is_ours(bundle) and isinstance(meta, dict) and FHIR_VERSION in meta["tag"]:
        bundle["meta"] = meta | {"tag": [one for one in meta["tag"] if one != FHIR_VERSION]}
    entries = bundle.get("entry")
    if not isinstance(entries, list):
        return turn.resource(bundle, "Bundle")  # type: ignore[no-any-return]
    devices = {
        entry["fullUrl"]: entry
        for entry in _entries(bundle)
        if entry["resource"].get("resourceType") == "Device" and isinstance(entry.get("fullUrl"), str)
    }
    wearers: Json = {}
    left = []
    for entry in entries:
        url = _association_of(entry)
        device = devices.get(url or "")
        if device and url not in wearers and association.is_for(entry, device["resource"], device, kind):
            wearers[str(url)] = entry["resource"]["subject"]
        else:
            left.append(entry)
    wearers = association.wearers(e for e in left if isinstance(e, dict) and _holds(e)) | wearers
    turned: Json = turn.resource(bundle | {"entry": left}, "Bundle")
    for entry in _entries(turned):
        subject = wearers.get(entry.get("fullUrl", ""))
        bare = entry["resource"].get("resourceType") == "Device" and "patient" not in entry["resource"]
        if subject is not None and bare:
            entry["resource"]["patient"] = turn.object(subject, "Reference", "Reference", "")
    return turned


def _association_of(entry: Any) -> str | None:
    resource = entry.get("resource") if isinstance(entry, dict) else None
    if not isinstance(resource, dict) or resource.get("resourceType") != "DeviceAssociation":
        return None
    device = resource.get("device")
    return device.get("reference") if isinstance(device, dict) else None


def _entries(bundle: Json) -> Iterator[Json]:
    entries = bundle.get("entry")
    for entry in entries if isinstance(entries, list) else []:
        if isinstance(entry, dict) and _holds(entry):
            yield entry


def _holds(entry: Json) -> bool:
    return isinstance(entry.get("resource"), dict)


def _differences(before: Any, after: Any, path: str = "") -> list[Note]:
    """Return a note for every place where what came back is not what there was."""
    path = path or str(before.get("resourceType", ""))
    if isinstance(before, dict) and isinstance(after, dict):
        names = dict.fromkeys([*before, *after])
        return [
            note
            for name in names
            for note in _differences(before.get(name), after.get(name), f"{path}.{name}")
        ]
    if isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        return [
            note
            for place, (one, other) in enumerate(zip(before, after, strict=True))
            for note in _differences(one, other, f"{path}[{place}]")
        ]
    if before == after and type(before) is type(after):
        return []
    return [Note(path, "lost", "would not come back as it was")]
