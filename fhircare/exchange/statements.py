"""What servers said they can do, kept between runs: asked once a day, and again when in doubt.

A CapabilityStatement may be a megabyte, and changes when a server is upgraded. Kept of it is only what we
read from it (``fhircare.exchange.capabilities``): no contacts, no addresses, nothing about who asked. It is
used unasked for a day, or for less where the server's Cache-Control says so (RFC 9111, 5.2.2); then the
server is asked whether it has changed, by its ETag or its date (RFC 9110, 13.1).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

from fhircare.exchange.http import Request

if TYPE_CHECKING:
    from fhircare.exchange.http import Transport

DAY = 86_400.0
"""Seconds a statement is used unasked."""
_OF_A_SERVER = ("mode", "interaction", "operation", "resource")
_OF_A_TYPE = (
    "type", "interaction", "searchParam", "operation", "versioning", "conditionalCreate", "updateCreate",
    "supportedProfile",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Statement:
    """What a server said, as it is kept."""

    body: Any = field(repr=False)
    """The CapabilityStatement, as far as we read it."""
    etag: str = ""
    """Its ETag, byte for byte."""
    modified: str = ""
    """Its Last-Modified, as it came."""
    until: float = 0.0
    """Until when it is used unasked, seconds since 1970."""


class Statements(Protocol):
    """Keeps what servers said, by their base address."""

    def recall(self, base: str) -> Statement | None:
        """Return what a server said last, None for nothing."""

    def keep(self, base: str, statement: Statement) -> None:
        """Keep what a server said."""

    def forget(self, base: str) -> None:
        """Forget what a server said."""


def statement_of(
    transport: Transport, kept: Statements | None, now: float, *, anew: bool = False
) -> tuple[Any, bool]:
    """Return a server's CapabilityStatement, and whether it is one of an earlier run.

    Args:
        transport: The way to the server.
        kept: Where statements are kept; None to ask.
        now: Seconds since 1970.
        anew: Ask, whatever is kept.

    Raises:
        ServerRefused, ServerUnavailable: As ``Transport.ask``.
    """
    before = kept.recall(transport.base) if kept else None
    if before and not anew and now < before.until:
        return before.body, True
    headers = {"If-None-Match": before.etag} if before and before.etag else {}
    if before and before.modified and not headers:
        headers = {"If-Modified-Since": before.modified}
    answer = transport.ask(
        Request("GET", f"{transport.base}/metadata", headers, reads=True), accept=(304,) if headers else ()
    )
    life = seconds_fresh(answer.headers.get("Cache-Control", ""))
    if answer.status == 304 and before:
        statement = replace(before, until=now + (life or 0.0))
    elif not isinstance(answer.body, dict) or answer.body.get("resourceType") != "CapabilityStatement":
        return answer.body, False
    else:
        modified = answer.headers.get("Last-Modified", "")
        statement = Statement(_what_we_read(answer.body), answer.etag, modified, now + (life or 0.0))
    if kept and life is not None:
        kept.keep(transport.base, statement)
    return statement.body, False


def seconds_fresh(cache_control: str) -> float | None:
    """Return how long an answer may be used unasked, a day at most; None when it must not be kept at all."""
    words = {word.strip().lower() for word in cache_control.split(",")}
    if "no-store" in words:
        return None
    if "no-cache" in words:
        return 0.0
    told = [int(match[1]) for word in words if (match := re.fullmatch(r'max-age="?(\d{1,9})"?', word))]
    return min([*told, DAY])


def _what_we_read(body: dict[str, Any]) -> dict[str, Any]:
    told = _some(body, ("resourceType", "fhirVersion", "format"))
    if isinstance(body.get("software"), dict):
        told["software"] = _some(body["software"], ("name", "version"))
    told["rest"] = [_some(rest, _OF_A_SERVER) for rest in _dicts(body.get("rest"))]
    for rest in told["rest"]:
        rest["resource"] = [_some(kind, _OF_A_TYPE) for kind in _dicts(rest.get("resource"))]
        for part in (rest, *rest["resource"]):
            for name in ("interaction", "operation", "searchParam"):
                part[name] = [_some(one, ("code", "name")) for one in _dicts(part.get(name))]
    return told


def _some(value: dict[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    return {name: value[name] for name in names if name in value}


def _dicts(value: Any) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []
