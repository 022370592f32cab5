"""The destinations file, and the files it names that hold secrets."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from fhircare.bundle import to_bundle
from fhircare.errors import InputError
from fhircare.exchange.auth import NoAuth, SmartBackend, bearer
from fhircare.exchange.destinations import SCOPES, choose, connect, read_destinations
from fhircare.exchange.entries import entries
from fhircare.exchange.keeping import read_secret
from tests.courses import example_course
from tests.plans import whole_plan

RFC7520 = json.loads((Path(__file__).parent / "data" / "jose" / "rfc7520-rs256.json").read_text("utf-8"))


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o620, 0o601])
def test_a_secret_others_may_read_is_refused(tmp_path, mode):
    """Any right for group or others: refused, with the command that mends it."""
    path = tmp_path / "key"
    path.write_text("secret")
    path.chmod(mode)

    with pytest.raises(InputError, match=f"chmod 600 {path}") as caught:
        read_secret(str(path))
    assert ": secret" not in str(caught.value)
    path.chmod(0o600)
    assert read_secret(str(path)) == b"secret"


def test_secrets_that_are_no_files(tmp_path):
    """Missing, a folder, too large: each in its words."""
    with pytest.raises(InputError, match="does not exist"):
        read_secret(str(tmp_path / "none"))
    with pytest.raises(InputError, match="is not a file"):
        read_secret(str(tmp_path))
    large = tmp_path / "large"
    large.write_bytes(b"x" * 70_000)
    large.chmod(0o600)
    with pytest.raises(InputError, match="too large"):
        read_secret(str(large))


@pytest.mark.parametrize("token", [b"", b"two words", b"line\nline", "tok\u00e9n".encode()])
def test_a_token_file_holds_one_token(token):
    """RFC 6750, 2.1: one token of printable ASCII."""
    with pytest.raises(InputError, match="does not hold a token"):
        bearer(token, "token")


def test_destinations_by_name(tmp_path):
    """Smart, bearer, and none for this machine; secrets are read when connecting, from their files."""
    for name, data in (("key.jwk", json.dumps(RFC7520["key"])), ("token", "abc\n")):
        (tmp_path / name).write_text(data)
        (tmp_path / name).chmod(0o600)
    known = read_destinations(
        f"""
        [destination.hospital]
        base = "https://fhir.hospital.example/r4/"
        auth = "smart"
        client_id = "limb-clinic"
        key_file = "{tmp_path / "key.jwk"}"
        entries_at_once = 20
        [destination.therapist]
        base = "https://fhir.therapy.example"
        auth = "bearer"
        token_file = "{tmp_path / "token"}"
        [destination.here]
        base = "http://127.0.0.1:8080/fhir"
        """
    )
    assert choose("hospital", known).base == "https://fhir.hospital.example/r4"
    assert choose("https://fhir.therapy.example", known).name == "therapist"
    assert connect(known["therapist"]).auth.header() == "Bearer abc"
    assert isinstance(connect(known["hospital"]).auth, SmartBackend)
    assert isinstance(connect(choose("http://127.0.0.1:9/r4", known)).auth, NoAuth)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[destination.a]", "destination.a.base: is missing"),
        ('[destination.a]\nbase = "https://x.example"', "destination.a.auth: is missing"),
        ('[destination.a]\nbase = "http://x.example"', "destination.a.base: is not encrypted"),
        (
            '[destination.a]\nbase = "https://x.example"\nauth = "smart"',
            "destination.a.client_id: is missing",
        ),
        ('[destination.a]\nbase = "https://x.example"\nauth = "basic"', "destination.a.auth: is not one of"),
        (
            '[destination.a]\nbase = "https://x.example"\ntoken = "secret"',
            "destination.a.token: is not a known field",
        ),
        (
            '[destination.a]\nbase = "http://localhost"\nentries_at_once = "5"',
            "entries_at_once: is of the wrong kind",
        ),
        ('[destination.a]\nbase = "http://localhost"\nentries_at_once = 0', "entries_at_once: is below 1"),
        ('[destinations.a]\nbase = "http://localhost"', "destinations: is not known here"),
        ('secret = "unclosed', "is not TOML: end of document"),
    ],
)
def test_a_wrong_destinations_file(text, says):
    """Each fault names its field; no value is repeated."""
    with pytest.raises(InputError) as caught:
        read_destinations(text)
    assert says in str(caught.value)
    assert "unclosed" not in str(caught.value)


def test_an_unknown_destination():
    """A name that is not known lists those that are; an address elsewhere needs a name, for its
    credentials.
    """
    known = read_destinations('[destination.here]\nbase = "http://localhost"')

    with pytest.raises(InputError, match="known: here"):
        choose("hospital", known)
    with pytest.raises(InputError, match="--to: is an address that says not how to prove who we are"):
        choose("https://fhir.hospital.example", known)


def test_the_scopes_asked_for_suffice():
    """SMART v2 scopes: whatever a whole or a followed plan holds may be created, read and searched, the
    plan's own may be updated; letters stand in SMART's order (create, read, update, delete, search).
    """
    bundles = [to_bundle(whole_plan(), validate=False), example_course("anna-first-locking")["released"]]
    rights = dict(re.findall(r"system/([A-Za-z]+)\.([a-z]+)", SCOPES))
    found = {entry.kind: entry.owner for bundle in bundles for entry in entries(bundle)}

    assert set(found) <= set(rights)
    assert all(set("crs") <= set(rights[kind]) for kind in found)
    own = {kind for kind, owner in found.items() if owner == "own"} - {"Provenance"}
    assert all("u" in rights[kind] for kind in own)
    assert all(re.fullmatch(r"c?r?u?d?s?", letters) for letters in rights.values())
