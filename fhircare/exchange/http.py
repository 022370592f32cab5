"""One request and its answer: the only module that speaks HTTP.

Every request goes to the origin we were told to talk to, over verified TLS (plain http on this machine
alone), waits a bounded time, reads a bounded number of bytes and follows no redirect elsewhere. What went
wrong becomes one of four errors: refused, conflict, unavailable, unclear (see ``fhircare.errors``).

When a request may be repeated at once: when it only reads; when carrying it out twice is the same as once
(``repeatable``); when the server cannot have carried it out (no connection, 429). Everything else that ends
without a usable answer is *unclear*: whoever asked must look before asking again.
"""

from __future__ import annotations

import email.utils
import random
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import requests
import tenacity

from fhircare.errors import Conflict, OutcomeUnclear, ServerRefused, ServerUnavailable
from fhircare.exchange import outcome, wire
from fhircare.exchange.origin import base_url, is_loopback, keep_to
from fhircare.exchange.patience import BoundedAdapter

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from requests.structures import CaseInsensitiveDict

FHIR_JSON = "application/fhir+json"
_JSON_TYPES = ("application/fhir+json", "application/json", "application/json+fhir", "text/json")
_REDIRECTS = (301, 302, 303, 307, 308)
_AGAIN_LATER = (408, 425, 429, 502, 503, 504)
_MAY_PASS = (400, 422, 500)
"""Statuses that mean "later" only when the OperationOutcome says so."""
_MOST_REDIRECTS = 3


@dataclass(frozen=True, slots=True)
class Request:
    """A request, exactly as it goes out but for the authorisation header."""

    method: str
    """GET, POST, PUT or DELETE."""
    url: str
    """The whole address."""
    headers: Mapping[str, str] = field(default_factory=dict)
    """Headers beside authorisation."""
    body: bytes | None = field(default=None, repr=False)
    """What is sent."""
    reads: bool = False
    """True when it changes nothing on the server: GET, POST _search, $validate."""
    repeatable: bool = False
    """True when carrying it out twice is the same as once, even at the same time: PUT with If-Match."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A usable answer."""

    status: int
    """HTTP status."""
    headers: Mapping[str, str]
    """Headers, found in any case."""
    body: Any = field(default=None, repr=False)
    """The JSON value, None when there was none."""

    @property
    def etag(self) -> str:
        """The ETag, byte for byte, "" when there was none."""
        return self.headers.get("ETag", "")


@dataclass(frozen=True, slots=True)
class Bounds:
    """How long, how much and how often. Seconds and bytes."""

    connect: float = 10.0
    """Until the connection stands."""
    silence: float = 30.0
    """Between two bytes of an answer."""
    whole: float = 120.0
    """For the whole of one answer."""
    most_bytes: int = 64_000_000
    """Largest answer read, after unpacking."""
    attempts: int = 5
    """Most times one request is sent."""
    first_pause: float = 1.0
    """Upper end of the first random pause; it doubles each time."""
    longest_pause: float = 60.0
    """No single pause is longer; a server that asks for more is left for later."""


class Auth(Protocol):
    """Gives the authorisation of a request."""

    def header(self) -> str:
        """Return the value of the Authorization header, "" for none."""

    def renew(self) -> bool:
        """Forget the token; return whether a new one may be had."""


class _AgainError(Exception):
    """Inside this module: the attempt failed, and may be repeated at once."""

    def __init__(self, error: ServerUnavailable) -> None:
        self.error = error


class Transport:
    """Sends requests to one FHIR base."""

    def __init__(
        self,
        base: str,
        auth: Auth,
        *,
        bounds: Bounds | None = None,
        ca_file: str = "",
        sleep: Callable[[float], None] = time.sleep,
        chance: Callable[[], float] = random.random,
        now: Callable[[], float] = time.time,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.base, self.auth, self.bounds = base_url(base), auth, bounds or Bounds()
        self._sleep, self._chance, self._now, self._clock = sleep, chance, now, clock
        self._session = requests.Session()
        # A proxy or a certificate list set for this machine is honoured, but never for a server on it.
        self._session.trust_env = not is_loopback(self.base)
        self._session.verify = ca_file or True
        adapter = BoundedAdapter(self.bounds.whole)
        self._session.mount("https://", adapter)
        self._session.mount("http://", adapter)

    def close(self) -> None:
        """Close all connections."""
        self._session.close()

    def ask(
        self, request: Request, *, accept: tuple[int, ...] = (), private: frozenset[str] = frozenset()
    ) -> Answer:
        """Send a request, again where that is safe, and return its answer.

        Args:
            request: What to send.
            accept: Statuses outside 2xx that are an answer to the caller, such as 404.
            private: Texts that must not appear in an error.

        Raises:
            ServerRefused: Asking again will not help; ``Conflict`` for 409 and 412.
            ServerUnavailable: Asking again later may help; ``OutcomeUnclear`` when it may have been done.
        """
        keep_to(self.base, request.url, "the address asked for")
        retrying = tenacity.Retrying(
            stop=tenacity.stop_after_attempt(self.bounds.attempts),
            wait=self._pause,
            retry=tenacity.retry_if_exception(self._worth_repeating),
            sleep=self._sleep,
            reraise=True,
        )
        try:
            return retrying(self._signed, request, accept, private)
        except _AgainError as again:
            raise again.error from None

    def _worth_repeating(self, error: BaseException) -> bool:
        return isinstance(error, _AgainError) and (error.error.wait or 0) <= self.bounds.longest_pause

    def _pause(self, state: tenacity.RetryCallState) -> float:
        error = state.outcome.exception() if state.outcome else None
        asked = error.error.wait if isinstance(error, _AgainError) else None
        if asked is not None:
            return asked + self._chance()
        most: float = self.bounds.first_pause * 2.0 ** (state.attempt_number - 1)
        return self._chance() * min(most, self.bounds.longest_pause)

    def _signed(self, request: Request, accept: tuple[int, ...], private: frozenset[str]) -> Answer:
        answer = self._redirected(request)
        if answer.status == 401 and self.auth.renew():
            answer = self._redirected(request)
        return self._judged(request, answer, accept, private)

    def _redirected(self, request: Request) -> Answer:
        url = request.url
        for _ in range(_MOST_REDIRECTS + 1):
            answer = self._once(request, url)
            if answer.status not in _REDIRECTS:
                return answer
            if request.method != "GET":
                raise ServerRefused("answers with a redirect: name the address it points to as the base")
            target = answer.headers.get("Location", "")
            url = keep_to(self.base, requests.compat.urljoin(url, target), "the redirect")
        raise ServerRefused("redirects in a circle")

    def _once(self, request: Request, url: str) -> Answer:
        headers = {"Accept": FHIR_JSON, **request.headers}
        token = self.auth.header()
        if token:
            headers["Authorization"] = token
        started = self._clock()
        try:
            response = self._session.request(
                request.method,
                url,
                data=request.body,
                headers=headers,
                timeout=(self.bounds.connect, self.bounds.silence),
                allow_redirects=False,
                stream=True,
                auth=_as_it_is,
            )
            with response:
                data = self._read(request, response, started)
        except requests.exceptions.SSLError:
            raise ServerRefused(
                "its certificate could not be verified: check the address, or name your own authority's "
                "certificate as ca_file"
            ) from None
        except requests.RequestException as error:
            raise self._broken(request, error) from None
        except (OSError, requests.packages.urllib3.exceptions.HTTPError) as error:  # type: ignore[attr-defined]
            raise self._broken(request, error) from None
        return self._parsed(request, response.status_code, response.headers, data)

    def _read(self, request: Request, response: requests.Response, started: float) -> bytes:
        parts, size = [], 0
        while chunk := response.raw.read1(65536, decode_content=True):
            size += len(chunk)
            if size > self.bounds.most_bytes:
                raise _lost(request, f"sends more than {self.bounds.most_bytes // 1_000_000} MB: not read on")
            if self._clock() - started > self.bounds.whole:
                raise _lost(request, f"takes longer than {self.bounds.whole:.0f} seconds to answer")
            parts.append(chunk)
        return b"".join(parts)

    def _broken(self, request: Request, error: Exception) -> Exception:
        if _never_reached(error):
            return _AgainError(ServerUnavailable("no connection: it does not answer at this address"))
        text = "no answer in time" if isinstance(error, requests.Timeout) else "the connection broke off"
        return _again_if_safe(request, _lost(request, text))

    def _parsed(
        self, request: Request, status: int, headers: CaseInsensitiveDict[str], data: bytes
    ) -> Answer:
        kind = headers.get("Content-Type", "").split(";")[0].strip().lower()
        fine = 200 <= status < 300
        if not data.strip():
            if fine and request.reads:
                raise _again_if_safe(request, _lost(request, "sends an empty answer"))
            return Answer(status, headers)
        if kind not in _JSON_TYPES:
            if fine:
                raise _lost(
                    request,
                    f"answers with {kind or 'no content type'}, not with FHIR JSON: is this the FHIR base, "
                    "and is no sign-in page or proxy in between?",
                )
            return Answer(status, headers)
        try:
            return Answer(status, headers, wire.loads(data))
        except ValueError:
            if fine:
                raise _again_if_safe(
                    request, _lost(request, "sends JSON that breaks off or is damaged")
                ) from None
            return Answer(status, headers)

    def _judged(
        self, request: Request, answer: Answer, accept: tuple[int, ...], private: frozenset[str]
    ) -> Answer:
        status, said = answer.status, outcome.sentence(answer.body, private)
        if 200 <= status < 300 or status in accept:
            return answer
        words = f"{_meaning(status)} ({status})" + (f": {said}" if said else "")
        if status in _AGAIN_LATER or (status in _MAY_PASS and outcome.transient(answer.body)):
            wait = retry_after(answer.headers.get("Retry-After", ""), self._now())
            if status in (425, 429) or request.reads or request.repeatable:
                raise _AgainError(ServerUnavailable(words, status=status, wait=wait))
            raise OutcomeUnclear(words, status=status, wait=wait)
        if status in (409, 412):
            raise Conflict(words, status=status)
        if status >= 500 and status != 501:
            raise (
                ServerUnavailable(words, status=status)
                if request.reads
                else OutcomeUnclear(words, status=status)
            )
        raise ServerRefused(words, status=status)


def retry_after(text: str, now: float) -> float | None:
    """Return the seconds a Retry-After header asks for: a number, or an HTTP date (RFC 9110, 10.2.3).

    None when there is none or it cannot be read; never below zero.
    """
    text = text.strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        return max(0.0, email.utils.parsedate_to_datetime(text).timestamp() - now)
    except (ValueError, TypeError, IndexError):
        return None


def _lost(request: Request, text: str) -> ServerUnavailable:
    return ServerUnavailable(text) if request.reads else OutcomeUnclear(text)


def _again_if_safe(request: Request, error: ServerUnavailable) -> Exception:
    return _AgainError(error) if request.reads or request.repeatable else error


def _never_reached(error: Exception) -> bool:
    """Return whether the connection never stood, so that nothing can have been carried out."""
    if isinstance(error, requests.ConnectTimeout | requests.exceptions.ProxyError):
        return True
    cause = error.args[0] if error.args else None
    reason = getattr(cause, "reason", cause)
    return type(reason).__name__ in ("NewConnectionError", "NameResolutionError", "ConnectTimeoutError")


def _as_it_is(request: requests.PreparedRequest) -> requests.PreparedRequest:
    """Keep requests from looking for a password in the user's .netrc."""
    return request


_MEANINGS = {
    400: "could not use the request",
    401: "did not accept our token",
    403: "does not allow this: ask its administrator for the scopes named in the destinations file",
    404: "does not know this",
    405: "does not offer this",
    409: "says that somebody else is changing the same thing",
    410: "says that this was deleted",
    412: "says that this has changed meanwhile, or is there more than once",
    413: "finds this too large: lower entries_at_once in the destinations file",
    422: "found the content wrong",
    429: "asks us to slow down",
}


def _meaning(status: int) -> str:
    return _MEANINGS.get(status, "is in trouble" if status >= 500 else "refused")
