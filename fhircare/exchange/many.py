"""Looking many resources up at once, in as few requests as the server allows.

Where the server takes batches, searches and reads go in one batch, which also keeps numbers that people are
known by out of addresses. Elsewhere identifiers are searched for in lists, as "a or b or c" of one type (FHIR
R4, Search, 3.1.1.4.0.2). Whatever is not answered clearly is asked for again by itself, so the result never
depends on how well a server does either: in particular, "not there" is believed of a list only once the
server has shown that it reads lists to their end.
"""

from __future__ import annotations

import uuid
from itertools import groupby
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from fhircare.errors import ServerRefused, ServerUnavailable
from fhircare.exchange import wire
from fhircare.exchange.client import Stored, carries, escape
from fhircare.exchange.http import FHIR_JSON, Request

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fhircare.exchange.client import FhirServer, Resource

AT_ONCE = 40
"""Look-ups in one batch: below every limit on entries found in the field."""
IN_A_LIST = 20
"""Identifiers in one search: as GET that is an address of some 2,000 letters, which every server takes."""

Key = tuple[str, str, str]
"""Resource type, identifier system, identifier value."""


def find_all(
    server: FhirServer, keys: Iterable[Key], *, there: Key | None = None
) -> dict[Key, Stored | None]:
    """Return for each key the one resource that carries its identifier, None when there is none.

    Args:
        server: The server.
        keys: What to look for.
        there: Something that is known to be there: by it a server without batches shows that it reads lists.

    Raises:
        ServerRefused: When more than one carries it.
        ServerUnavailable: When the server does not answer.
    """
    wanted = list(dict.fromkeys(keys))
    found = _in_a_batch(server, wanted) if takes_batches(server) else _in_lists(server, wanted, there)
    for key in wanted:
        if key not in found:
            alone = server.find(*key)
            found[key] = Stored(alone) if alone else None
    return found


def read_all(server: FhirServer, references: Iterable[str]) -> dict[str, Stored | None]:
    """Return each resource by its literal reference, None for what is not there.

    Read, and not searched for, also where that is one request each: what was just written may not have come
    to a server's search yet.
    """
    wanted = list(dict.fromkeys(references))
    answers = _batch(server, wanted, frozenset())
    found: dict[str, Stored | None] = {}
    for reference in wanted:
        entry = answers.get(reference) or {}
        resource = entry.get("resource")
        if isinstance(resource, dict) and f"{resource.get('resourceType')}/{resource.get('id')}" == reference:
            found[reference] = Stored(resource, str((entry.get("response") or {}).get("etag") or ""))
        else:
            found[reference] = server.read(reference)
    return found


def search_all(
    server: FhirServer, queries: Iterable[tuple[str, str, str]]
) -> dict[tuple[str, str, str], list[Resource]]:
    """Return the rows of each search by one parameter: resource type, parameter, value."""
    wanted = list(dict.fromkeys(queries))
    urls = {query: f"{query[0]}?{urlencode({query[1]: query[2]})}" for query in wanted}
    answers = _batch(server, list(urls.values()), frozenset())
    found = {}
    for query in wanted:
        rows = _rows(answers.get(urls[query]))
        found[query] = server.search(query[0], {query[1]: query[2]}).matches if rows is None else rows
    return found


def takes_batches(server: FhirServer) -> bool:
    """Return whether the server says that it takes batches."""
    return "batch" in server.capabilities.system


def _in_a_batch(server: FhirServer, wanted: list[Key]) -> dict[Key, Stored | None]:
    urls = {key: f"{key[0]}?{urlencode({'identifier': _token(key)})}" for key in wanted}
    answers = _batch(server, list(urls.values()), frozenset(key[2] for key in wanted))
    found: dict[Key, Stored | None] = {}
    for key in wanted:
        rows = _rows(answers.get(urls[key]))
        fit = None if rows is None else _fitting(rows, key)
        if fit is not None and len(fit) <= 1:
            found[key] = Stored(fit[0]) if fit else None
    return found


def _in_lists(server: FhirServer, wanted: list[Key], there: Key | None) -> dict[Key, Stored | None]:
    """Return what lists tell; what they do not tell for certain is left out."""
    found: dict[Key, Stored | None] = {}
    if len(wanted) < 3:
        return found
    by_type = {kind: list(keys) for kind, keys in groupby(sorted(wanted), key=lambda key: key[0])}
    for keys in (keys for keys in by_type.values() if len(keys) > 1):
        for start in range(0, len(keys), IN_A_LIST):
            found |= _one_list(server, keys[start : start + IN_A_LIST])
    present = next((key for key, stored in found.items() if stored is not None), there)
    if len(found) < len(wanted) - 2 and present is not None and not server.reads_lists:
        nobody = (present[0], present[1], f"nobody-{uuid.uuid5(uuid.NAMESPACE_URL, present[2])}")
        server.reads_lists = bool(_asked(server, [nobody, present])[present])
    if server.reads_lists:
        absent = [key for keys in by_type.values() if len(keys) > 1 for key in keys if key not in found]
        found |= dict.fromkeys(absent)
    return found


def _one_list(server: FhirServer, keys: list[Key]) -> dict[Key, Stored | None]:
    rows = _asked(server, keys)
    return {key: Stored(fit[0]) for key, fit in rows.items() if len(fit) == 1}


def _asked(server: FhirServer, keys: list[Key]) -> dict[Key, list[Resource]]:
    parameters = {"identifier": ",".join(_token(key) for key in keys)}
    try:
        rows = server.search(keys[0][0], parameters, private=[key[2] for key in keys]).matches
    except (ServerRefused, ServerUnavailable):
        rows = []  # each will be asked for by itself, and say what is wrong
    return {key: _fitting(rows, key) for key in keys}


def _token(key: Key) -> str:
    return f"{escape(key[1])}|{escape(key[2])}"


def _fitting(rows: list[Resource], key: Key) -> list[Resource]:
    """Return the rows that carry the identifier, each resource once."""
    fit = [row for row in rows if row.get("resourceType") == key[0] and carries(row, key[1], key[2])]
    return list({str(row.get("id")): row for row in fit}.values())


def _batch(server: FhirServer, urls: list[str], private: frozenset[str]) -> dict[str, dict[str, Any]]:
    """Return the answered entries by the address asked for; only those that were answered well."""
    if not takes_batches(server) or len(urls) < 3:
        return {}
    answered: dict[str, dict[str, Any]] = {}
    for start in range(0, len(urls), AT_ONCE):
        chunk = urls[start : start + AT_ONCE]
        entries = [{"request": {"method": "GET", "url": url}} for url in chunk]
        body = wire.dumps({"resourceType": "Bundle", "type": "batch", "entry": entries})
        headers = {"Content-Type": FHIR_JSON, "Cache-Control": "no-cache"}
        try:
            answer = server.transport.ask(
                Request("POST", server.base, headers, body, reads=True), private=private
            )
        except (ServerRefused, ServerUnavailable):
            return answered  # each will be asked for by itself, and say what is wrong
        given = answer.body.get("entry", []) if isinstance(answer.body, dict) else []
        if len(given) != len(chunk):
            continue
        for url, entry in zip(chunk, given, strict=True):
            status = str((entry.get("response") or {}).get("status", "")) if isinstance(entry, dict) else ""
            if status.startswith("200"):
                answered[url] = entry
    return answered


def _rows(entry: dict[str, Any] | None) -> list[Resource] | None:
    """Return the rows of a search answered in a batch; None when it was not, or has more pages."""
    bundle = (entry or {}).get("resource")
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        return None
    if any(link.get("relation") == "next" for link in bundle.get("link", ())):
        return None
    return [e["resource"] for e in bundle.get("entry", ()) if isinstance(e.get("resource"), dict)]
