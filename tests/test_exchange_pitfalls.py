"""What real servers reject or do otherwise, each with the measure taken against it.

====  =================================================  ===================================================
 #    pitfall                                            test
====  =================================================  ===================================================
 1    entry limits                                       two_phases_and_limits
 2    transactions run as batches                        a_transaction_run_as_a_batch_is_noticed
 3    references to what is not there yet                order_of_references
 4    references to what is never there                  a_reference_out_of_the_bundle_is_refused; fallback:
                                                         people_who_cannot_be_added_are_referred_to_by_number
 5    circles of references                              a_circle_of_references_is_refused
 6    conditional references                             references_are_literal_across_transactions
 7    forms of ifNoneExist                               conditions_are_plain_and_encoded
 8    a match without location                           a_match_without_location_is_searched_for
 9    urn:uuid left in what is stored                    placeholders_left_by_the_server_are_mended
10    attachment.url not rewritten                       fallback: a_small_binary_travels_inside
11    ids of digits alone; upper-case urns               no_id_and_lower_case_names
12    update as create                                   update_as_create_is_not_relied_on
13    forms of If-Match; 409 for 412                     the_etag_goes_back_byte_for_byte; faults
14    narrative: namespace, case, entities               narratives_are_strict
15    search by timing                                   nothing_is_searched_by_timing
16    parameters ignored: everybody's rows               client: rows_that_were_not_asked_for_do_not_count,
                                                         everybodys_goals_are_not_this_patients
17    any status from $validate                          client: validate_is_judged_by_severity
18    429 inside an answer                               busy_entries_in_a_batch_are_sent_again_and_no_other
19    races of conditional creates                       a_lost_answer_to_conditional_creates_...; outbox:
                                                         many_plans_with_bounded_parallelism
20    the same condition twice                           the_same_condition_twice_is_refused
21    more than one match                                more_than_one_match_stops
22    no transactions                                    a_server_without_transactions_is_sent_to_one_by_one
23    plain creates repeated                             faults: a_write_that_may_have_been_done_is_never_...
24    versioned references                               versions_are_referred_to_in_provenance_alone
25    labels dropped; profiles nobody knows              labels_go_along; sending: profile_claims_a_server_...
====  =================================================  ===================================================
"""

from __future__ import annotations

import copy
from urllib.parse import parse_qs
from xml.etree import ElementTree as ET

import pytest

from fhircare.bundle import to_bundle
from fhircare.errors import BundleError, Conflict, ServerRefused
from fhircare.exchange import wire
from fhircare.exchange.sender import Options, send
from fhircare.exchange.sending import Limits
from fhircare.releases import say
from tests.courses import example_course
from tests.exchange_kit import (
    CLINIC,
    RESET,
    Once,
    after,
    is_transaction,
    ref,
    resource,
    small_plan,
    urn,
)
from tests.plans import whole_plan
from tests.servers.stub import RefusesError, references


def test_two_phases_and_limits(world):
    """Pitfall, entry limits: at most 8 entries with conditions, at most 50 without; people first, plan
    last.
    """
    bundle = wire.loads(wire.dumps(to_bundle(whole_plan())))

    send(world.server(), bundle)

    sizes = [
        (any("ifNoneExist" in e["request"] for e in b["entry"]), len(b["entry"]))
        for _, _, b in world.stub.writes()
    ]
    assert all(size <= (8 if conditional else 50) for conditional, size in sizes)
    assert [conditional for conditional, _ in sizes] == sorted((c for c, _ in sizes), reverse=True)
    last = [e["resource"]["resourceType"] for e in world.stub.writes()[-1][2]["entry"]]
    assert "CarePlan" in last


def test_references_are_literal_across_transactions(world):
    """Pitfall, conditional references: nothing is sent with ``Type?identifier=`` in a reference."""
    send(world.server(), small_plan(), options=Options(limits=Limits(2, 2)))

    text = str([body for _, _, body in world.stub.writes()])
    assert "?identifier=" not in text
    assert resource({"entry": [{"resource": r} for r in world.stub.held.values()]}, "CarePlan")[
        "subject"
    ] == {"reference": next(name for name in world.stub.held if name.startswith("Patient/"))}


def test_no_id_and_lower_case_names(world):
    """Pitfalls, client ids and urn case: a create carries no id; full URLs are lower-case UUIDs."""
    bundle = small_plan()
    bundle["entry"][1]["resource"]["id"] = "123"
    send(world.server(), bundle)

    entries = [e for _, _, body in world.stub.writes() for e in body["entry"]]
    assert not any("id" in e["resource"] for e in entries)
    assert all(e["fullUrl"] == e["fullUrl"].lower() for e in entries)


def test_order_of_references(world):
    """Pitfall, order sensitive servers: within all transactions each entry comes after those it refers to."""
    bundle = small_plan()
    bundle["entry"].reverse()
    send(world.server(), bundle)

    seen = set()
    for entry in [e for _, _, body in world.stub.writes() for e in body["entry"]]:
        named = {r for r in references(entry["resource"]) if r.startswith("urn:")}
        assert named <= seen
        seen.add(entry["fullUrl"])


def test_a_circle_of_references_is_refused(world):
    """Pitfall, cycles: two resources that refer to each other are named, and nothing is sent."""
    bundle = small_plan()
    resource(bundle, "Goal")["addresses"] = [ref("wear1", "/r1")]
    resource(bundle, "ServiceRequest", 1)["supportingInfo"] = [ref("goal")]

    with pytest.raises(BundleError, match="circle"):
        send(world.server(), bundle)
    assert world.stub.writes() == []


def test_the_same_condition_twice_is_refused(world):
    """Pitfall, duplicate conditions: two entries with one identifier are named, and nothing is sent."""
    bundle = small_plan()
    bundle["entry"].append({"fullUrl": urn("other"), "resource": copy.deepcopy(resource(bundle, "Patient"))})

    with pytest.raises(BundleError, match=r"is also that of Bundle\.entry\[1\]"):
        send(world.server(), bundle)


def test_more_than_one_match_stops(world):
    """Pitfall, multiple matches: a person has to merge them; nothing is sent."""
    for _ in range(2):
        world.stub.put(
            {"resourceType": "Patient", "identifier": [{"system": f"{CLINIC}/patients", "value": "70412"}]}
        )

    with pytest.raises(ServerRefused, match="2 Patient resources with one and the same identifier"):
        send(world.server(), small_plan())
    assert world.stub.writes() == []


def test_conditions_are_plain_and_encoded(world):
    """Pitfall, ifNoneExist: identifier=system|value and nothing else, no "?", percent-encoded."""
    send(world.server(), small_plan())

    told = [
        e["request"]["ifNoneExist"]
        for _, _, b in world.stub.writes()
        for e in b["entry"]
        if "ifNoneExist" in e["request"]
    ]
    assert told[1] == "identifier=https%3A%2F%2Fclinic.example%2Fpatients%7C70412"
    assert len(told) == 4


def test_a_match_without_location_is_searched_for(world):
    """Pitfall, 200 without location: the id is found by searching, and references come out right."""
    world.stub.tells_location = False

    assert send(world.server(), small_plan()).verified


def test_placeholders_left_by_the_server_are_mended(world):
    """Pitfall, urn:uuid left in stored resources: seen when read back, and put right by an update."""
    world.stub.rewrites = False

    report = send(world.server(), small_plan())

    assert report.verified
    assert "urn:uuid" not in str(world.stub.held)


def test_the_etag_goes_back_byte_for_byte(world):
    """Pitfall, If-Match format: what came as ETag goes back as it came, weak or strong."""
    send(world.server(), small_plan())
    sent = []

    def strong(request, carry_out):
        status, headers, body = carry_out()
        if request.method == "GET":
            headers["ETag"] = '"strong-1"'
        if b"ifMatch" in (request.body or b""):
            sent.extend(e["request"].get("ifMatch") for e in wire.loads(request.body)["entry"])
            return 412, headers, body
        return status, headers, body

    world.faults.append(strong)
    with pytest.raises((Conflict, ServerRefused)):
        send(world.server(), small_plan(weeks="2026-12-24"))
    assert set(sent) == {'"strong-1"'}


def test_a_server_without_transactions_is_sent_to_one_by_one(world):
    """Pitfall, no transaction: single requests, parents first, conditional where offered; again: nothing."""
    world.stub.system = []

    report = send(world.server(), small_plan())

    assert report.way == "single"
    assert report.verified
    assert set(send(world.server(), small_plan()).counts) == {"kept", "unchanged"}
    headers = [h for method, path, h, _ in world.stub.seen if method == "POST" and path == "CarePlan"]
    assert "If-None-Exist" in headers[0]


def test_a_transaction_run_as_a_batch_is_noticed(world):
    """Pitfall, transaction run as batch: a failed entry inside a 200 is found, the rest is not sent twice."""
    world.stub.as_batch, world.stub.rewrites = True, False
    with pytest.raises(ServerRefused, match=r"Bundle\.entry\[\d+\] \(422\)"):
        send(world.server(), small_plan())
    world.stub.as_batch, world.stub.rewrites = False, True

    assert send(world.server(), small_plan()).verified
    assert max(world.stub.counts().values()) == 1


def test_busy_entries_in_a_batch_are_sent_again_and_no_other(world):
    """Pitfall, 429 inside: entries refused for being too many are sent again, those that arrived are not."""
    world.stub.as_batch = True
    full = []

    def busy(resource):
        if resource["resourceType"] == "Device" and not full:
            full.append(1)
            raise RefusesError(429, "slow down", "throttled")

    world.stub.on_write = busy
    world.stub._check = lambda body, kind: world.stub.on_write(body)

    send(world.server(), small_plan())

    assert max(world.stub.counts().values()) == 1
    assert len(world.stub.held) == 12


def test_update_as_create_is_not_relied_on(world):
    """Pitfall, PUT to a new id: no PUT goes to a resource that the server did not have."""
    send(world.server(), small_plan())

    assert not [path for method, path, _ in world.stub.writes() if method == "PUT"]


def test_a_lost_answer_to_conditional_creates_is_looked_up_first(world):
    """Pitfall, races of conditional creates: one whose answer is lost may still run: look first."""
    people = Once(after(RESET), when=lambda r: is_transaction(r) and b"ifNoneExist" in r.body)
    world.faults.append(people)

    send(world.server(), small_plan())

    assert people.struck == 1
    assert len([b for _, _, b in world.stub.writes() if "ifNoneExist" in str(b)]) == 1


def test_a_reference_out_of_the_bundle_is_refused(world):
    """Pitfall, references to what is never there: named before anything is sent."""
    bundle = small_plan()
    resource(bundle, "Goal")["addresses"] = [{"reference": "Condition/17"}]

    with pytest.raises(BundleError, match=r"Bundle\.entry\[7\]: refers to what is not in it"):
        send(world.server(), bundle)
    assert world.stub.writes() == []


def test_narratives_are_strict(world):
    """Pitfall, narrative: XHTML of its own namespace, in lower case, with a language, something in it, and no
    entities or scripts; of every resource of a followed plan.
    """
    send(world.server(), example_course("diego-spanish-large-print")["released"])

    texts = [r["text"]["div"] for r in world.stub.held.values() if "text" in r]
    assert len(texts) > 100
    for text in texts:
        root = ET.fromstring(text)  # noqa: S314 - ours; strict: HTML entities and open tags are errors
        assert root.tag == "{http://www.w3.org/1999/xhtml}div"
        assert root.get("lang") == root.get("{http://www.w3.org/XML/1998/namespace}lang")
        assert all(node.tag == node.tag.lower() and not node.tag.endswith("script") for node in root.iter())
        assert "".join(root.itertext()).strip()


def test_nothing_is_searched_by_timing(world):
    """Pitfall, search by timing: servers index it each in its way; we search by number, person and target."""
    course = example_course("anna-first-locking")
    for step in ("stopped", "released"):
        send(world.server(), course[step])

    asked = {name for _, _, _, body in world.stub.seen for name in _parameters(body)}
    assert asked == {"identifier", "target"}


def test_versions_are_referred_to_in_provenance_alone(world):
    """Pitfall, versioned references: only Provenance.entity may name a version."""
    send(world.server(), example_course("anna-first-locking")["released"])

    others = [r for r in world.stub.held.values() if r["resourceType"] != "Provenance"]
    assert not [name for r in others for name in references(r) if "/_history/" in name]


def test_labels_go_along(world):
    """Pitfall, labels: every resource of a made-up person is marked as test data where it arrives; a server
    that drops the mark is told of.
    """
    send(world.server(), example_course("anna-first-locking")["released"])
    assert all(
        "HTEST" in [label["code"] for label in r["meta"]["security"]] for r in world.stub.held.values()
    )

    world.stub.held.clear()
    put = world.stub.put
    world.stub.put = lambda body, number="": put({k: v for k, v in body.items() if k != "meta"}, number)
    report = send(world.server(), small_plan())
    assert not report.verified
    assert "stored otherwise than sent: CarePlan.meta.security" in [e.note for e in report.entries]


def test_claims_kept_for_another_release_stay_at_home(world):
    """Pitfall, cross-version extensions: an R5 server gets no R4 profile's claim, not even kept in one; the
    bundle keeps it for the way home; nothing else of a plan needs such an extension.
    """
    world.stub.version = "5.0.0"
    bundle = example_course("anna-first-locking")["released"]
    assert "extension-Meta.profile" in str(say(bundle, "R5"))

    assert send(world.server(), bundle).verified
    assert "/StructureDefinition/extension-" not in str(world.stub.held)
    assert set(send(world.server(), bundle).counts) == {"kept", "unchanged"}


def test_a_code_the_server_cannot_look_up_is_named(world):
    """Pitfall, codes without a list: the server's words tell the code system it lacks; nothing is written."""
    words = "CodeSystem is unknown and can't be validated: https://www.iana.org/time-zones"

    def strict(resource):
        if "America/Chicago" in str(resource):
            raise RefusesError(422, words)

    world.stub.on_write = strict
    with pytest.raises(ServerRefused, match=r"iana\.org/time-zones"):
        send(world.server(), to_bundle(whole_plan()))
    assert world.stub.held == {}


def _parameters(body):
    """The parameters of the searches in a batch."""
    entries = body.get("entry", []) if isinstance(body, dict) and body.get("type") == "batch" else []
    for entry in entries:
        yield from parse_qs(entry["request"]["url"].partition("?")[2])
