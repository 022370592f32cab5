"""Where a request may go: https anywhere, http only on this machine, and never to another origin than asked.

An origin is scheme, host and port (RFC 6454). Everything a server hands us that looks like an address
(a ``next`` link, a redirect, a token endpoint) is held against the origin we were told to talk to.
"""

from __future__ import annotations

import ipaddress
from urllib.parse import SplitResult, urlsplit

from fhircare.errors import Fault, InputError, ServerRefused

_PORTS = {"http": 80, "https": 443}


def base_url(text: str, field: str = "base") -> str:
    """Return a FHIR base address without its closing slash.

    Raises:
        InputError: When it is not https (http is allowed on this machine alone), or carries a user, a query
            or a fragment.
    """
    parts = _split(text)
    if parts is None or parts.scheme not in _PORTS or not parts.hostname:
        raise InputError(
            Fault(field, "is not a web address", "write it whole, such as https://fhir.example/r4")
        )
    if parts.username is not None or parts.password is not None:
        raise InputError(Fault(field, "carries a user or password", "use auth in the destinations file"))
    if parts.query or parts.fragment:
        raise InputError(Fault(field, "carries a query or fragment", "end it at the FHIR base"))
    if parts.scheme == "http" and not is_loopback(text):
        raise InputError(Fault(field, "is not encrypted", "use https; http is for this machine only"))
    return text.rstrip("/")


def is_loopback(url: str) -> bool:
    """Return whether an address names this machine: localhost, 127.0.0.0/8 or ::1."""
    parts = _split(url)
    host = parts.hostname if parts else None
    if not host:
        return False
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def origin(url: str) -> tuple[str, str, int]:
    """Return scheme, host and port of an address; ("", "", 0) when it is none."""
    parts = _split(url)
    if parts is None or not parts.hostname:
        return ("", "", 0)
    return (parts.scheme, parts.hostname.lower(), parts.port or _PORTS.get(parts.scheme, 0))


def keep_to(home: str, url: str, what: str) -> str:
    """Return ``url`` when it is of the same origin as ``home``.

    Args:
        home: The address we were told to talk to.
        url: The address a server gave us.
        what: What it is, for the error, such as "the next page".

    Raises:
        ServerRefused: When it is of another origin; the address itself may hold data and is not repeated.
    """
    if origin(url) != origin(home) or origin(url) == ("", "", 0):
        there = "{}://{}:{}".format(*origin(url))
        raise ServerRefused(f"{what} is on {there}, another place than the server's own: not followed")
    return url


def _split(url: str) -> SplitResult | None:
    if any(ord(letter) <= 32 or letter in '\\"<>' for letter in url):
        return None
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError:
        return None
    return parts
