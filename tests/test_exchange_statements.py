"""CapabilityStatements kept between runs: asked for once a day, when they may have changed, and in doubt."""

from __future__ import annotations

import json

import pytest

from fhircare.cli.places import KeptStatements
from fhircare.errors import ServerRefused
from fhircare.exchange.client import FhirServer
from fhircare.exchange.outbox import Outbox
from fhircare.exchange.pushing import queue
from fhircare.exchange.sender import Options, send
from fhircare.exchange.statements import DAY, seconds_fresh
from tests.exchange_kit import as_bytes, small_plan

DOCUMENT = Options(document=lambda bundle: bundle | {"type": "document"})


@pytest.fixture
def kept(tmp_path):
    """Where statements are kept."""
    return KeptStatements(str(tmp_path / "servers"))


@pytest.fixture
def run(world, kept):
    """One run of the program: a server seen for the first time in it."""
    return lambda auth=None: FhirServer(world.transport(auth), statements=kept, now=world.clock.now)


def asked(world):
    """The requests for a CapabilityStatement: their headers, in lower case."""
    found = [headers for _, path, headers, _ in world.stub.seen if path == "metadata"]
    return [{name.lower(): value for name, value in headers.items()} for headers in found]


def test_asked_once_a_day(world, run):
    """A second run of the same day asks nothing; a day later the server is asked again, in full."""
    assert run().capabilities == run().capabilities
    assert len(asked(world)) == 1

    world.clock.at += DAY + 1
    _ = run().capabilities
    assert len(asked(world)) == 2
    assert not {"if-none-match", "if-modified-since"} & set(asked(world)[1])


@pytest.mark.parametrize(
    ("told", "asks"),
    [
        ({"ETag": 'W/"7"', "Last-Modified": "Wed, 25 Nov 2026 09:00:00 GMT"}, ("if-none-match", 'W/"7"')),
        (
            {"Last-Modified": "Wed, 25 Nov 2026 09:00:00 GMT"},
            ("if-modified-since", "Wed, 25 Nov 2026 09:00:00 GMT"),
        ),
    ],
)
def test_whether_it_has_changed(world, run, told, asks):
    """RFC 9110, 13.1: ETag or date go back byte for byte; a 304 makes what is kept good for another day."""

    def answers(request, carry_out):
        if not request.url.endswith("metadata"):
            return None
        status, headers, body = carry_out()
        if asks[0] in {name.lower() for name in request.headers}:
            return 304, told, ""
        return status, headers | told, body

    world.faults.append(answers)
    first = run().capabilities
    world.clock.at += DAY + 1
    assert run().capabilities == first
    assert asked(world)[1][asks[0]] == asks[1]
    world.clock.at += DAY - 1
    assert run().capabilities == first
    assert len(asked(world)) == 2


# RFC 9111, 5.2.2: the response directives; a day is our own bound.
@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        ("", DAY),
        ("public, max-age=600", 600),
        ("max-age=99999999", DAY),
        ("no-cache", 0),
        ("private, No-Store", None),
        ("max-age=soon", DAY),
    ],
)
def test_how_long_it_is_good(header, seconds):
    """Cache-Control shortens the day, or forbids keeping at all; what cannot be read changes nothing."""
    assert seconds_fresh(header) == seconds


def test_what_may_not_be_kept_is_asked_for_each_time(world, run, tmp_path):
    """no-store: nothing is written."""
    world.faults.append(_with_header("Cache-Control", "no-store"))

    assert run().capabilities == run().capabilities
    assert len(asked(world)) == 2
    assert not list(tmp_path.rglob("*.json"))


def test_nothing_secret_is_kept(world, run, tmp_path):
    """Neither the token nor what the server says about itself: only what we read from the statement."""

    class Token:
        def header(self):
            return "Bearer s3cret-t0ken"

        def renew(self):
            return False

    capabilities = world.stub._capabilities
    world.stub._capabilities = lambda: {
        **capabilities(),
        "contact": [{"name": "Somebody", "telecom": [{"value": "+1-815-555-0199"}]}],
        "implementation": {"url": "https://inside.example/?key=abc", "description": "told to Bearer s3cret"},
    }
    _ = run(Token()).capabilities

    (file,) = tmp_path.rglob("*.json")
    text = file.read_text()
    assert not any(word in text for word in ("s3cret", "Somebody", "555", "inside.example"))
    assert json.loads(text)["statement"]["body"]["fhirVersion"] == "4.0.1"


@pytest.mark.parametrize("content", ["", "{", "[]", '{"base": "https://fhir.example/r4"}', "\x00"])
def test_a_damaged_file_is_as_good_as_none(world, run, tmp_path, content):
    """Whatever stands in the file: the server is asked."""
    _ = run().capabilities
    (file,) = tmp_path.rglob("*.json")
    file.write_text(content)

    assert run().capabilities.release == "R4"
    assert len(asked(world)) == 2


def test_a_refusal_is_not_kept(world, run, tmp_path):
    """What is no statement, or of a release we do not speak, is asked for again."""
    world.faults.append(lambda _r, _c: (200, {"Content-Type": "application/json"}, '{"hello": 1}'))
    for _ in range(2):
        with pytest.raises(ServerRefused, match="is this the address of a FHIR base"):
            _ = run().capabilities
    assert len(world.mocked.calls) == 2
    assert not list(tmp_path.rglob("*.json"))


def test_no_document_by_hearsay(world, run):
    """A server known to take documents only is asked again before a plan is sent as one: it takes plans
    now.
    """
    every = world.stub.kinds
    world.stub.kinds = {"Patient": ["read", "search-type"], "DocumentReference": ["create", "search-type"]}
    _ = run().capabilities
    world.stub.kinds = every

    assert send(run(), small_plan(), options=DOCUMENT).way == "transaction"
    assert send(run(), small_plan(), options=DOCUMENT).way == "transaction"
    assert len(asked(world)) == 2


def test_what_is_refused_is_asked_about_next_time(world, run, tmp_path):
    """A server that no longer takes what it said: the parcel is set aside; taken up again it goes the way
    the server now takes.
    """
    path = tmp_path / "outbox"
    outbox = Outbox(str(path))
    parcel = queue(outbox, "hospital", as_bytes(small_plan()), now=world.clock.now())
    _ = run().capabilities
    world.stub.system = []
    world.faults.append(
        lambda r, _c: (404, {}, "") if r.url.rstrip("/") == world.stub.base and r.method == "POST" else None
    )
    pusher = world.pusher(path)
    pusher.server = lambda _name: run()

    pusher.run()
    assert outbox.parcel(parcel.id).state == "set-aside"
    outbox.retry(parcel.id, now=world.clock.now())
    pusher = world.pusher(path)
    pusher.server = lambda _name: run()
    pusher.run()

    assert outbox.parcel(parcel.id).state == "arrived"
    outbox.close()


def test_a_folder_that_cannot_be_written(world, tmp_path):
    """Without a cache folder everything works, and nothing is kept."""
    (tmp_path / "file").write_text("")
    kept = KeptStatements(str(tmp_path / "file" / "servers"))

    for _ in range(2):
        assert FhirServer(world.transport(), statements=kept).capabilities.release == "R4"
    kept.forget(world.stub.base)
    assert len(asked(world)) == 2


def test_each_base_has_its_own(world, kept, run):
    """Two servers do not share a statement."""
    _ = run().capabilities

    assert kept.recall(world.stub.base) is not None
    assert kept.recall("https://other.example/r4") is None


def _with_header(name, value):
    def does(_request, carry_out):
        status, headers, body = carry_out()
        return status, headers | {name: value}, body

    return does
