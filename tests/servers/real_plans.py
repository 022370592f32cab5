"""Against real servers: a plan that is sent is there, once, as it was sent, by transaction or one by one.

These modules (``real_*.py``) are run by ``make test-servers`` alone: starting the servers takes minutes. One
is built from npm packages (Medplum's router and validator, R4), two are HAPI FHIR with a database, of R4 and
of R5, with validation of every request and referential integrity on.
"""

from __future__ import annotations

import json
import uuid

import pytest

from fhircare.bundle import load, to_bundle
from fhircare.cli import main
from fhircare.errors import Conflict
from fhircare.exchange import Options, ShortMemory, dry_run, send
from fhircare.releases import hear
from tests.conftest import EXAMPLES, RECORDS
from tests.servers.asked import number_of, plan_of


@pytest.mark.parametrize("example", [*EXAMPLES, "whole"])
def test_sent_read_back_and_sent_again(there, server, example):
    """Each example: all created, read back equal by a plain GET; again: no version moves, nothing is
    doubled.
    """
    bundle, memory = to_bundle(plan_of(example)), ShortMemory()
    before = there.totals(bundle)

    report = send(server, bundle, memory=memory)
    stored = there.stored_as_sent(bundle, report)

    now = there.totals(bundle)
    assert sum(now.values()) - sum(before.values()) == report.counts["created"]
    for again in (send(server, bundle, memory=memory), send(server, bundle)):
        assert set(again.counts) == {"kept", "unchanged"}
    assert there.held(again) == stored
    assert there.totals(bundle) == now
    assert dry_run(server, bundle).requests == ()


@pytest.mark.parametrize("release", ["R4", "R5"])
def test_by_the_command_line(there, tmp_path, monkeypatch, capsys, release):
    """A plan written in either release, sent by the command line: all there; again nothing is written."""
    for name in ("CONFIG", "DATA", "CACHE"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name.lower()))
    mark, record, file = uuid.uuid4().hex[:8], tmp_path / "record.yaml", tmp_path / "plan.json"
    text = (RECORDS / "anna-first-locking.yaml").read_text(encoding="utf-8")
    for number in ("HC-2026-0311", "70412", "ORD-88213"):
        assert text.count(number)
        text = text.replace(number, f"{number}-{mark}")
    record.write_text(text, encoding="utf-8")
    assert main(["plan", str(record), "--fhir", release, "-o", str(file)]) == 0
    bundle = hear(load(file.read_text(encoding="utf-8")), release)
    before = there.totals(bundle)
    send_it = ["send", str(file), "--to", there.base, "--no-pdf", "--format", "json"]
    capsys.readouterr()

    assert main(send_it) == 0
    (first,) = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    now = there.totals(bundle)
    assert main(send_it) == 0
    (again,) = [json.loads(line) for line in capsys.readouterr().out.splitlines()]

    assert sum(now.values()) - sum(before.values()) == first["report"]["counts"]["created"]
    assert set(again["report"]["counts"]) == {"kept", "unchanged"}
    assert there.totals(bundle) == now


def test_one_by_one(server):
    """Without transactions: single requests in the order of references, with the same end."""
    bundle = to_bundle(plan_of("whole"))

    assert send(server, bundle, options=Options(mode="single")).verified
    assert set(send(server, bundle).counts) == {"kept", "unchanged"}


def test_a_patient_is_found(server):
    """By number, among others; with pages; and nobody by a number nobody has."""
    bundle = to_bundle(plan_of("carla-diabetes-slow"))
    send(server, bundle)
    system, value = number_of(bundle)

    found = server.find("Patient", system, value)
    assert found["identifier"][0]["value"] == value
    assert server.find("Patient", system, "no such number, at | all") is None
    requests_of = server.search("ServiceRequest", {"subject": f"Patient/{found['id']}"}).matches
    assert len({r["id"] for r in requests_of}) == len(requests_of) > 10


def test_a_version_that_has_moved(there, server):
    """If-Match of a version that is no more: the real server's refusal is a conflict, and nothing is
    overwritten.
    """
    made = there.create({"resourceType": "Organization", "name": "One"})
    stored = server.read(f"Organization/{made['id']}")
    server.write(server.update_request(stored.resource | {"name": "Two"}, stored.match), 1)

    with pytest.raises(Conflict):
        server.write(server.update_request(stored.resource | {"name": "Three"}, stored.match), 1)
    assert server.read(f"Organization/{made['id']}").resource["name"] == "Two"


def test_the_servers_own_validation(server):
    """Each resource passes the server's $validate before it is sent."""
    report = send(server, to_bundle(plan_of("whole")), options=Options(validate=True))

    assert report.verified
    assert "passed the server's $validate" in report.notes[0]
