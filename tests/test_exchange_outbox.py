"""The outbox: every queued plan arrives exactly once in effect, under two processes and kill -9 at any
point.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
import textwrap

import pytest
import responses

from fhircare.errors import BundleError, InputError
from fhircare.exchange.outbox import FIRST_PAUSE, LEASE, LONGEST_PAUSE, MOST_ATTEMPTS, LeaseLostError, Outbox
from fhircare.exchange.push import _gone, _place
from fhircare.exchange.pushing import queue
from tests.exchange_kit import World, as_bytes, small_plan
from tests.servers import stub
from tests.servers.serve import serve


@pytest.fixture
def outbox(tmp_path):
    """An empty outbox."""
    opened = Outbox(str(tmp_path / "outbox"))
    yield opened
    opened.close()


def put(outbox, digest="d1", *, destination="hospital", series="P", now=100.0):
    """Put a parcel in."""
    return outbox.put(destination, series, digest, b"{}", now=now)


def test_a_parcel_goes_through_its_states(outbox):
    """Waiting, sending, arrived; each change is in the journal."""
    parcel = put(outbox)
    claimed = outbox.claim("me", now=101)
    outbox.arrived(claimed.id, "me", now=102, note="12 created")

    assert [(at, state) for at, state, _ in outbox.journal(parcel.id)] == [
        (100, "waiting"),
        (101, "sending"),
        (102, "arrived"),
    ]
    assert outbox.parcel(parcel.id).reason == "12 created"
    assert outbox.claim("me", now=103) is None


def test_the_same_bundle_is_one_parcel(outbox):
    """Queued twice while it waits, it goes once; after something else it goes again, last."""
    first = put(outbox)
    assert put(outbox).id == first.id

    put(outbox, "d2")
    assert put(outbox).id not in (first.id, None)
    assert [p.digest for p in outbox.parcels()] == ["d1", "d2", "d1"]


def test_one_plan_goes_in_order(outbox):
    """A revision does not overtake the one before it, and not while that one waits to be tried again."""
    first, second = put(outbox), put(outbox, "d2")
    assert outbox.claim("me", now=101).id == first.id
    assert outbox.claim("me", now=101) is None

    outbox.later(first.id, "me", "away", now=102, wait=None, chance=0)
    assert outbox.claim("me", now=102) is None

    outbox.claim("me", now=1000)
    outbox.set_aside(first.id, "me", "no", now=1001)
    assert outbox.claim("me", now=1002).id == second.id


def test_two_processes_never_send_to_one_place_at_once(outbox, tmp_path):
    """While one holds a parcel for a destination, another gets none for it, but one for elsewhere."""
    put(outbox)
    put(outbox, "d2", series="Q")
    elsewhere = put(outbox, "d3", destination="therapist")
    other = Outbox(str(tmp_path / "outbox"))

    outbox.claim("one", now=101)
    assert other.claim("two", now=101).id == elsewhere.id
    assert other.claim("two", now=101) is None
    assert outbox.claim("one", now=101).digest == "d2"
    other.close()


def test_a_lease_runs_out(outbox):
    """When its holder dies the parcel is free after the lease; the one who lost it may not report on it."""
    parcel = put(outbox)
    outbox.claim("dead", now=101)
    outbox.renew(parcel.id, "dead", now=200)

    assert outbox.claim("me", now=101 + LEASE) is None
    assert outbox.claim("me", now=201 + LEASE).attempts == 2
    for report in (
        lambda: outbox.renew(parcel.id, "dead", now=900),
        lambda: outbox.arrived(parcel.id, "dead", now=900),
        lambda: outbox.set_aside(parcel.id, "dead", "no", now=900),
    ):
        with pytest.raises(LeaseLostError):
            report()


def test_a_dead_holder_does_not_keep_others_waiting(outbox, tmp_path):
    """A process of this machine that runs no more is gone; one elsewhere, or alive, is left alone."""
    ended = subprocess.run(
        [sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True
    )
    holders = (
        f"{_place()} {int(ended.stdout)} x",
        f"{_place()} {os.getpid()} x",
        f"elsewhere/ {int(ended.stdout)} x",
    )
    for number, holder in enumerate(holders):
        put(outbox, f"d{number}", destination=f"place {number}")
        outbox.claim(holder, now=101)

    assert outbox.release(lambda holder: _gone(holder, _place()), now=102) == 1
    assert outbox.claim("me", now=102).destination == "place 0"
    assert outbox.claim("me", now=102) is None


def test_pauses_grow_and_survive_a_restart(outbox, tmp_path):
    """One minute, two, four ... up to six hours, jittered; kept in the file; then it is set aside."""
    parcel, now, pauses = put(outbox), 100.0, []
    for _ in range(MOST_ATTEMPTS):
        again = Outbox(str(tmp_path / "outbox"))
        claimed = again.claim("me", now=now)
        again.later(claimed.id, "me", "away", now=now, wait=None, chance=1)
        again.close()
        pauses.append(outbox.parcel(parcel.id).due - now)
        now = max(outbox.parcel(parcel.id).due, now)

    assert pauses[:4] == [FIRST_PAUSE, 2 * FIRST_PAUSE, 4 * FIRST_PAUSE, 8 * FIRST_PAUSE]
    assert max(pauses) <= LONGEST_PAUSE
    assert outbox.parcel(parcel.id).state == "set-aside"
    assert outbox.parcel(parcel.id).reason == "12 attempts: away"


def test_a_server_that_asks_for_a_day_gets_it(outbox):
    """Retry-After beyond our own pause is kept to."""
    parcel = put(outbox)
    outbox.claim("me", now=100)
    outbox.later(parcel.id, "me", "busy", now=100, wait=86400, chance=0)

    assert outbox.parcel(parcel.id).due == 86500


def test_what_was_set_aside_is_taken_up_only_when_still_right(outbox):
    """Taken up again it starts anew; not when a later revision of the plan has arrived since."""
    first = put(outbox)
    outbox.claim("me", now=101)
    outbox.set_aside(first.id, "me", "no", now=102)
    assert outbox.retry(first.id, now=103).attempts == 0

    outbox.claim("me", now=104)
    outbox.set_aside(first.id, "me", "no", now=105)
    second = put(outbox, "d2")
    outbox.claim("me", now=106)
    outbox.arrived(second.id, "me", now=107)
    with pytest.raises(InputError, match="out of date"):
        outbox.retry(first.id, now=108)


def test_nothing_goes_without_a_record(outbox):
    """Clearing away takes what is in an arrived parcel; the parcel, its journal and all others stay."""
    first, second = put(outbox), put(outbox, "d2", series="Q")
    outbox.claim("me", now=101)
    outbox.arrived(first.id, "me", now=102)

    assert outbox.clear(before=102, now=200) == 0
    assert outbox.clear(before=103, now=200) == 1
    assert outbox.parcel(first.id).body is None
    assert outbox.journal(first.id)[-1] == (200, "arrived", "content cleared away")
    assert outbox.parcel(second.id).body == b"{}"


def test_the_file_is_its_owners_alone(outbox, tmp_path):
    """It holds whole plans: nobody else may read it, nor what SQLite keeps beside it."""
    put(outbox)

    for name in ("outbox", "outbox-wal", "outbox-shm"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


def test_a_file_that_is_none_is_named(tmp_path):
    """A file of another kind, or of a later release, is refused with its name."""
    path = tmp_path / "letter.txt"
    path.write_text("Dear Anna" * 200)
    with pytest.raises(InputError, match=r"letter\.txt: cannot be used as the outbox"):
        Outbox(str(path))

    later = sqlite3.connect(tmp_path / "later")
    later.execute("PRAGMA user_version = 9")
    later.close()
    with pytest.raises(InputError, match="later release"):
        Outbox(str(tmp_path / "later"))


def test_nothing_unsendable_is_queued(outbox):
    """What is no bundle is refused at the door."""
    with pytest.raises(BundleError):
        queue(outbox, "hospital", b'{"resourceType": "Patient"}', now=1)


def test_places_a_plan_has_gone_to(outbox):
    """A revised plan goes to the same places: where an earlier one arrived or is on its way, not where it was
    set aside.
    """
    for destination in ("hospital", "nowhere", "therapist"):
        queue(outbox, destination, as_bytes(small_plan()), now=100)
    outbox.arrived(outbox.claim("me", now=101).id, "me", now=102)
    outbox.set_aside(outbox.claim("me", now=101).id, "me", "refused", now=102)

    assert outbox.places("https://clinic.example/fhircare/plan-series|P") == ["hospital", "therapist"]
    assert outbox.places("https://clinic.example/fhircare/plan-series|Q") == []


def test_many_plans_with_bounded_parallelism(tmp_path):
    """Twelve plans of one clinic at once, three at a time: the clinic and its people are created once."""
    served = stub.Stub()
    running = serve(served)
    path, done = tmp_path / "outbox", []
    try:
        with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
            mocked.add_passthru("http://127.0.0.1")
            world = World(mocked, served.base)
            world.stub = served
            outbox = Outbox(str(path))
            for number in range(12):
                queue(outbox, "hospital", as_bytes(_of_person(number)), now=world.clock.now())
            pusher = world.pusher(path)
            pusher.progress = done.append
            pushed = pusher.run(workers=3)
            outbox.close()
    finally:
        running.shutdown()
        running.server_close()

    assert [p.parcel.state for p in pushed] == ["arrived"] * 12
    assert done == list(range(1, 13))
    assert len(served.of("Organization")) == len(served.of("Practitioner")) == 1
    assert len(served.of("Patient")) == len(served.of("CarePlan")) == 12


def _of_person(number):
    bundle = small_plan()
    for entry in bundle["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] in ("Organization", "Practitioner", "PractitionerRole"):
            continue
        for name in resource.get("identifier", []):
            name["value"] = f"{number}-{name['value']}"
    return bundle


NURSERY = textwrap.dedent(
    """
    # Imports once; then forks a child for each line of PATH BASE DIE_AT NOW BODY, and says how it ended.
    import os, signal, sqlite3, sys
    import fhircare.exchange.outbox
    from fhircare.exchange.auth import NoAuth
    from fhircare.exchange.client import FhirServer
    from fhircare.exchange.http import Transport
    from fhircare.exchange.pushing import Pusher, queue
    from fhircare.exchange.sender import Options

    connect = sqlite3.connect

    def work(path, base, die_at, now, body):
        steps = [0]

        def step(_statement=None):
            steps[0] += 1
            if steps[0] == die_at:
                os.kill(os.getpid(), signal.SIGKILL)

        def traced(*args, **more):
            db = connect(*args, **more)
            db.set_trace_callback(step)
            return db

        class Watched(Transport):
            def _once(self, request, url):
                step()
                answer = super()._once(request, url)
                step()
                return answer

        sqlite3.connect = traced
        outbox = fhircare.exchange.outbox.Outbox(path)
        queue(outbox, "hospital", open(body, "rb").read(), now=now)
        outbox.close()
        Pusher(path, lambda _n: FhirServer(Watched(base, NoAuth())), lambda _n: Options(), str(os.getpid()),
               lambda: now, lambda _s: None, lambda: 0.5).run()
        return steps[0]

    for line in sys.stdin:
        path, base, die_at, now, body = line.split()
        reads, writes = os.pipe()
        child = os.fork()
        if not child:
            os.write(writes, str(work(path, base, int(die_at), float(now), body)).encode())
            os._exit(0)
        os.close(writes)
        told = os.read(reads, 20).decode()
        os.close(reads)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), told or 0, flush=True)
    """
)


def test_kill_9_at_every_boundary(tmp_path):
    """Killed before any SQL statement, before any request or after it, then begun again: it is there once.

    The child counts its steps: every statement SQLite runs, and both sides of every request. It is killed at
    each of them in turn, and another child finishes the work after the lease has run out.
    """
    script, plan = tmp_path / "nursery.py", tmp_path / "plan.json"
    script.write_text(NURSERY)
    plan.write_bytes(as_bytes(small_plan(phases=1)))
    served = stub.Stub()
    running = serve(served)
    nursery = subprocess.Popen([sys.executable, str(script)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def child(path, die_at, now):
        nursery.stdin.write(f"{path} {served.base} {die_at} {now} {plan}\n".encode())
        nursery.stdin.flush()
        code, steps = nursery.stdout.readline().split()
        return int(code), int(steps)

    try:
        code, steps = child(tmp_path / "whole", 0, 1000)
        expected = served.counts()
        assert code == 0
        assert steps > 40
        for die_at in range(1, steps + 1):
            served.held.clear()
            path = tmp_path / str(die_at)

            assert child(path, die_at, 1000)[0] == -9
            assert child(path, 0, 1001 + LEASE)[0] == 0

            assert served.counts() == expected, f"killed at step {die_at} of {steps}"
            kept = Outbox(str(path))
            assert {parcel.state for parcel in kept.parcels()} == {"arrived"}
            kept.close()
    finally:
        nursery.communicate()
        running.shutdown()
        running.server_close()
