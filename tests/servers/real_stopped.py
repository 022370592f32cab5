"""Against real servers that die, and sendings that break off: all arrives in the end, nothing is doubled."""

from __future__ import annotations

import threading
from collections import Counter

import pytest

from fhircare.bundle import to_bundle
from fhircare.exchange import FhirServer, Options, send
from fhircare.exchange.auth import NoAuth
from fhircare.exchange.http import Bounds, Transport
from fhircare.exchange.outbox import Outbox
from fhircare.exchange.pushing import Pusher, queue
from tests.courses import course, standing
from tests.exchange_kit import as_bytes
from tests.servers.asked import SHARED, plan_of


def test_interrupted_and_begun_again(there, server):
    """Stopped after the first transaction of the plan, then sent again: each resource once."""
    bundle, calls = to_bundle(plan_of("ben-replacement-socket")), [0]
    before = there.totals(bundle)

    def stop():
        calls[0] += 1
        if calls[0] == 6:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        send(server, bundle, alive=stop)
    report = send(server, bundle)
    assert report.verified
    kept = [e for e in report.entries if e.outcome == "kept"]
    assert sum(there.totals(bundle).values()) - sum(before.values()) <= len(there.said(bundle)["entry"])
    assert len({e.reference for e in report.entries}) == len(there.said(bundle)["entry"])
    assert kept
    assert set(send(server, bundle).counts) == {"kept", "unchanged"}


DIES_IN = {"npm": "revised", "hapi-r4": "approved", "hapi-r5": "revised"}
"""In the sending of which step each server is killed: once each: a start takes most of a minute."""
SECONDS_INTO_IT = 0.03
"""After so long a transaction of a plan is under way, and far from done."""


class Deadly(Transport):
    """A way to a server that is killed while it carries out the first transaction of a kind."""

    def __init__(self, running, strikes):
        super().__init__(
            running.base,
            NoAuth(),
            bounds=Bounds(silence=120, whole=300, attempts=2),
            sleep=lambda _seconds: None,
        )
        self.strikes, self.kill = strikes, threading.Timer(SECONDS_INTO_IT, running.kill)

    def ask(self, request, **more):
        """Send a request; set off the kill first when it is the one."""
        body = request.body or b""
        if b'"type":"transaction"' in body and self.strikes(body) and not self.kill.ident:
            self.kill.start()
        return super().ask(request, **more)


def test_a_server_that_is_killed(running, there, tmp_path):
    """Killed in the middle of the transaction that holds the plan, or its revision with the old plan's end:
    the parcel waits; when the server is back the outbox goes on, and all is there once. A server that has
    forgotten everything gets everything.
    """
    step = DIES_IN[running.name]
    steps, clock, path = course(plan_of("anna-first-locking")), [1_700_000_000.0], str(tmp_path / "outbox")
    before = Counter(there.totals(steps[step]))
    outbox = Outbox(path)
    for name in ("approved", "revised")[: ["approved", "revised"].index(step) + 1]:
        queue(outbox, "hospital", as_bytes(steps[name]), now=clock[0])
    deadly = Deadly(running, lambda body: b"CarePlan" in body and (b'"PUT"' in body) == (step == "revised"))

    def push():
        pusher = Pusher(
            path,
            lambda _name: FhirServer(deadly),
            lambda _name: Options(),
            f"tests:{clock[0]}",
            lambda: clock[0],
            lambda _seconds: None,
            lambda: 0.5,
        )
        return [(one.parcel.state, one.report) for one in pusher.run()]

    states = [state for state, _ in push()]
    deadly.kill.join()
    assert states == {"approved": ["waiting"], "revised": ["arrived", "waiting"]}[step]
    assert not running.running
    running.start()
    clock[0] += 3600

    ((state, report),) = push()

    assert state == "arrived"
    plans = [one for one in there.stored_as_sent(steps[step], report).values() if _is_plan(one)]
    assert standing({"entry": [{"resource": plan} for plan in plans]}) == standing(steps[step])
    own = Counter(e["resource"]["resourceType"] for e in there.said(steps[step])["entry"])
    now = Counter(there.totals(steps[step])) - (before if running.keeps else Counter())
    assert {kind: number for kind, number in now.items() if kind not in SHARED} == {
        kind: number for kind, number in own.items() if kind not in SHARED
    }
    server = FhirServer(deadly)
    assert set(send(server, steps[step], memory=outbox.memory("hospital")).counts) == {"kept", "unchanged"}
    outbox.close()


def _is_plan(resource):
    return resource["resourceType"] == "CarePlan"
