"""Bundles: what each type must and may hold, and how its entries are identified.

Read https://hl7.org/fhir/R4/bundle.html beside this, and for transactions and batches
https://hl7.org/fhir/R4/http.html#transaction. The rules that the definitions give as invariants (``bdl-1`` to
``bdl-18``) are evaluated with all other invariants, except ``bdl-7``, where this can say which entries
collide, and R5's ``bdl-15`` and ``bdl-18``, which make errors of R4's prose: this names the place.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from fhircare.check.closure import check_closure
from fhircare.check.requests import check_requests
from fhircare.check.resolution import bundle_type, read_target, version_of
from fhircare.check.rule import Rule, finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.check.gather import Gathered, ResourceScope
    from fhircare.check.path import Path
    from fhircare.check.report import Issue, Severity
    from fhircare.spec import Definitions

_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:")
_STATUS = re.compile(r"[1-5][0-9]{2}($|[^0-9])")
_ASKED = frozenset({"transaction", "batch"})
_ANSWERED = frozenset({"transaction-response", "batch-response"})
_ONCE_IN_PAGES = frozenset({"self", "first", "prev", "previous", "next", "last"})
_IDENTIFIED = frozenset({"document", "message", "history"})
_PAGED = frozenset({"searchset", "history"})

RULES = {
    "bdl-7": Rule(
        "error",
        "invariant",
        "Entries {entries} have the same fullUrl and the same version.",
        "FullUrl must be unique in a bundle, or else entries with the same fullUrl must have different"
        " meta.versionId.",
        "bundle.html#bdl-7",
    ),
    "bdl-15": Rule(
        "error",
        "invariant",
        "The entry has no fullUrl; only a POST, or an entry of a transaction or batch, may have none.",
        "Give the entry its resource's URL on the server, or a urn:uuid of its own.",
        "bundle.html#bdl-15",
    ),
    "bdl-18": Rule(
        "error",
        "invariant",
        "A searchset must say what the search was.",
        "Add a link with the relation self.",
        "bundle.html#bdl-18",
    ),
    "bundle.empty": Rule(
        "error",
        "required",
        "A {kind} must hold at least one entry: its {first}.",
        "Put the {first} first, then what it refers to.",
        "bundle.html#Bundle",
    ),
    "bundle.full-url.missing": Rule(
        "error",
        "required",
        "The entry holds a resource and has no fullUrl.",
        "Give the entry its resource's URL on the server, or a urn:uuid of its own.",
        "bundle-definitions.html#Bundle.entry.fullUrl",
    ),
    "bundle.full-url.absolute": Rule(
        "error",
        "value",
        "A fullUrl must be an absolute URL.",
        "Write the resource's whole URL, or urn:uuid: and a UUID in lower case.",
        "bundle-definitions.html#Bundle.entry.fullUrl",
    ),
    "bundle.full-url.id": Rule(
        "error",
        "value",
        "The fullUrl disagrees with the type or the id of the resource.",
        "End the fullUrl with /[type]/[id] of the resource, or use a urn:uuid.",
        "bundle-definitions.html#Bundle.entry.fullUrl",
    ),
    "bundle.full-url.no-id": Rule(
        "warning",
        "value",
        "The fullUrl is the URL of a resource on a server, but the resource has no id.",
        "Give the resource the id that the fullUrl ends with, or use a urn:uuid.",
        "bundle-definitions.html#Bundle.entry.fullUrl",
    ),
    "bundle.link.unique": Rule(
        "error",
        "duplicate",
        "A Bundle has one link with this relation at most.",
        "Leave one of them.",
        "http.html#paging",
    ),
    "bundle.link.paging": Rule(
        "warning",
        "business-rule",
        "Links from page to page have a meaning in a searchset or a history only.",
        "Leave the link out.",
        "http.html#paging",
    ),
    "bundle.search.resource": Rule(
        "error",
        "required",
        "An entry of a searchset must hold a resource.",
        "Put the found resource into the entry, or leave the entry out.",
        "http.html#search",
    ),
    "bundle.search.id": Rule(
        "error",
        "required",
        "A resource found by a search must have its id.",
        "Give the resource its id.",
        "http.html#search",
    ),
    "bundle.search.outcome": Rule(
        "error",
        "value",
        "An entry with search mode outcome must hold an OperationOutcome.",
        "Put an OperationOutcome there, or change the mode to match or include.",
        "valueset-search-entry-mode.html",
    ),
    "bundle.search.type": Rule(
        "error",
        "value",
        "This entry is marked as a match, but the search was for {wanted}.",
        "Mark it as include, or leave it out.",
        "valueset-search-entry-mode.html",
    ),
    "bundle.search.mode": Rule(
        "warning",
        "required",
        "Some entries have a search mode and this one has none.",
        "Say match, include or outcome for each.",
        "valueset-search-entry-mode.html",
    ),
    "bundle.search.self": Rule(
        "warning",
        "required",
        "A searchset should say what the search was.",
        "Add a link with the relation self.",
        "search.html#conformance",
    ),
    "bundle.search.total": Rule(
        "error",
        "value",
        "The total is smaller than the number of matches in this very page.",
        "Count every match of the search: not the includes, and not this page alone.",
        "bundle-definitions.html#Bundle.total",
    ),
    "bundle.response.status": Rule(
        "error",
        "value",
        "A response's status must start with a three-digit HTTP code.",
        "Write such as `201 Created`.",
        "bundle-definitions.html#Bundle.entry.response.status",
    ),
    "bundle.history.deleted": Rule(
        "error",
        "structure",
        "The entry says that the resource was deleted, and still holds it.",
        "Leave the resource out.",
        "http.html#history",
    ),
    "bundle.history.resource": Rule(
        "error",
        "required",
        "An entry of a history that was no deletion must hold the resource as it was.",
        "Put that version of the resource into the entry.",
        "http.html#history",
    ),
}


def check_bundle(bundle: ResourceScope, gathered: Gathered, spec: Definitions) -> Iterator[Issue]:
    """Yield what is wrong with one Bundle as a Bundle.

    Args:
        bundle: The Bundle, wherever it stands in the file.
        gathered: What the walk collected from the whole file.
        spec: The definitions of the file's release.
    """
    kind = bundle_type(bundle)
    entries = _objects(bundle.resource.get("entry"))
    scopes = {
        s.path[0][1]: s
        for s in gathered.resources
        if s.kind == "entry" and s.container is bundle and s.path[0] is not None
    }
    yield from _unique(bundle, entries, scopes, spec.release)
    yield from _links(bundle, kind, spec.release)
    for i, entry in entries:
        yield from _full_url(bundle, entry, i, scopes.get(i), spec)
        yield from _response(bundle, entry, i, spec.release)
    first = {"document": "Composition", "message": "MessageHeader"}.get(kind)
    if first and not entries and isinstance(bundle.resource.get("entry", []), list):
        yield finding(RULES, "bundle.empty", (bundle.path, "entry"), spec.release, kind=kind, first=first)
    elif first and 0 in scopes and scopes[0].type == first:
        yield from check_closure(bundle, scopes, gathered, spec)
    elif kind in _ASKED:
        yield from check_requests(bundle, entries, scopes, spec)
    elif kind == "searchset":
        yield from _searchset(bundle, entries, scopes, spec)
    elif kind == "history":
        yield from _history(bundle, entries, spec.release)


def _states(spec: Definitions, key: str) -> bool:
    """Tell whether a release has an invariant of this key on Bundle."""
    node = spec.node("Bundle")
    return node is not None and any(rule.key == key for rule in node.constraints)


def _objects(entries: Any) -> list[tuple[int, dict[str, Any]]]:
    """The entries that are JSON objects, with their index; anything else has been reported by the walk."""
    return [(i, e) for i, e in enumerate(entries) if isinstance(e, dict)] if isinstance(entries, list) else []


def _text(held: Any, name: str) -> str:
    """A string member of what may be an object; "" when it is none (the walk has reported a wrong shape)."""
    value = held.get(name) if isinstance(held, dict) else None
    return value if isinstance(value, str) else ""


def _entry(bundle: ResourceScope, i: int, *names: str) -> Path:
    place: Path = ((bundle.path, "entry"), i)
    for name in names:
        place = (place, name)
    return place


def _unique(
    bundle: ResourceScope,
    entries: list[tuple[int, dict[str, Any]]],
    scopes: dict[int, ResourceScope],
    release: str,
) -> Iterator[Issue]:
    """``bdl-7``; a history is exempt, as its expression says."""
    if bundle_type(bundle) == "history":
        return
    seen: dict[tuple[str, str], list[int]] = {}
    for i, entry in entries:
        url = entry.get("fullUrl")
        if isinstance(url, str):
            version = version_of(scopes[i]) if i in scopes else ""
            seen.setdefault((url, version), []).append(i)
    for places in seen.values():
        if len(places) > 1:
            words = ", ".join(map(str, places[:-1])) + f" and {places[-1]}"
            yield finding(RULES, "bdl-7", bundle.path, release, entries=words)


def _links(bundle: ResourceScope, kind: str, release: str) -> Iterator[Issue]:
    seen: set[str] = set()
    for i, link in _objects(bundle.resource.get("link")):
        relation = _text(link, "relation")
        if relation not in _ONCE_IN_PAGES:
            continue
        place: Path = (((bundle.path, "link"), i), "relation")
        relation = "previous" if relation == "prev" else relation
        if relation in seen:
            yield finding(RULES, "bundle.link.unique", place, release)
        elif relation != "self" and kind not in _PAGED:
            yield finding(RULES, "bundle.link.paging", place, release)
        seen.add(relation)


def _full_url(
    bundle: ResourceScope,
    entry: dict[str, Any],
    i: int,
    scope: ResourceScope | None,
    spec: Definitions,
) -> Iterator[Issue]:
    kind = bundle_type(bundle)
    url = entry.get("fullUrl")
    place = _entry(bundle, i, "fullUrl")
    if url is None and "_fullUrl" not in entry:
        if _states(spec, "bdl-15"):
            if kind not in _ASKED | _ANSWERED and _text(entry.get("request"), "method") != "POST":
                yield finding(RULES, "bdl-15", place, spec.release)
            return
        # "can be empty on a POST ... Results from operations might involve resources that are not identified"
        if "resource" in entry and kind not in _ASKED | _ANSWERED:
            severity: Severity = "error" if kind in _IDENTIFIED else "warning"
            yield finding(RULES, "bundle.full-url.missing", place, spec.release, severity=severity)
        return
    if not isinstance(url, str) or not url or url.isspace():
        return
    if not _SCHEME.match(url.lstrip()):
        yield finding(RULES, "bundle.full-url.absolute", place, spec.release)
    elif scope is not None:
        target = read_target(url, spec.resource_types)
        own = scope.resource.get("id")
        if target.kind == "restful" and own is None:
            yield finding(RULES, "bundle.full-url.no-id", place, spec.release)
        elif target.kind == "restful" and target.identity != f"{scope.type}/{own}":
            yield finding(RULES, "bundle.full-url.id", place, spec.release)


def _response(bundle: ResourceScope, entry: dict[str, Any], i: int, release: str) -> Iterator[Issue]:
    status = _text(entry.get("response"), "status")
    if status and not _STATUS.match(status):
        yield finding(RULES, "bundle.response.status", _entry(bundle, i, "response", "status"), release)


def _searchset(
    bundle: ResourceScope,
    entries: list[tuple[int, dict[str, Any]]],
    scopes: dict[int, ResourceScope],
    spec: Definitions,
) -> Iterator[Issue]:
    links = [link for _, link in _objects(bundle.resource.get("link")) if link.get("relation") == "self"]
    if not links:
        key = "bdl-18" if _states(spec, "bdl-18") else "bundle.search.self"
        yield finding(RULES, key, (bundle.path, "link"), spec.release)
    wanted = _searched(links[0].get("url"), spec) if links else frozenset()
    modes = {i: _text(e.get("search"), "mode") for i, e in entries}
    some = any(modes.values())
    for i, entry in entries:
        mode, scope = modes[i], scopes.get(i)
        if "resource" not in entry and ("request" in entry or "response" in entry):  # else bdl-5 says so
            place = _entry(bundle, i, "resource")
            yield finding(RULES, "bundle.search.resource", place, spec.release)
        if not mode and some:
            place = _entry(bundle, i, "search", "mode")
            yield finding(RULES, "bundle.search.mode", place, spec.release)
        if scope is None:
            continue
        if mode == "outcome" and scope.type != "OperationOutcome":
            yield finding(RULES, "bundle.search.outcome", scope.path, spec.release)
        if mode == "match" and wanted and scope.type not in wanted:
            words = ", ".join(sorted(wanted))
            yield finding(RULES, "bundle.search.type", scope.path, spec.release, wanted=words)
        if mode in {"match", "include"} and "id" not in scope.resource:
            yield finding(RULES, "bundle.search.id", (scope.path, "id"), spec.release)
    total = bundle.resource.get("total")
    matches = sum(mode == "match" for mode in modes.values())
    if isinstance(total, int) and not isinstance(total, bool) and 0 <= total < matches:
        yield finding(RULES, "bundle.search.total", (bundle.path, "total"), spec.release)


def _searched(url: Any, spec: Definitions) -> frozenset[str]:
    """The resource types a search was for, read from its URL; empty when it does not say."""
    if not isinstance(url, str):
        return frozenset()
    address, _, query = url.partition("?")
    last = address.rstrip("/").rpartition("/")[2]
    if last in spec.resource_types:
        return frozenset({last})
    named = [p.removeprefix("_type=").split(",") for p in query.split("&") if p.startswith("_type=")]
    return frozenset(t for types in named for t in types if t in spec.resource_types)


def _history(
    bundle: ResourceScope, entries: list[tuple[int, dict[str, Any]]], release: str
) -> Iterator[Issue]:
    for i, entry in entries:
        method = _text(entry.get("request"), "method")
        if method == "DELETE" and "resource" in entry:
            yield finding(RULES, "bundle.history.deleted", _entry(bundle, i, "resource"), release)
        elif method in {"POST", "PUT", "PATCH"} and "resource" not in entry:
            yield finding(RULES, "bundle.history.resource", _entry(bundle, i, "resource"), release)
