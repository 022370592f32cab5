"""Authorisation: signed by the published vectors, cached, discovered; and nothing secret is ever shown."""

from __future__ import annotations

import json
from email.utils import formatdate
from pathlib import Path
from urllib.parse import parse_qs

import pytest
import responses
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from joserfc import jws, jwt
from joserfc.jwk import ECKey, OctKey, RSAKey

from fhircare.errors import InputError, ServerRefused
from fhircare.exchange.auth import Bearer, NoAuth, SmartBackend, algorithm, assertion, signing_key
from fhircare.exchange.http import Request, Transport
from tests.exchange_kit import Clock

RFC7520 = json.loads((Path(__file__).parent / "data" / "jose" / "rfc7520-rs256.json").read_text("utf-8"))
BASE, TOKEN = "https://fhir.example/r4", "https://fhir.example/oauth/token"
NOW = 1_700_000_000


@pytest.fixture(scope="module")
def rsa_key():
    """RFC 7520's RSA key, read as a key file would be."""
    return signing_key(json.dumps(RFC7520["key"]).encode(), "key.jwk")


@pytest.fixture(scope="module")
def ec_key():
    """A P-384 key, read from PEM."""
    made = ec.generate_private_key(ec.SECP384R1())
    pem = made.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return signing_key(pem, "key.pem")


def test_rfc_7520_signature(rsa_key):
    """RFC 7520, 4.1: the published key and payload give the published signature."""
    made = jws.serialize_compact(
        RFC7520["protected"], RFC7520["payload"].encode(), rsa_key, algorithms=["RS256"]
    )
    assert made == RFC7520["compact"]


def test_rfc_7638_thumbprint():
    """RFC 7638, 3.1: a key without a kid is named by its thumbprint, as in the RFC's own example."""
    key = RSAKey.import_key(
        {
            "kty": "RSA",
            "n": "0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_"
            "BJECPebWKRXj"
            "BZCiFV4n3oknjhMstn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgn"
            "Yb9c7d0zgdAZHzu6qMQvRL5hajrn1n91CbOpbISD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls"
            "1jF44-csFCur-kEgU8awapJzKnqDKgw",
            "e": "AQAB",
        }
    )
    assert key.thumbprint() == "NzbLsXh8uDCcd-6MNwXF4W_7noWXFZAfHkxZsRGC9Xs"


def test_rfc_6979_p384_signature():
    """RFC 6979, A.2.6, P-384 with SHA-384, message "sample": the published signature verifies as ES384's
    raw r||s.
    """
    number = int(
        "6B9D3DAD2E1B8C1C05B19875B6659F4DE23C3B667BF297BA9AA47740787137D896D5724E4C70A825F872C9EA60D2EDF5", 16
    )
    signature = bytes.fromhex(
        "94EDBB92A5ECB8AAD4736E56C691916B3F88140666CE9FA73D64C4EA95AD133C81A648152E44ACF96E36DD1E80FABE46"
        "99EF4AEB15F178CEA1FE40DB2603138F130E740A19624526203B6351D0A3A94FA329C145786E679E7B82C71A38628AC8"
    )
    key = ECKey.import_key(
        ec.derive_private_key(number, ec.SECP384R1()).private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    es384 = jws.JWSRegistry.algorithms["ES384"]

    assert es384.verify(b"sample", signature, key)
    assert not es384.verify(b"Sample", signature, key)


def test_an_assertion_says_what_smart_asks(rsa_key):
    """SMART App Launch 2.2.0, Backend Services: header alg, kid, typ; claims iss = sub, aud, exp, jti; at
    most 5 min.
    """
    signed = assertion(rsa_key, "clinic", TOKEN, now=NOW, unique="u-1")
    token = jwt.decode(signed, rsa_key, algorithms=["RS384"])

    assert token.header == {"alg": "RS384", "kid": "bilbo.baggins@hobbiton.example", "typ": "JWT"}
    assert token.claims == {"iss": "clinic", "sub": "clinic", "aud": TOKEN, "exp": NOW + 240, "jti": "u-1"}


def test_signatures_hold_in_another_library(rsa_key, ec_key):
    """RS384 is RSASSA-PKCS1-v1_5 with SHA-384; ES384 is raw r||s of 96 bytes, not DER (RFC 7518, 3.3 and
    3.4).
    """
    from base64 import urlsafe_b64decode

    from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

    for key in (rsa_key, ec_key):
        signed, _, tail = assertion(key, "c", TOKEN, now=NOW, unique="u").rpartition(".")
        raw = urlsafe_b64decode(tail + "==")
        public = key.raw_value.public_key()
        if isinstance(public, rsa.RSAPublicKey):
            public.verify(raw, signed.encode(), padding.PKCS1v15(), hashes.SHA384())
        else:
            assert len(raw) == 96
            der = encode_dss_signature(int.from_bytes(raw[:48]), int.from_bytes(raw[48:]))
            public.verify(der, signed.encode(), ec.ECDSA(hashes.SHA384()))


def _short_rsa():
    made = rsa.generate_private_key(65537, 1024)  # noqa: S505 - to be refused
    return made.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.TraditionalOpenSSL,
        serialization.NoEncryption(),
    )


@pytest.mark.parametrize(
    ("secret", "says"),
    [
        (b"", "holds no key"),
        (b"not a key", "holds no key"),
        (b'{"kty":"RSA"}', "holds no key"),
        (json.dumps({k: RFC7520["key"][k] for k in ("kty", "n", "e")}).encode(), "no private key"),
        (json.dumps({"keys": [RFC7520["key"], RFC7520["key"]]}).encode(), "more than one private key"),
        (json.dumps(OctKey.generate_key(256).as_dict(private=True)).encode(), "another kind"),
        (json.dumps(ECKey.generate_key("P-256").as_dict(private=True)).encode(), "another kind"),
        (_short_rsa(), "another kind"),
    ],
)
@pytest.mark.filterwarnings("ignore::joserfc.errors.SecurityWarning")
def test_keys_that_will_not_do(secret, says):
    """Each is refused in words that name the file and hold nothing of the key."""
    with pytest.raises(InputError, match=says) as caught:
        signing_key(secret, "some.key")
    assert str(caught.value).startswith("some.key: ")


def test_a_key_is_chosen_by_its_id(ec_key):
    """Of a set with several keys, key_id names one."""
    keys = {"keys": [RFC7520["key"], {**ec_key.as_dict(private=True), "kid": "new"}]}

    chosen = signing_key(json.dumps(keys).encode(), "set.jwk", "new")
    assert algorithm(chosen) == "ES384"


class Endpoint:
    """A server's discovery document and token endpoint, with a clock of its own."""

    def __init__(self, mocked, key, clock, ahead=0, token_url=TOKEN, **more):
        self.key, self.clock, self.ahead, self.seen, self.used = key, clock, ahead, [], set()
        self.document = {"token_endpoint": token_url, **more}
        self.answer = {
            "access_token": "token-1",
            "token_type": "Bearer",
            "expires_in": 300,
            "scope": "system/Goal.rs",
        }
        told = f"{BASE}/.well-known/smart-configuration"
        mocked.add_callback("GET", told, lambda _r: (200, self._headers(), json.dumps(self.document)))
        mocked.add_callback("POST", token_url, self._token)
        mocked.add_callback("GET", f"{BASE}/metadata", self._metadata)

    def now(self):
        return self.clock.now() + self.ahead

    def _headers(self):
        return {"Content-Type": "application/json", "Date": formatdate(self.now(), usegmt=True)}

    def _metadata(self, request):
        fine = request.headers.get("Authorization") == f"Bearer {self.answer['access_token']}"
        return (200 if fine else 401), {"Content-Type": "application/fhir+json"}, "{}"

    def _token(self, request):
        """Judge the assertion as a server must: signature, audience, at most five minutes ahead, never
        twice.
        """
        form = {name: values[0] for name, values in parse_qs(request.body.decode()).items()}
        self.seen.append(form)
        claims = jwt.decode(form["client_assertion"], self.key, algorithms=["RS384", "ES384"]).claims
        right = (
            claims["aud"] == request.url
            and 0 < claims["exp"] - self.now() <= 300
            and claims["jti"] not in self.used
        )
        self.used.add(claims["jti"])
        if not right:
            return 400, self._headers(), json.dumps({"error": "invalid_client"})
        return 200, self._headers(), json.dumps(self.answer)


def smart(clock, key, **more):
    """A client of Backend Services on the test's clock."""
    connect_to = lambda base: Transport(base, NoAuth(), sleep=clock.sleep, now=clock.now)  # noqa: E731
    return SmartBackend(BASE, "clinic", key, "system/Goal.rs", connect=connect_to, now=clock.now, **more)


def test_a_token_is_kept_until_shortly_before_it_runs_out(rsa_key):
    """300 seconds of life: asked for once within 270, again after."""
    clock = Clock()
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        endpoint, auth = Endpoint(mocked, rsa_key, clock), smart(clock, rsa_key)

        assert auth.header() == "Bearer token-1"
        clock.at += 269
        auth.header()
        assert len(endpoint.seen) == 1
        clock.at += 2
        auth.header()
        assert len(endpoint.seen) == 2
        assert endpoint.seen[0]["grant_type"] == "client_credentials"
        assert (
            endpoint.seen[0]["client_assertion_type"]
            == "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
        )


@pytest.mark.parametrize("ahead", [-600, -60, 0, 60, 600])
def test_a_clock_skewed_by_ten_minutes(rsa_key, ahead):
    """Our clock is wrong by up to ten minutes: the server's own Date is believed, and the token given."""
    clock = Clock()
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        Endpoint(mocked, rsa_key, clock, ahead)
        assert smart(clock, rsa_key).header() == "Bearer token-1"


def test_es384_is_taken_too(ec_key):
    """SMART asks a client to be able to do both."""
    clock = Clock()
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        Endpoint(mocked, ec_key, clock, token_endpoint_auth_signing_alg_values_supported=["ES384"])
        assert smart(clock, ec_key).header() == "Bearer token-1"


def test_an_algorithm_the_server_does_not_take_is_said(rsa_key):
    """Said before anything is signed."""
    clock = Clock()
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        endpoint = Endpoint(
            mocked, rsa_key, clock, token_endpoint_auth_signing_alg_values_supported=["ES384"]
        )
        with pytest.raises(ServerRefused, match="RS384"):
            smart(clock, rsa_key).header()
        assert endpoint.seen == []


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("https://evil.example/token", "another host, evil.example"),
        ("http://fhir.example/token", "without https"),
        ("", "no token"),
    ],
)
def test_a_token_endpoint_elsewhere_must_be_named(rsa_key, url, says):
    """Another host's token endpoint is used only when the destinations file names it; never one without
    TLS.
    """
    clock = Clock()
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        Endpoint(mocked, rsa_key, clock, token_url=url or "https://x.example")
        if not url:
            mocked.replace("GET", f"{BASE}/.well-known/smart-configuration", json={})
        with pytest.raises(ServerRefused, match=says):
            smart(clock, rsa_key).header()

    if url.startswith("https"):
        with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
            Endpoint(mocked, rsa_key, clock, token_url=url)
            assert smart(clock, rsa_key, token_url=url).header() == "Bearer token-1"


@pytest.mark.parametrize(
    "answer",
    [
        {},
        {"access_token": "t", "token_type": "mac"},
        {"access_token": "", "token_type": "bearer"},
        {"access_token": "a\nb", "token_type": "bearer"},
        {"access_token": "t", "token_type": "bearer", "scope": ""},
    ],
)
def test_an_answer_that_is_no_token(rsa_key, answer):
    """No token, another kind of token, one that would break the header, or one that allows nothing:
    refused.
    """
    clock = Clock()
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        Endpoint(mocked, rsa_key, clock).answer = {"expires_in": 300, **answer}
        with pytest.raises(ServerRefused):
            smart(clock, rsa_key).header()


def test_a_refused_client_is_said_in_words(rsa_key):
    """RFC 6749, 5.2: invalid_client; the assertion is not repeated in the error."""
    clock = Clock()
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        endpoint = Endpoint(mocked, rsa_key, clock)
        auth = smart(clock, rsa_key, unique=lambda: "always the same")
        auth.header()
        auth.renew()
        with pytest.raises(ServerRefused, match=r"client_id or its key \(invalid_client\)") as caught:
            auth.header()
        assert endpoint.seen[0]["client_assertion"] not in str(caught.value)


def test_nothing_secret_is_shown(rsa_key):
    """Tokens, keys and bodies are in no repr."""
    secret = "token-abcdef"  # noqa: S105 - invented
    request = Request("POST", BASE, {}, b"Lindqvist")
    shown = repr((Bearer(secret), smart(Clock(), rsa_key), request, Transport(BASE, Bearer(secret))))

    assert secret not in shown
    assert "Lindqvist" not in shown
    assert str(RFC7520["key"]["d"]) not in shown


def test_no_token_goes_to_another_host(rsa_key):
    """The token is sent to the FHIR base and nowhere else: an address elsewhere is refused before it is
    asked.
    """
    clock = Clock()
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        Endpoint(mocked, rsa_key, clock)
        transport = Transport(BASE, smart(clock, rsa_key), sleep=clock.sleep, now=clock.now)
        transport.ask(Request("GET", f"{BASE}/metadata", reads=True))
        with pytest.raises(ServerRefused):
            transport.ask(Request("GET", "https://other.example/r4/metadata", reads=True))

        told = [call.request.headers.get("Authorization") for call in mocked.calls]
        assert [t for t in told if t] == ["Bearer token-1"]
