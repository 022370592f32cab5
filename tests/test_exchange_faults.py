"""The fault matrix: whatever goes wrong on the way, nothing is lost and nothing is doubled."""

from __future__ import annotations

import email.utils
import json

import pytest
import requests
from urllib3.exceptions import MaxRetryError, NewConnectionError

from fhircare.errors import ServerRefused, ServerUnavailable
from fhircare.exchange.outbox import Outbox
from fhircare.exchange.pushing import queue
from fhircare.exchange.sender import send
from tests.exchange_kit import RESET, Once, after, as_bytes, before, is_transaction, small_plan
from tests.servers.stub import RefusesError

REFUSED = requests.ConnectionError(
    MaxRetryError(None, "/", NewConnectionError(None, "refused"))  # type: ignore[arg-type]
)
TIMEOUT = requests.ReadTimeout("timed out")
JSON = {"Content-Type": "application/fhir+json"}
OUTCOME = {
    "resourceType": "OperationOutcome",
    "issue": [{"severity": "error", "code": "exception", "diagnostics": "Lindqvist broke it"}],
}


def status(code, headers=None, body=None, *, done=False):
    """The server answers with a status, having carried the request out or not."""

    def does(_request, carry_out):
        if done:
            carry_out()
        return code, {**JSON, **(headers or {})}, json.dumps(body or OUTCOME)

    return does


def garbled(change, *, done=True):
    """The request is carried out, and its answer changed on the way."""

    def does(_request, carry_out):
        code, headers, body = carry_out() if done else (200, dict(JSON), "{}")
        return change(code, headers, body)

    return does


def http_date(request, carry_out):
    """429 with Retry-After as a date, half a minute ahead."""
    return 429, {"Retry-After": email.utils.formatdate(1_700_000_030, usegmt=True)}, ""


def fewer(code, headers, body):
    """One entry less in the answer to a transaction."""
    told = json.loads(body)
    told["entry"] = told["entry"][:-1]
    return code, headers, json.dumps(told)


HTML = "<!doctype html><title>Please sign in</title>"

FAULTS = {
    "connection refused": before(REFUSED),
    "reset before the request was processed": before(RESET),
    "reset after the request was processed": after(RESET),
    "timeout, not processed": before(TIMEOUT),
    "timeout, processed": after(TIMEOUT),
    "409": status(409),
    "412": status(412),
    "429 with seconds": status(429, {"Retry-After": "7"}),
    "429 with a date": http_date,
    "429 without words": status(429),
    "500": status(500),
    "500 after processing": status(500, done=True),
    "502": status(502),
    "503": status(503, {"Retry-After": "3"}),
    "503 after processing": status(503, done=True),
    "504 after processing": status(504, done=True),
    "HTML instead of JSON": garbled(lambda c, h, b: (200, {"Content-Type": "text/html"}, HTML), done=False),
    "HTML instead of JSON, processed": garbled(lambda c, h, b: (200, {"Content-Type": "text/html"}, HTML)),
    "truncated JSON": garbled(lambda c, h, b: (c, h, b[: len(b) // 2])),
    "wrong content type": garbled(lambda c, h, b: (c, {"Content-Type": "text/plain"}, b)),
    "200 with an error inside": status(200),
    "200 with an error inside, processed": status(200, done=True),
    "a transaction response with fewer entries": garbled(fewer),
    "an empty answer": garbled(lambda c, h, b: (c, {}, "")),
    "a Bundle of another type": garbled(
        lambda c, h, b: (c, h, json.dumps({"resourceType": "Bundle", "type": "history"}))
    ),
}
PLACES = {
    "people": lambda r: is_transaction(r) and b"ifNoneExist" in r.body,
    "plan": lambda r: is_transaction(r) and b"CarePlan" in r.body,
}


def pushed_until_still(world, path, most=40):
    """Push again and again, the clock moving on, until nothing is left to be sent."""
    for turn in range(most):
        world.pusher(path).run()
        outbox = Outbox(str(path))
        waiting = outbox.parcels("waiting", "sending")
        outbox.close()
        if not waiting:
            return turn + 1
        world.clock.at = max(world.clock.at, *(parcel.due for parcel in waiting))
    raise AssertionError("never still")


def arrived_once(world, path):
    """Assert that all parcels arrived, and every resource is there once, as a plain sending leaves it."""
    outbox = Outbox(str(path))
    states = [parcel.state for parcel in outbox.parcels()]
    outbox.close()
    assert set(states) == {"arrived"}
    assert set(world.stub.counts().values()) == {1}
    assert len(world.stub.held) == 12
    assert "urn:uuid" not in str(world.stub.held)


@pytest.mark.parametrize(("place", "times"), [("people", 1), ("plan", 1), ("plan", 4)])
@pytest.mark.parametrize("fault", FAULTS)
def test_nothing_lost_nothing_doubled(world, tmp_path, fault, place, times):
    """A fault in the middle of sending, once or again and again: in the end the plan is there, once."""
    path = tmp_path / "outbox"
    outbox = Outbox(str(path))
    queue(outbox, "hospital", as_bytes(small_plan()), now=world.clock.now())
    outbox.close()
    strike = Once(FAULTS[fault], when=PLACES[place], times=times)
    world.faults.append(strike)

    pushed_until_still(world, path)

    assert strike.struck >= 1
    arrived_once(world, path)


@pytest.mark.parametrize(
    "fault",
    ["connection refused", "503", "truncated JSON", "HTML instead of JSON", "429 with seconds", "500"],
)
def test_faults_while_looking(world, tmp_path, fault):
    """A search that fails is no "not there": nothing is created that is there already."""
    path = tmp_path / "outbox"
    send(world.server(), small_plan())
    outbox = Outbox(str(path))
    queue(outbox, "hospital", as_bytes(small_plan()), now=world.clock.now())
    outbox.close()
    world.stub.system = ["transaction"]
    world.faults.append(Once(FAULTS[fault], when=lambda r: r.url.endswith("_search"), times=9))

    pushed_until_still(world, path)

    arrived_once(world, path)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (404, "does not know this"),
        (422, "found the content wrong"),
        (400, "could not use"),
        (413, "entries_at_once"),
    ],
)
def test_a_refused_plan_is_set_aside_with_its_reason(world, tmp_path, code, words):
    """404, 422 and their like: set aside, kept whole, without the person's name; taken up again, it
    arrives.
    """
    path = tmp_path / "outbox"
    outbox = Outbox(str(path))
    body = dict(OUTCOME, issue=[dict(OUTCOME["issue"][0], code="invalid")])
    parcel = queue(outbox, "hospital", as_bytes(small_plan()), now=world.clock.now())
    world.faults.append(Once(status(code, body=body), when=is_transaction))

    pushed_until_still(world, path)
    aside = outbox.parcel(parcel.id)
    assert aside.state == "set-aside"
    assert words in aside.reason
    assert "Lindqvist" not in aside.reason
    assert aside.body == as_bytes(small_plan())

    outbox.retry(parcel.id, now=world.clock.now())
    pushed_until_still(world, path)
    arrived_once(world, path)
    outbox.close()


def test_403_waits_for_its_administrator(world, tmp_path):
    """403 on everything is no fault of a plan: it waits, and goes when it is let in."""
    path = tmp_path / "outbox"
    outbox = Outbox(str(path))
    queue(outbox, "hospital", as_bytes(small_plan()), now=world.clock.now())
    world.faults.append(Once(status(403), times=5))
    world.pusher(path).run()
    assert "scopes" in outbox.parcels()[0].reason
    outbox.close()

    pushed_until_still(world, path)
    arrived_once(world, path)


def test_401_with_an_expired_token(world):
    """A token that ran out is renewed once, and the same request goes again: nothing was carried out."""

    class Expiring:
        token, renewed = "old", 0

        def header(self):
            return f"Bearer {self.token}"

        def renew(self):
            self.token, self.renewed = "new", self.renewed + 1
            return True

    auth = Expiring()
    world.faults.append(
        lambda r, _: (401, JSON, json.dumps(OUTCOME)) if r.headers["Authorization"] != "Bearer new" else None
    )
    from fhircare.exchange.client import FhirServer

    assert send(FhirServer(world.transport(auth)), small_plan()).verified
    assert auth.renewed == 1


def test_a_token_that_never_works_is_refused(world):
    """A server that always answers 401 is asked twice, not for ever."""
    world.faults.append(status(401))

    with pytest.raises(ServerRefused, match=r"did not accept our token \(401\)"):
        send(world.server(), small_plan())
    assert len(world.mocked.calls) <= 2


def test_a_server_that_is_away_delays_all_that_is_meant_for_it(world, tmp_path):
    """One attempt, not one per parcel: what was not tried is not used up."""
    path = tmp_path / "outbox"
    outbox = Outbox(str(path))
    for number in range(3):
        bundle = small_plan()
        bundle["entry"][9]["resource"]["identifier"][-1]["value"] = f"P{number}"
        bundle["entry"][10]["resource"]["identifier"][-1]["value"] = f"P{number}"
        queue(outbox, "hospital", as_bytes(bundle), now=world.clock.now())
    world.faults.append(Once(before(REFUSED), times=10_000))

    world.pusher(path).run()

    assert [parcel.attempts for parcel in outbox.parcels()] == [1, 0, 0]
    outbox.close()


def test_the_server_sets_the_pace(world):
    """Retry-After is kept to, in seconds and as a date; a server that asks for an hour is left for later."""
    world.faults.append(Once(status(429, {"Retry-After": "7"}), when=lambda r: r.url.endswith("metadata")))
    _ = world.server().capabilities
    assert 7 <= world.clock.slept[-1] <= 8

    world.faults.append(Once(http_date, when=lambda r: r.url.endswith("metadata")))
    world.clock.at = 1_700_000_000.0
    _ = world.server().capabilities
    assert 30 <= world.clock.slept[-1] <= 31

    slept = len(world.clock.slept)
    world.faults.append(status(429, {"Retry-After": "3600"}))
    with pytest.raises(ServerUnavailable) as caught:
        _ = world.server().capabilities
    assert caught.value.wait == 3600
    assert len(world.clock.slept) == slept


def test_pauses_are_jittered_and_bounded(world):
    """Without a word from the server: full jitter below 1, 2, 4 ... seconds, and no more than five
    attempts.
    """
    world.faults.append(status(503))

    with pytest.raises(ServerUnavailable):
        _ = world.server().capabilities

    assert world.clock.slept == [0.5, 1.0, 2.0, 4.0]


def test_a_write_that_may_have_been_done_is_never_repeated_blindly(world):
    """A plain transaction whose answer is lost is followed by a look, not by the same transaction."""
    strike = Once(after(RESET), when=PLACES["plan"])
    world.faults.append(strike)

    send(world.server(), small_plan())

    plans = [body for _, _, body in world.stub.writes() if "CarePlan" in str(body)]
    assert len(plans) == 1


def test_the_servers_words_are_shown_without_the_person(world):
    """422 with an OperationOutcome: code, place and words are told; name, number and birth date are not."""

    def refuse(resource):
        if resource["resourceType"] == "Goal":
            raise RefusesError(422, "Lindqvist, Anna (1968-03-09, 70412) has no goal 'x' at Goal.target")

    world.stub.on_write = refuse

    with pytest.raises(ServerRefused) as caught:
        send(world.server(), small_plan())
    assert "found the content wrong (422): invalid: …, … (…, …) has no goal" in str(caught.value)
    assert not any(word in str(caught.value) for word in ("Lindqvist", "Anna", "1968-03-09", "70412"))
