"""A FHIR server: capabilities, read, search, create, update, transaction, $validate.

Each write comes in two parts, the ``Request`` and its sending, so that a dry run shows exactly what would go
out. Searches are sent as POST, because what is searched by (numbers, names) does not belong into addresses
that servers and proxies write into their logs; GET is used where a server does not offer POST.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from fhircare.errors import OutcomeUnclear, ServerRefused
from fhircare.exchange import outcome, wire
from fhircare.exchange.capabilities import Capabilities, read_capabilities
from fhircare.exchange.http import FHIR_JSON, Answer, Request, Transport
from fhircare.exchange.origin import keep_to
from fhircare.exchange.statements import statement_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from fhircare.exchange.statements import Statements

MOST_PAGES = 500
"""A search that goes on for longer is a circle, or not the search we asked for."""
_PLACE = re.compile(r"(?:^|/)([A-Z][A-Za-z]+)/([A-Za-z0-9.\-]{1,64})(?:/_history/([A-Za-z0-9.\-]{1,64}))?$")
_WEAK = re.compile(r'(?:W/)?"([A-Za-z0-9.\-]{1,64})"')

Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Stored:
    """A resource as the server has it."""

    resource: Resource = field(repr=False)
    etag: str = ""
    """The ETag header, byte for byte; "" when the server gave none."""

    @property
    def reference(self) -> str:
        """Its literal reference, such as CarePlan/12."""
        return f"{self.resource.get('resourceType')}/{self.resource.get('id')}"

    @property
    def version(self) -> str:
        """Its meta.versionId, "" when the server keeps none."""
        return str((self.resource.get("meta") or {}).get("versionId", ""))

    @property
    def match(self) -> str:
        """What to send as If-Match: the ETag as it came, else the version as a weak one; "" for neither."""
        return self.etag or (f'W/"{self.version}"' if self.version else "")


@dataclass(frozen=True, slots=True)
class Written:
    """What the server says became of one entry of a transaction, or of one single write."""

    status: int
    reference: str = ""
    """Literal reference, "" when the server did not say."""
    version: str = ""
    """The version it became, "" when the server did not say."""
    problem: str = ""
    """The server's words when it failed."""

    @property
    def done(self) -> bool:
        """Whether it was carried out."""
        return 200 <= self.status < 300 and not self.problem


@dataclass(slots=True)
class Found:
    """What a search gave."""

    matches: list[Resource] = field(default_factory=list)
    included: list[Resource] = field(default_factory=list)
    ignored: tuple[str, ...] = ()
    """Parameters the server left out of the search, by its own account (the self link)."""


class FhirServer:
    """One FHIR server."""

    def __init__(
        self,
        transport: Transport,
        *,
        capabilities: Capabilities | None = None,
        statements: Statements | None = None,
        now: Callable[[], float] = time.time,
    ) -> None:
        self.transport, self._known = transport, capabilities
        self._statements, self._now, self._of_earlier = statements, now, False
        self._search_by_post = True
        self.reads_lists = False
        """Whether the server has shown that it reads a list of values in a search to its end."""
        self.tags_are_versions = False
        """Whether the server has shown that its ETag is W/"versionId", so that a version tells the ETag."""

    @property
    def base(self) -> str:
        """The base address."""
        return self.transport.base

    @property
    def capabilities(self) -> Capabilities:
        """What the server offers, asked once, or known from an earlier run of this day.

        Raises:
            ServerRefused: When it is not a FHIR R4 or R5 server that speaks JSON.
            ServerUnavailable: When it does not answer.
        """
        return self._known or self._learn(anew=False)

    def ask_again(self) -> bool:
        """Ask what it offers when that was known from an earlier run only; return whether it was."""
        if not self._of_earlier:
            return False
        self._learn(anew=True)
        return True

    def forget(self) -> None:
        """Forget what it offers: it has refused what it was said to take."""
        self._known, self._of_earlier = None, False
        if self._statements:
            self._statements.forget(self.base)

    def _learn(self, *, anew: bool) -> Capabilities:
        body, self._of_earlier = statement_of(self.transport, self._statements, self._now(), anew=anew)
        self._known = read_capabilities(body)
        return self._known

    def read(self, reference: str) -> Stored | None:
        """Return a resource by its literal reference, None when it is not there (404) or deleted (410)."""
        answer = self.transport.ask(
            Request("GET", f"{self.base}/{reference}", {"Cache-Control": "no-cache"}, reads=True),
            accept=(404, 410),
        )
        if answer.status in (404, 410):
            return None
        kind = reference.partition("/")[0]
        if not isinstance(answer.body, dict) or answer.body.get("resourceType") != kind:
            raise ServerRefused(f"answers a read of {kind} with something else")
        return Stored(answer.body, answer.etag)

    def search(self, kind: str, parameters: Mapping[str, str], private: Iterable[str] = ()) -> Found:
        """Return everything a search finds, page by page.

        Rows are what the server sent; who needs certainty checks each row, because a server may ignore a
        parameter it does not know and answer with everybody's resources. What it says it ignored is in
        ``ignored``.

        Raises:
            ServerRefused: When a page is on another origin, the pages never end, or the search has failed.
            ServerUnavailable: When the server does not answer.
        """
        hidden = frozenset(parameters.values()) | frozenset(private)
        found, seen, first = Found(), set[str](), True
        request: Request | None = self._search_request(kind, parameters)
        while request is not None:
            answer = self._asked(request, kind, parameters, hidden)
            body = answer.body if isinstance(answer.body, dict) else {}
            if body.get("resourceType") != "Bundle":
                said = outcome.sentence(body, hidden)
                raise ServerRefused(
                    f"answers a search for {kind} with no Bundle" + (f": {said}" if said else "")
                )
            _rows(body, found, hidden)
            if first:
                found.ignored, first = _ignored(body, parameters), False
            following = _link(body, "next")
            if following in seen or len(seen) >= MOST_PAGES:
                raise ServerRefused(f"pages of a search for {kind} never end")
            seen.add(following)
            request = self._page(following) if following else None
        return found

    def find(self, kind: str, system: str, value: str) -> Resource | None:
        """Return the one resource that carries an identifier, None when there is none.

        Raises:
            ServerRefused: When more than one carries it: a person has to look.
        """
        token = f"{escape(system)}|{escape(value)}"
        rows = self.search(kind, {"identifier": token}, private=(value,)).matches
        by_id = {r.get("id"): r for r in rows if r.get("resourceType") == kind and carries(r, system, value)}
        if len(by_id) > 1:
            raise ServerRefused(
                f"holds {len(by_id)} {kind} resources with one and the same identifier "
                f"({', '.join(sorted(map(str, by_id)))}): somebody has to merge them before anything is sent"
            )
        return next(iter(by_id.values()), None)

    def validate(self, resource: Resource) -> tuple[outcome.Problem, ...]:
        """Return what $validate finds fault with: judged by severity alone, whatever the HTTP status."""
        kind = resource["resourceType"]
        request = Request(
            "POST",
            f"{self.base}/{kind}/$validate",
            {"Content-Type": FHIR_JSON},
            wire.dumps(resource),
            reads=True,
        )
        answer = self.transport.ask(request, accept=(400, 404, 412, 422, 500, 501))
        if answer.status in (404, 501) or not outcome.problems(answer.body):
            return ()
        return outcome.problems(answer.body)

    def create_request(self, resource: Resource, if_none_exist: str = "") -> Request:
        """Return the request that creates a resource; conditional when ``if_none_exist`` is given."""
        headers = {"Content-Type": FHIR_JSON, "Prefer": "return=representation"}
        if if_none_exist:
            headers["If-None-Exist"] = if_none_exist
        kind = resource["resourceType"]
        return Request("POST", f"{self.base}/{kind}", headers, wire.dumps(resource))

    def update_request(self, resource: Resource, match: str) -> Request:
        """Return the request that updates a resource, if it still is the version ``match`` names."""
        headers = {"Content-Type": FHIR_JSON, "Prefer": "return=representation"}
        if match:
            headers["If-Match"] = match
        url = f"{self.base}/{resource['resourceType']}/{resource['id']}"
        return Request("PUT", url, headers, wire.dumps(resource), repeatable=bool(match))

    def transaction_request(self, entries: list[dict[str, Any]], *, repeatable: bool = False) -> Request:
        """Return the request that carries out all entries or none."""
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
        headers = {"Content-Type": FHIR_JSON, "Prefer": "return=minimal"}
        return Request("POST", self.base, headers, wire.dumps(bundle), repeatable=repeatable)

    def write(self, request: Request, count: int, private: frozenset[str] = frozenset()) -> list[Written]:
        """Send a write and return what became of each of its ``count`` entries (1 for a single write).

        Raises:
            Conflict, ServerRefused, ServerUnavailable: As ``Transport.ask``.
            OutcomeUnclear: Also when the answer does not tell what became of every entry.
        """
        answer = self.transport.ask(request, private=private)
        if request.url != self.base:
            return [_single(answer, private)]
        body = answer.body if isinstance(answer.body, dict) else {}
        if outcome.failed(body):
            raise OutcomeUnclear(f"answers {answer.status}, and in it: {outcome.sentence(body, private)}")
        entries = body.get("entry", [])
        if body.get("type") not in ("transaction-response", "batch-response") or len(entries) != count:
            raise OutcomeUnclear(f"answers for {len(entries)} of {count} entries")
        return [_entry(entry, private) for entry in entries]

    def _search_request(self, kind: str, parameters: Mapping[str, str]) -> Request:
        headers = {"Prefer": "handling=strict", "Cache-Control": "no-cache"}
        form = urlencode(parameters)
        if not self._search_by_post:
            return Request("GET", f"{self.base}/{kind}?{form}", headers, reads=True)
        headers["Content-Type"] = "application/x-www-form-urlencoded"
        return Request("POST", f"{self.base}/{kind}/_search", headers, form.encode(), reads=True)

    def _page(self, url: str) -> Request:
        keep_to(self.base, url, "the next page")
        return Request("GET", url, {"Cache-Control": "no-cache"}, reads=True)

    def _asked(
        self, request: Request, kind: str, parameters: Mapping[str, str], hidden: frozenset[str]
    ) -> Answer:
        if request.method != "POST":
            return self.transport.ask(request, private=hidden)
        answer = self.transport.ask(request, accept=(404, 405, 415, 501), private=hidden)
        if answer.status < 300:
            return answer
        self._search_by_post = False
        return self.transport.ask(self._search_request(kind, parameters), private=hidden)


def carries(resource: Resource, system: str, value: str) -> bool:
    """Return whether a resource carries an identifier."""
    return any(
        isinstance(i, dict) and i.get("system", "") == system and i.get("value") == value
        for i in _listed(resource.get("identifier"))
    )


def escape(text: str) -> str:
    """Return text as it stands in a search parameter's value (FHIR R4, Search, escaping)."""
    return re.sub(r"([\\,|$])", r"\\\1", text)


def place(text: str) -> str:
    """Return the literal reference in a Location or an absolute address, such as CarePlan/12; "" for none."""
    match = _PLACE.search(text.partition("?")[0])
    return f"{match[1]}/{match[2]}" if match else ""


def version_in(text: str) -> str:
    """Return the version in a Location, or in an ETag such as W/"3"; "" for none."""
    match = _PLACE.search(text.partition("?")[0]) or _WEAK.fullmatch(text.strip())
    return str(match[match.re.groups] or "") if match else ""


def _single(answer: Answer, private: frozenset[str]) -> Written:
    if outcome.failed(answer.body):
        raise OutcomeUnclear(f"answers {answer.status}, and in it: {outcome.sentence(answer.body, private)}")
    body = answer.body if isinstance(answer.body, dict) else {}
    told = answer.headers.get("Location", "") or answer.headers.get("Content-Location", "")
    reference = place(told)
    if not reference and body.get("id") and body.get("resourceType") != "OperationOutcome":
        reference = f"{body['resourceType']}/{body['id']}"
    return Written(answer.status, reference, version_in(told) or version_in(answer.etag))


def _entry(entry: Any, private: frozenset[str]) -> Written:
    response = entry.get("response", {}) if isinstance(entry, dict) else {}
    code = str(response.get("status", ""))[:3]
    status = int(code) if code.isdigit() else 0
    said = (
        outcome.sentence(response.get("outcome"), private) if outcome.failed(response.get("outcome")) else ""
    )
    told = str(response.get("location", ""))
    reference = place(told)
    resource = entry.get("resource") if isinstance(entry, dict) else None
    if not reference and isinstance(resource, dict) and resource.get("id"):
        reference = f"{resource.get('resourceType')}/{resource['id']}"
    if not 200 <= status < 300 and not said:
        said = "no words"
    return Written(status, reference, version_in(told) or version_in(str(response.get("etag", ""))), said)


def _rows(body: Resource, found: Found, hidden: frozenset[str]) -> None:
    for entry in _listed(body.get("entry")):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(resource, dict):
            continue
        mode = (entry.get("search") or {}).get("mode", "match")
        if resource.get("resourceType") == "OperationOutcome":
            if outcome.failed(resource):
                raise ServerRefused(f"says the search failed: {outcome.sentence(resource, hidden)}")
        elif mode == "include":
            found.included.append(resource)
        else:
            found.matches.append(resource)


def _link(body: Resource, relation: str) -> str:
    for link in _listed(body.get("link")):
        if isinstance(link, dict) and link.get("relation") == relation:
            return str(link.get("url", ""))
    return ""


def _ignored(body: Resource, parameters: Mapping[str, str]) -> tuple[str, ...]:
    """Return the parameters that the server's self link does not repeat; none without such a link."""
    told = _link(body, "self")
    if not told:
        return ()
    used = {_bare(name) for name, _ in parse_qsl(urlsplit(told).query, keep_blank_values=True)}
    return tuple(name for name in parameters if _bare(name) not in used and not name.startswith("_"))


def _bare(parameter: str) -> str:
    return re.split("[:.]", parameter)[0]


def _listed(value: Any) -> Iterator[Any]:
    yield from value if isinstance(value, list) else ()
