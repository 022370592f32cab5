"""Transactions and batches: each entry's request fits its resource, and no resource is changed twice.

Read https://hl7.org/fhir/R4/http.html#transaction beside this.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.resolution import bundle_type
from fhircare.check.rule import Rule, finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from fhircare.check.gather import ResourceScope
    from fhircare.check.path import Path
    from fhircare.check.report import Issue
    from fhircare.spec import Definitions

_PAGE = "http.html#transaction"
_REQUEST = "bundle-definitions.html#Bundle.entry.request"
RULES = {
    "request.form": Rule(
        "error",
        "value",
        "The URL of a {method} must be {form}.",
        "Write {form}, relative to the server's base.",
        _PAGE,
    ),
    "request.absolute": Rule(
        "warning",
        "value",
        "A request's URL is relative to the server's base.",
        "Leave the server's base off.",
        "bundle-definitions.html#Bundle.entry.request.url",
    ),
    "request.type": Rule(
        "error",
        "value",
        "The request's URL names another resource type than the entry holds.",
        "Write {found} in the URL, or put the resource meant into the entry.",
        _PAGE,
    ),
    "request.id": Rule(
        "error",
        "value",
        "The id in the request's URL is not the id of the resource.",
        "Make them the same: a PUT sends a resource to its own URL.",
        "http.html#update",
    ),
    "request.resource": Rule(
        "error",
        "required",
        "A {method} must bring a resource.",
        "Put the resource into the entry, or use DELETE or GET.",
        _PAGE,
    ),
    "request.no-resource": Rule(
        "warning",
        "structure",
        "A {method} brings no resource; this one will be ignored.",
        "Leave the resource out, or use POST or PUT.",
        _PAGE,
    ),
    "request.header": Rule(
        "error",
        "business-rule",
        "{header} has no meaning with {method}.",
        "Use it with {allowed} only, or leave it out.",
        _REQUEST,
    ),
    "request.if-none-exist": Rule(
        "error",
        "value",
        "ifNoneExist is the search part alone.",
        "Leave off everything up to and including the question mark.",
        "bundle-definitions.html#Bundle.entry.request.ifNoneExist",
    ),
    "request.identity": Rule(
        "error",
        "duplicate",
        "Entry {other} already changes this resource: a transaction may change each once.",
        "Bring the changes together in one entry.",
        "http.html#trules",
    ),
}
_HEADERS = {
    "ifMatch": ("PUT", "PATCH", "DELETE"),
    "ifNoneExist": ("POST",),
    "ifModifiedSince": ("GET", "HEAD"),
    "ifNoneMatch": ("GET", "HEAD", "PUT", "PATCH"),
}
_ID = r"[A-Za-z0-9\-.]{1,64}"
_INSTANCE = re.compile(rf"([A-Z][A-Za-z]+)/({_ID})")
_BASE = re.compile(r"https?://")


class _Request(NamedTuple):
    """One entry's request."""

    bundle: ResourceScope
    number: int
    entry: dict[str, Any]
    method: str
    url: str
    scope: ResourceScope | None
    spec: Definitions

    def at(self, *names: str) -> Path:
        place: Path = ((self.bundle.path, "entry"), self.number)
        for name in names:
            place = (place, name)
        return place

    def finding(self, key: str, *names: str, **words: object) -> Issue:
        return finding(RULES, key, self.at(*names), self.spec.release, **words)  # type: ignore[arg-type]


def check_requests(
    bundle: ResourceScope,
    entries: list[tuple[int, dict[str, Any]]],
    scopes: Mapping[int, ResourceScope],
    spec: Definitions,
) -> Iterator[Issue]:
    """Yield what is wrong with the requests of a transaction or batch.

    Args:
        bundle: The Bundle.
        entries: Its entries with their index.
        scopes: Its entries' resources, by the entry's index.
        spec: The definitions of the file's release.
    """
    changed: dict[str, int] = {}
    for i, entry in entries:
        request = entry.get("request")
        if not isinstance(request, dict):
            continue
        method, url = request.get("method"), request.get("url")
        if not isinstance(method, str) or not isinstance(url, str):
            continue
        one = _Request(bundle, i, entry, method, url, scopes.get(i), spec)
        yield from _headers(one, request)
        yield from _body(one)
        if _BASE.match(url):
            yield one.finding("request.absolute", "request", "url")
            continue
        yield from _form(one)
        if method in {"PUT", "PATCH", "DELETE"} and bundle_type(bundle) == "transaction":
            other = changed.setdefault(url, i)
            if other != i:
                yield one.finding("request.identity", "request", "url", other=other)


def _headers(one: _Request, request: dict[str, Any]) -> Iterator[Issue]:
    for header, allowed in _HEADERS.items():
        if header in request and one.method not in allowed:
            words = " or ".join(allowed)
            yield one.finding(
                "request.header", "request", header, header=header, method=one.method, allowed=words
            )
    condition = request.get("ifNoneExist")
    if isinstance(condition, str) and "?" in condition.partition("=")[0]:
        yield one.finding("request.if-none-exist", "request", "ifNoneExist")


def _body(one: _Request) -> Iterator[Issue]:
    held = "resource" in one.entry
    operation = "$" in one.url or one.url.partition("?")[0].endswith("_search")
    if not held and (one.method in {"PUT", "PATCH"} or (one.method == "POST" and not operation)):
        yield one.finding("request.resource", "resource", method=one.method)
    elif one.method in {"GET", "HEAD", "DELETE"} and held:
        yield one.finding("request.no-resource", "resource", method=one.method)


def _form(one: _Request) -> Iterator[Issue]:
    """POST goes to a type, PUT, PATCH and DELETE to one resource or to the one that a search finds."""
    address, question, _ = one.url.partition("?")
    if "$" in one.url:
        return
    if one.method == "POST":
        if address.endswith("_search"):
            return
        named, form = address, "[type]"
        fits = address in one.spec.resource_types and not question
        instance = None
    elif one.method in {"PUT", "PATCH", "DELETE"}:
        form = "[type]/[id] or [type]?[search]"
        instance = _INSTANCE.fullmatch(address) if not question else None
        named = instance[1] if instance else address
        fits = named in one.spec.resource_types and bool(instance or question)
    else:
        return
    if not fits:
        yield one.finding("request.form", "request", "url", method=one.method, form=form)
    elif one.scope is not None and one.method != "DELETE":
        yield from _fits_resource(one, one.scope, named, instance[2] if instance else "")


def _fits_resource(one: _Request, scope: ResourceScope, named: str, named_id: str) -> Iterator[Issue]:
    if one.method == "PATCH":
        # The body of a patch is a Binary or a Parameters that says what to change.
        return
    if named != scope.type:
        yield one.finding("request.type", "request", "url", found=scope.type)
    elif named_id and scope.resource.get("id") != named_id:
        yield one.finding("request.id", "request", "url")
