"""A bundle as what there is to send: its resources, who owns each, and in which order they can go.

Three owners. *Actors* (the person, people, organisations) and *foreign* resources (the physician's order, a
therapist's goal) are other systems' business: made when they are not there, never changed. *Own* resources
are the plan's: made, and updated when they differ. A resource is own when one of its identifiers is of the
same origin as the plan's own number; whatever has no identifier (Provenance) goes with the plan. A foreign
resource that we brought to a server is kept up to date there, because nobody else will.
"""

from __future__ import annotations

import base64
import copy
import hashlib
import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import urlsplit

from fhircare.bundle.in_force import careplan_in_force
from fhircare.errors import BundleError, Fault

if TYPE_CHECKING:
    from collections.abc import Iterator

ACTORS = frozenset(
    {
        "HealthcareService", "Location", "Organization", "Patient", "Person", "Practitioner",
        "PractitionerRole", "RelatedPerson",
    }
)  # fmt: skip
"""Who and where: shared by many, changed by none of us."""
MOST_INLINE = 1_048_576
"""Content up to this size travels inside its DocumentReference; larger content as a Binary of its own."""

GOALS = "/goals"
"""Ends the series of the goals that are given of a plan."""

Owner = Literal["actor", "foreign", "own"]
Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Entry:
    """One resource to send."""

    place: str
    """Where it stands, such as Bundle.entry[3]."""
    full_url: str
    """How other entries refer to it."""
    resource: Resource = field(repr=False)
    """As it stands in the bundle, without id; content of small Binaries is inlined. Not to be changed."""
    owner: Owner
    """Whose it is."""
    identifier: tuple[str, str] | None = None
    """System and value it is found by."""
    also: tuple[tuple[str, str], ...] = ()
    """Its other identifiers: an actor may be known there by any of them."""
    in_force: bool = False
    """Whether it is the CarePlan that the bundle is about; others in it are history."""
    closes: bool = False
    """Whether it is a CarePlan, or leads to one: it goes last, when all that plans list is there."""

    @property
    def kind(self) -> str:
        """Its resource type."""
        return str(self.resource["resourceType"])


def entries(bundle: Any) -> tuple[Entry, ...]:
    """Return the entries of a bundle, each after those it refers to.

    Raises:
        BundleError: When it is no bundle of resources, a reference leads nowhere, or references run in a
            circle.
    """
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        raise BundleError(Fault("", "is not a FHIR Bundle", "name the file that `fhircare plan` wrote"))
    if bundle.get("type") not in ("collection", "transaction", "batch", "document"):
        raise BundleError(Fault("Bundle.type", "is not one that can be sent", "collection is usual"))
    found = _read(bundle)
    return tuple(_ordered(_without_small_binaries(found)))


def series(bundle: Any) -> str:
    """Return what stays the same through all revisions of a plan: its series number, else the bundle's own.

    The CarePlan's last identifier is the series (the first is of the revision). What is given of a plan
    without the plan itself, its goals, is a series of its own: it goes elsewhere, and must not wait for the
    plan. "" when there is no number.
    """
    plan = careplan_in_force(bundle)
    if plan is not None and (numbers := plan.get("identifier")) and numbers[-1].get("value"):
        return f"{numbers[-1].get('system', '')}|{numbers[-1]['value']}"
    number = bundle.get("identifier") or {}
    return (
        f"{number.get('system', '')}|{number['value']}{GOALS * (plan is None)}" if number.get("value") else ""
    )


def patient_of(found: tuple[Entry, ...]) -> Entry:
    """Return the one patient among the entries.

    Raises:
        BundleError: When there is none, or more than one, or they have no number to be found by.
    """
    patients = [entry for entry in found if entry.kind == "Patient"]
    if len(patients) != 1:
        raise BundleError(
            Fault("Bundle.entry", f"holds {len(patients)} patients", "send each person's plan by itself")
        )
    if patients[0].identifier is None:
        place = f"{patients[0].place}.resource.identifier"
        raise BundleError(Fault(place, "is missing", "add a number they are known by, with its system"))
    return patients[0]


def references(value: Any) -> Iterator[dict[str, Any]]:
    """Yield every Reference in a resource that holds a literal ``reference``, contained ones left out."""
    if isinstance(value, dict):
        target = value.get("reference")
        if isinstance(target, str) and not target.startswith("#"):
            yield value
        for inner in value.values():
            yield from references(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from references(inner)


def _read(bundle: Resource) -> list[Entry]:
    listed, faults = bundle.get("entry") or [], []
    plan = careplan_in_force(bundle)
    owners = _origins(plan) if plan is not None else _own_origin(bundle)
    found: list[Entry] = []
    for index, item in enumerate(listed):
        place = f"Bundle.entry[{index}]"
        resource = item.get("resource") if isinstance(item, dict) else None
        if not isinstance(resource, dict) or not isinstance(resource.get("resourceType"), str):
            faults.append(Fault(f"{place}.resource", "is missing", "each entry holds one resource"))
            continue
        if resource["resourceType"] in ("Composition", "OperationOutcome"):
            continue
        full_url = item.get("fullUrl") or f"{resource['resourceType']}/{resource.get('id', index)}"
        entry = _entry(place, str(full_url), resource, owners)
        found.append(replace(entry, in_force=resource is plan))
    faults += _twice(found)
    if faults or not found:
        raise BundleError(faults or Fault("Bundle.entry", "is empty", "there is nothing to send"))
    return found


def _entry(place: str, full_url: str, resource: Resource, owners: frozenset[str]) -> Entry:
    copied = {key: value for key, value in resource.items() if key != "id"}
    numbers = (
        [i for i in copied.get("identifier") or [] if isinstance(i, dict)]
        if isinstance(copied.get("identifier"), list)
        else []
    )
    named = [
        (str(i.get("system", "")), str(i["value"])) for i in numbers if i.get("value") and i.get("system")
    ]
    owner: Owner = "own"
    if copied["resourceType"] in ACTORS:
        owner = "actor"
    elif named and owners and not any(_origin(system) in owners for system, _ in named):
        owner = "foreign"
    return Entry(place, full_url, copied, owner, named[0] if named else None, tuple(named[1:]))


def _twice(found: list[Entry]) -> Iterator[Fault]:
    # Two entries with one condition: some servers make one of them, some both, some drop one in silence.
    seen: dict[tuple[str, tuple[str, str]], str] = {}
    for entry in found:
        if entry.identifier is None:
            continue
        key = (entry.kind, entry.identifier)
        if key in seen:
            yield Fault(
                f"{entry.place}.resource.identifier",
                f"is also that of {seen[key]}",
                "give each its own number",
            )
        seen[key] = entry.place


def _origins(plan: Resource) -> frozenset[str]:
    return frozenset(_origin(str(i["system"])) for i in plan.get("identifier", []) if i.get("system"))


def _own_origin(bundle: Resource) -> frozenset[str]:
    """A part of a plan (its goals) tells by the bundle's own number whose it is."""
    number = bundle.get("identifier") or {}
    system = str(number.get("system", ""))
    return frozenset({_origin(system)}) if system and system != "urn:ietf:rfc:3986" else frozenset()


def _origin(system: str) -> str:
    parts = urlsplit(system)
    return f"{parts.scheme}://{parts.netloc}" if parts.netloc else system


def _without_small_binaries(found: list[Entry]) -> list[Entry]:
    """Put small Binaries into the attachments that point to them: few servers rewrite attachment.url."""
    binaries = {e.full_url: e for e in found if e.kind == "Binary"}
    small = {
        url for url, e in binaries.items() if len(str(e.resource.get("data", ""))) <= MOST_INLINE * 4 // 3
    }
    kept = [entry for entry in found if entry.full_url not in small]
    for index, entry in enumerate(kept):
        if not any(attachment.get("url") in small for attachment in attachments(entry.resource)):
            continue
        kept[index] = replace(entry, resource=copy.deepcopy(entry.resource))  # the bundle stays as it is
        for attachment in attachments(kept[index].resource):
            if attachment.get("url") in small:
                content = binaries[attachment.pop("url")].resource
                attachment.setdefault("contentType", content.get("contentType"))
                attachment["data"] = content.get("data", "")
    return kept


def attachments(resource: Resource) -> Iterator[dict[str, Any]]:
    """Yield the attachments of a DocumentReference."""
    for content in resource.get("content") or []:
        if isinstance(content, dict) and isinstance(content.get("attachment"), dict):
            yield content["attachment"]


def sha1(data: str) -> str:
    """Return the SHA-1 of base64 content, as base64: what FHIR's Attachment.hash holds."""
    digest = hashlib.sha1(base64.b64decode(data), usedforsecurity=False).digest()
    return base64.b64encode(digest).decode()


def linked(entry: Entry, known: dict[str, Entry]) -> list[Entry]:
    """Return the entries that one refers to, by reference or by an attachment's address."""
    targets = [str(r["reference"]) for r in references(entry.resource)]
    targets += [str(a.get("url")) for a in attachments(entry.resource)]
    return [
        known[plain(t)] for t in dict.fromkeys(targets) if plain(t) in known and known[plain(t)] is not entry
    ]


def plain(reference: str) -> str:
    """Return a reference without its version."""
    return re.sub(r"/_history/[^/]+$", "", reference)


def _ordered(found: list[Entry]) -> list[Entry]:
    known = {entry.full_url: entry for entry in found}
    known |= {f"{e.kind}/{e.full_url.rsplit('/', 1)[-1]}": e for e in found if "/" in e.full_url}
    faults, done, order, path = list(_astray(found, known)), set[str](), [], list[str]()
    links = {entry.full_url: linked(entry, known) for entry in found}
    closing = _closing(found, links)

    def visit(entry: Entry) -> None:
        if entry.full_url in done:
            return
        if entry.full_url in path:
            faults.append(Fault(entry.place, "is part of a circle of references", "leave one of them out"))
            return
        path.append(entry.full_url)
        for target in links[entry.full_url]:
            visit(target)
        path.pop()
        done.add(entry.full_url)
        order.append(replace(entry, closes=entry.full_url in closing))

    # People first; plans, and what leads to them, last: a plan is seen only when all it lists is there.
    for entry in sorted(found, key=lambda e: (e.owner != "actor", e.full_url in closing)):
        visit(entry)
    if faults:
        raise BundleError(faults)
    return order


def _astray(found: list[Entry], known: dict[str, Entry]) -> Iterator[Fault]:
    for entry in found:
        for reference in references(entry.resource):
            target = str(reference["reference"])
            if plain(target) not in known and (target.startswith("urn:") or "://" not in target):
                yield Fault(entry.place, "refers to what is not in it", "send a whole bundle")
                break


def _closing(found: list[Entry], links: dict[str, list[Entry]]) -> set[str]:
    """Return the fullUrls of the CarePlans and of whatever leads to one: its origin, a warning about it."""
    closing = {entry.full_url for entry in found if entry.kind == "CarePlan"}
    before = 0
    while before != len(closing):
        before = len(closing)
        closing |= {url for url, targets in links.items() if any(t.full_url in closing for t in targets)}
    return closing
