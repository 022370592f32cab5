"""Looking many resources up at once: searches and reads in one batch, where the server takes batches.

A batch also keeps numbers that people are known by out of addresses. Whatever a batch does not answer clearly
is asked for again by itself, so the result never depends on how well a server does batches.
"""

from __future__ import annotations

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

Key = tuple[str, str, str]
"""Resource type, identifier system, identifier value."""


def find_all(server: FhirServer, keys: Iterable[Key]) -> dict[Key, Stored | None]:
    """Return for each key the one resource that carries its identifier, None when there is none.

    Raises:
        ServerRefused: When more than one carries it.
        ServerUnavailable: When the server does not answer.
    """
    wanted = list(dict.fromkeys(keys))
    urls = {
        key: f"{key[0]}?{urlencode({'identifier': f'{escape(key[1])}|{escape(key[2])}'})}" for key in wanted
    }
    answers = _batch(server, list(urls.values()), frozenset(key[2] for key in wanted))
    found: dict[Key, Stored | None] = {}
    for key in wanted:
        rows = _rows(answers.get(urls[key]))
        if rows is not None:
            fit = [r for r in rows if r.get("resourceType") == key[0] and carries(r, key[1], key[2])]
            if len({r.get("id") for r in fit}) <= 1:
                found[key] = Stored(fit[0]) if fit else None
                continue
        alone = server.find(*key)
        found[key] = Stored(alone) if alone else None
    return found


def read_all(server: FhirServer, references: Iterable[str]) -> dict[str, Stored | None]:
    """Return each resource by its literal reference, None for what is not there."""
    wanted = list(dict.fromkeys(references))
    answers = _batch(server, wanted, frozenset())
    found: dict[str, Stored | None] = {}
    for reference in wanted:
        resource = (answers.get(reference) or {}).get("resource")
        if isinstance(resource, dict) and f"{resource.get('resourceType')}/{resource.get('id')}" == reference:
            found[reference] = Stored(resource)
        else:
            found[reference] = server.read(reference)
    return found


def _batch(server: FhirServer, urls: list[str], private: frozenset[str]) -> dict[str, dict[str, Any]]:
    """Return the answered entries by the address asked for; only those that were answered well."""
    if "batch" not in server.capabilities.system or len(urls) < 3:
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
