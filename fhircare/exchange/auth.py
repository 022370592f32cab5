"""Authorisation: none (this machine only), a bearer token, or SMART Backend Services.

SMART Backend Services is HL7's profile of OAuth 2.0 client credentials (SMART App Launch 2.2.0, Backend
Services): the client signs a short-lived JWT (RFC 7519, 7523) with its private key, RS384 or ES384, and gets
a token for it. The token is kept until shortly before it runs out. When our clock is wrong, the server's own
(its Date header) is believed, because a JWT that is some minutes off is refused.

Nothing secret is ever shown: not in an error, not in a ``repr``.
"""

from __future__ import annotations

import time
import uuid
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, JWKRegistry, KeySet, RSAKey

from fhircare.errors import Fault, InputError, ServerRefused
from fhircare.exchange import wire
from fhircare.exchange.http import Answer, Request, Transport
from fhircare.exchange.origin import base_url, origin

if TYPE_CHECKING:
    from collections.abc import Callable

ALGORITHMS = ("RS384", "ES384")
"""What SMART asks a client to be able to sign with."""
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"  # RFC 7523, 2.2
ASSERTION_SECONDS = 240
"""Life of an assertion. SMART allows five minutes; a minute is left for clocks."""
RENEW_BEFORE_SECONDS = 30
"""A token is renewed this long before it runs out."""
JSON = "application/json"
_LEAST_RSA_BITS = 2048

SigningKey = RSAKey | ECKey


class NoAuth:
    """For a server on this machine."""

    def header(self) -> str:
        """Return nothing."""
        return ""

    def renew(self) -> bool:
        """There is nothing to renew."""
        return False


@dataclass(frozen=True, slots=True)
class Bearer:
    """A token somebody gave us."""

    token: str = field(repr=False)

    def header(self) -> str:
        """Return the header value."""
        return f"Bearer {self.token}"

    def renew(self) -> bool:
        """Another one must come from the same person."""
        return False


def bearer(secret: bytes, file: str) -> Bearer:
    """Return the bearer token in a file's content.

    Raises:
        InputError: When it is not one line of printable characters (RFC 6750, 2.1).
    """
    token = secret.decode("ascii", "replace").strip()
    if not token or not token.isascii() or not token.isprintable() or " " in token:
        raise InputError(
            Fault("", "does not hold a token", "one line, the token and nothing else"), file=file
        )
    return Bearer(token)


def signing_key(secret: bytes, file: str, key_id: str = "") -> SigningKey:
    """Return the private key in a file: PEM, a JWK (RFC 7517), or a JWK set.

    Args:
        secret: The file's content.
        file: Its name, for errors.
        key_id: Which key of a set; "" for the only one that can sign.

    Raises:
        InputError: When there is no such key, or it is no RSA key of at least 2048 bits and no P-384 key.
    """
    try:
        keys = _keys(secret)
    except (JoseError, ValueError, TypeError, KeyError):
        raise InputError(Fault("", "holds no key that can be read", "use PEM or JWK"), file=file) from None
    fit = [key for key in keys if key.is_private and key_id in ("", key.kid or "")]
    if len(fit) != 1:
        problem = "holds no private key of that key_id" if not fit else "holds more than one private key"
        raise InputError(Fault("", problem, "name one by key_id in the destinations file"), file=file)
    key = fit[0]
    if isinstance(key, RSAKey) and key.raw_value.key_size >= _LEAST_RSA_BITS:
        return key
    if isinstance(key, ECKey) and key.curve_name == "P-384":
        return key
    raise InputError(
        Fault("", "holds a key of another kind", "RSA of 2048 bits or more, or EC on P-384"), file=file
    )


def algorithm(key: SigningKey) -> str:
    """Return what a key signs with: RS384 or ES384."""
    return "RS384" if isinstance(key, RSAKey) else "ES384"


def assertion(key: SigningKey, client_id: str, token_url: str, *, now: int, unique: str) -> str:
    """Return the signed JWT by which a client proves who it is (SMART Backend Services; RFC 7523).

    Args:
        key: The private key; its ``kid``, or else its thumbprint (RFC 7638), is named in the header.
        client_id: The id the server gave us, issuer and subject.
        token_url: The token endpoint, the audience.
        now: Seconds since 1970 by the server's clock.
        unique: An id never used before.
    """
    header = {"alg": algorithm(key), "kid": key.kid or key.thumbprint(), "typ": "JWT"}
    claims = {
        "iss": client_id,
        "sub": client_id,
        "aud": token_url,
        "exp": now + ASSERTION_SECONDS,
        "jti": unique,
    }
    return jwt.encode(header, claims, key, algorithms=list(ALGORITHMS))


class SmartBackend:
    """Gets tokens by SMART Backend Services, and keeps each until shortly before it runs out."""

    def __init__(
        self,
        base: str,
        client_id: str,
        key: SigningKey,
        scopes: str,
        *,
        token_url: str = "",
        connect: Callable[[str], Transport] = lambda base: Transport(base, NoAuth()),
        now: Callable[[], float] = time.time,
        unique: Callable[[], str] = lambda: str(uuid.uuid4()),
    ) -> None:
        self._base, self._client_id, self._key, self._scopes = base, client_id, key, scopes
        self._token_url, self._connect, self._now, self._unique = token_url, connect, now, unique
        self._ahead = 0.0  # how many seconds the server's clock is ahead of ours
        self._token, self._until = "", 0.0

    def __repr__(self) -> str:
        return f"SmartBackend(base={self._base!r})"

    def header(self) -> str:
        """Return the header value, with a fresh token where needed.

        Raises:
            ServerRefused: When no token is given.
            ServerUnavailable: When the token endpoint does not answer.
        """
        if not self._token or self._now() >= self._until - RENEW_BEFORE_SECONDS:
            self._fetch()
        return f"Bearer {self._token}"

    def renew(self) -> bool:
        """Forget the token; the next request gets a new one."""
        self._token = ""
        return True

    def _fetch(self) -> None:
        url = self._endpoint()
        server_now = int(self._now() + self._ahead)
        signed = assertion(self._key, self._client_id, url, now=server_now, unique=self._unique())
        form = {
            "grant_type": "client_credentials",
            "scope": self._scopes,
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": signed,
        }
        request = Request(
            "POST",
            url,
            {"Content-Type": "application/x-www-form-urlencoded", "Accept": JSON},
            urlencode(form).encode(),
            reads=True,
        )
        answer = self._connect(url).ask(request, accept=(400, 401))
        body = answer.body if isinstance(answer.body, dict) else {}
        if answer.status != 200:
            raise ServerRefused(f"no token was given: {_oauth_words(body)}", status=answer.status)
        self._keep(body)

    def _keep(self, body: dict[str, Any]) -> None:
        token, kind = body.get("access_token"), str(body.get("token_type", "")).lower()
        if not isinstance(token, str) or not token.isprintable() or not token or kind != "bearer":
            raise ServerRefused("the token endpoint answers without a bearer token")
        given = set(str(body.get("scope", self._scopes)).split())
        if not given:
            raise ServerRefused("the token given allows nothing: ask its administrator for the scopes")
        life = body.get("expires_in", 300)  # SMART recommends 300 seconds
        seconds = float(life) if isinstance(life, int | float) or str(life).isdigit() else 300.0
        self._token, self._until = token, self._now() + max(seconds, RENEW_BEFORE_SECONDS + 1)

    def _endpoint(self) -> str:
        url = f"{self._base}/.well-known/smart-configuration"
        answer = self._connect(self._base).ask(Request("GET", url, {"Accept": JSON}, reads=True))
        self._ahead = _ahead(answer, self._now())
        body = answer.body if isinstance(answer.body, dict) else {}
        endpoint = str(body.get("token_endpoint", ""))
        try:
            base_url(endpoint, "token_endpoint")
        except InputError:
            raise ServerRefused("names no token endpoint that can be used, or one without https") from None
        if endpoint != self._token_url and origin(endpoint) != origin(self._base):
            raise ServerRefused(
                f"sends us for a token to another host, {origin(endpoint)[1]}: if that is right, "
                "write the address as token_url in the destinations file"
            )
        known = body.get("token_endpoint_auth_signing_alg_values_supported")
        if isinstance(known, list) and algorithm(self._key) not in known:
            raise ServerRefused(f"does not take keys that sign with {algorithm(self._key)}")
        return endpoint


def _ahead(answer: Answer, now: float) -> float:
    try:
        ahead = parsedate_to_datetime(answer.headers.get("Date", "")).timestamp() - now
    except (ValueError, TypeError, IndexError):
        return 0.0
    return ahead if abs(ahead) > 2 else 0.0  # Date has whole seconds


def _oauth_words(body: dict[str, Any]) -> str:
    code = str(body.get("error", ""))[:40]
    meaning = {
        "invalid_client": "the server does not know the client_id or its key (invalid_client)",
        "invalid_scope": "the server does not grant the scopes asked for (invalid_scope)",
        "unauthorized_client": "the client may not ask for tokens this way (unauthorized_client)",
    }
    return meaning.get(code, code if code.replace("_", "").isalpha() else "the server did not say why")


def _keys(secret: bytes) -> list[Any]:
    if secret.lstrip().startswith(b"{"):
        data = wire.loads(secret)
        if "keys" in data:
            return list(KeySet.import_key_set(data).keys)
        return [JWKRegistry.import_key(data)]
    kind: type[RSAKey | ECKey] = RSAKey
    try:
        return [kind.import_key(secret)]
    except (ValueError, TypeError, JoseError):
        return [ECKey.import_key(secret)]
