"""What the tests of the exchange share: a small plan, a server in this process, and a way between them."""

from __future__ import annotations

import copy
import json
import uuid
from decimal import Decimal

import requests
import responses

from fhircare.exchange.auth import NoAuth
from fhircare.exchange.client import FhirServer
from fhircare.exchange.http import Bounds, Transport
from fhircare.exchange.pushing import Pusher
from fhircare.exchange.sender import Options
from tests.courses import standing
from tests.servers.stub import Stub

CLINIC, HOSPITAL, THERAPY = "https://clinic.example", "https://hospital.example", "https://therapy.example"
HTEST = {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]}


def urn(name, revision=""):
    """The fullUrl of a part of the small plan."""
    return f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, name + revision)}"


def ref(name, revision=""):
    """A reference to a part of the small plan."""
    return {"reference": urn(name, revision)}


def small_plan(revision=1, *, weeks="2026-12-01", phases=2, minutes=60):
    """A plan of ten resources or so, in the shape and order of a real one; everything invented."""
    mark, entries = f"/r{revision}", []

    def add(key, kind, number, /, *, lasting=True, **body):
        numbers = (
            [] if number is None else [{"system": number[0], "value": number[1] + ("" if lasting else mark)}]
        )
        resource = {"resourceType": kind, "meta": copy.deepcopy(HTEST), "identifier": numbers, **body}
        if number is None:
            del resource["identifier"]
        entries.append({"fullUrl": urn(key, "" if lasting else mark), "resource": resource})

    part = f"{CLINIC}/fhircare/part"
    add("clinic", "Organization", (f"{CLINIC}/org", "1"), name="Clinic", active=True)
    add(
        "patient",
        "Patient",
        (f"{CLINIC}/patients", "70412"),
        name=[{"family": "Lindqvist", "given": ["Anna"]}],
        birthDate="1968-03-09",
        telecom=[{"system": "phone", "value": "+1-815-555-0181"}],
    )
    add("ruth", "Practitioner", (f"{CLINIC}/staff", "S-014"), name=[{"family": "Okafor"}])
    add(
        "role",
        "PractitionerRole",
        (f"{CLINIC}/staff", "S-014-role"),
        practitioner=ref("ruth"),
        organization=ref("clinic"),
    )
    add("limb", "Condition", (part, "P/condition"), subject=ref("patient"), code={"text": "Above knee"})
    add(
        "order",
        "ServiceRequest",
        (f"{HOSPITAL}/orders", "ORD-9"),
        status="active",
        intent="order",
        subject=ref("patient"),
        reasonReference=[ref("limb")],
    )
    add(
        "leg",
        "Device",
        (part, "P/device"),
        status="active",
        patient=ref("patient"),
        property=[{"type": {"text": "mass"}, "valueQuantity": [{"value": Decimal("2.50"), "unit": "kg"}]}],
    )
    add(
        "goal",
        "Goal",
        (part, "P/goal/wear"),
        lifecycleStatus="active",
        description={"text": "Wear it all day"},
        subject=ref("patient"),
        addresses=[ref("limb")],
        target=[
            {"measure": {"text": "wear"}, "detailQuantity": {"value": 8, "unit": "h/d"}, "dueDate": weeks}
        ],
    )
    for phase in range(1, phases + 1):
        begin = f"2026-11-{16 + phase * 4:02}" if revision == 1 else f"2026-12-{phase * 4:02}"
        add(
            f"wear{phase}",
            "ServiceRequest",
            (part, f"P/wear/{phase}"),
            lasting=False,
            status="active",
            intent="plan",
            subject=ref("patient"),
            code={"text": "Wear"},
            occurrenceTiming={
                "repeat": {
                    "boundsPeriod": {"start": begin, "end": begin[:8] + f"{int(begin[8:]) + 3:02}"},
                    "duration": minutes,
                    "durationUnit": "min",
                }
            },
        )
    add(
        "plan",
        "CarePlan",
        (f"{CLINIC}/fhircare/plan", "P"),
        lasting=False,
        status="active",
        intent="plan",
        title="Plan",
        subject=ref("patient"),
        addresses=[ref("limb")],
        goal=[ref("goal")],
        period={"start": "2026-11-20" if revision == 1 else "2026-12-04"},
        activity=[{"reference": ref(f"wear{phase}", mark)} for phase in range(1, phases + 1)],
    )
    plan = entries[-1]["resource"]
    plan["identifier"].append({"system": f"{CLINIC}/fhircare/plan-series", "value": "P"})
    if revision > 1:
        plan["replaces"] = [
            {"identifier": {"system": f"{CLINIC}/fhircare/plan", "value": f"P/r{revision - 1}"}}
        ]
    add(
        "origin",
        "Provenance",
        None,
        lasting=False,
        target=[ref("plan", mark)],
        recorded="2026-11-17T11:40:00-06:00",
        agent=[{"who": ref("role")}],
    )
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": "2026-11-17T11:40:00-06:00",
        "entry": entries,
    }


def resource(bundle, kind, index=0):
    """One resource of a bundle."""
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind][index]


def as_bytes(bundle):
    """A bundle as a file would hold it."""
    return json.dumps(bundle, default=float).encode()


class Clock:
    """A clock that only sleeping moves."""

    def __init__(self, at=1_700_000_000.0):
        self.at, self.slept = at, []

    def now(self):
        return self.at

    def sleep(self, seconds):
        self.slept.append(seconds)
        self.at += seconds


class World:
    """A stub server reached through ``responses``, with faults in between."""

    def __init__(self, mocked, base="https://fhir.example/r4"):
        self.stub, self.clock, self.faults, self.mocked = Stub(base), Clock(), [], mocked
        for method in (responses.GET, responses.POST, responses.PUT):
            mocked.add_callback(method, _Any(), callback=self._answer)

    def _answer(self, request):
        def carry_out():
            return self.stub.answer(request.method, request.url, dict(request.headers), request.body)

        for fault in list(self.faults):
            answer = fault(request, carry_out)
            if answer is not None:
                if isinstance(answer, Exception):
                    raise answer
                return answer
        return carry_out()

    def transport(self, auth=None, **bounds):
        """A transport that waits on the test's clock."""
        return Transport(
            self.stub.base,
            auth or NoAuth(),
            bounds=Bounds(**bounds),
            sleep=self.clock.sleep,
            chance=lambda: 0.5,
            now=self.clock.now,
            clock=self.clock.now,
        )

    def server(self, **bounds):
        """The server, as the client sees it."""
        return FhirServer(self.transport(**bounds))

    def pusher(self, path, **options):
        """A process that empties an outbox into the stub."""
        return Pusher(
            str(path),
            lambda _name: self.server(attempts=3),
            lambda _name: Options(**options),
            "tests:1",
            self.clock.now,
            self.clock.sleep,
            lambda: 0.5,
        )


def on_the_server(world):
    """Revision and status of each CarePlan there."""
    return standing({"entry": [{"resource": r} for r in world.stub.of("CarePlan")]})


def only_nameless(world):
    """Whether nothing but what has no number is there more than once."""
    return all(value is None for (_, _, value), number in world.stub.counts().items() if number > 1)


class Once:
    """A fault that strikes the first so many matching requests, then lets all through."""

    def __init__(self, does, when=lambda request: True, times=1):
        self.does, self.when, self.left, self.struck = does, when, times, 0

    def __call__(self, request, carry_out):
        if self.left <= 0 or not self.when(request):
            return None
        self.left, self.struck = self.left - 1, self.struck + 1
        return self.does(request, carry_out)


def is_transaction(request):
    """Whether a request is a transaction."""
    return b'"type":"transaction"' in (request.body or b"")


def before(error):
    """The connection breaks before the request is carried out."""
    return lambda _request, _carry_out: error


def after(error):
    """The request is carried out, and the answer lost."""

    def does(_request, carry_out):
        carry_out()
        return error

    return does


RESET = requests.ConnectionError("Connection aborted.")


class _Any:
    """Matches every address, for ``responses``."""

    def __new__(cls):
        import re

        return re.compile(r"https?://.*")
