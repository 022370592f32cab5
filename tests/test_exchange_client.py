"""The client: what a server says it can do, searches page by page, and rows that are not what was asked
for.
"""

from __future__ import annotations

import json

import pytest

from fhircare.errors import OutcomeUnclear, ServerRefused
from fhircare.exchange import outcome
from fhircare.exchange.capabilities import read_capabilities
from fhircare.exchange.client import escape, place
from tests.exchange_kit import CLINIC, small_plan

PERSON = {"resourceType": "Patient", "identifier": [{"system": f"{CLINIC}/patients", "value": "1"}]}


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"resourceType": "Conformance", "fhirVersion": "1.0.2"}, "DSTU2"),
        (
            {"resourceType": "CapabilityStatement", "fhirVersion": "3.0.2"},
            "speaks FHIR 3.0.2: R4 or R5 is needed",
        ),
        ({"resourceType": "CapabilityStatement", "fhirVersion": "6.0.0-ballot2"}, "R4 or R5 is needed"),
        ({"resourceType": "CapabilityStatement"}, "release it does not name"),
        ({"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "format": ["xml"]}, "FHIR as JSON"),
        ({"resourceType": "OperationOutcome"}, "is this the address of a FHIR base"),
        (["hello"], "is this the address of a FHIR base"),
        (None, "is this the address of a FHIR base"),
    ],
)
def test_a_server_that_will_not_do_is_refused(body, says):
    """Not FHIR, not R4 or R5, or not JSON: said in words."""
    with pytest.raises(ServerRefused, match=says):
        read_capabilities(body)


@pytest.mark.parametrize(
    ("version", "release"), [("4.0.1", "R4"), ("4.0.0", "R4"), ("4.3.0", "R4B"), ("5.0.0", "R5")]
)
def test_releases_we_speak(version, release):
    """FHIR publishes R4 as 4.0.x, R4B as 4.3.0, R5 as 5.0.0 (FHIR-versions value set)."""
    said = {
        "resourceType": "CapabilityStatement",
        "fhirVersion": version,
        "format": ["application/fhir+json"],
    }
    assert read_capabilities(said).release == release


def test_pages_are_followed_to_the_end(world):
    """Seven patients in pages of two: all seven, each once, by links taken as they come."""
    world.stub.page = 2
    for _ in range(7):
        world.stub.put(PERSON)

    found = world.server().search("Patient", {"identifier": f"{CLINIC}/patients|1"})

    assert len({r["id"] for r in found.matches}) == len(found.matches) == 7


@pytest.mark.parametrize(
    "url",
    [
        "https://evil.example/r4/Patient?page=2",
        "http://fhir.example/r4/Patient?page=2",
        "https://fhir.example:444/r4?page=2",
    ],
)
def test_a_next_link_elsewhere_is_not_followed(world, url):
    """Another host, another scheme, another port: refused, nothing sent there, no data in the error."""
    page = {"resourceType": "Bundle", "type": "searchset", "link": [{"relation": "next", "url": url}]}
    world.faults.append(lambda r, _: (200, {"Content-Type": "application/json"}, json.dumps(page)))

    with pytest.raises(ServerRefused, match="the next page is on") as caught:
        world.server().search("Patient", {"identifier": "a|1"})
    assert "page=2" not in str(caught.value)
    assert len(world.mocked.calls) == 1


@pytest.mark.parametrize("fresh", [False, True], ids=["the same page again", "always another"])
def test_pages_without_end(world, fresh):
    """A next link to the same page is seen at once; ever new ones are stopped at a bound."""
    count = [0]

    def page(request, _carry_out):
        count[0] += 1
        url = f"https://fhir.example/r4/Patient?page={count[0] if fresh else 1}"
        body = {"resourceType": "Bundle", "type": "searchset", "link": [{"relation": "next", "url": url}]}
        return 200, {"Content-Type": "application/json"}, json.dumps(body)

    world.faults.append(page)

    with pytest.raises(ServerRefused, match="never end"):
        world.server().search("Patient", {"identifier": "a|1"})
    assert count[0] <= 501


def test_numbers_are_not_put_into_addresses(world):
    """Searches go as POST: what people are known by stands in no address; strict handling is asked for."""
    world.server().find("Patient", f"{CLINIC}/patients", "70412")

    method, path, headers, _ = world.stub.seen[-1]
    assert (method, path) == ("POST", "Patient/_search")
    assert headers["Prefer"] == "handling=strict"
    assert headers["Cache-Control"] == "no-cache"
    assert not any("70412" in call.request.url for call in world.mocked.calls)


def test_get_where_post_is_not_offered(world):
    """A server without _search by POST is searched by GET."""
    world.stub.posts_searches = False
    world.stub.put(PERSON)

    assert world.server().find("Patient", f"{CLINIC}/patients", "1")["id"] == "r1"


def test_rows_that_were_not_asked_for_do_not_count(world):
    """Pitfall, ignored parameters: a server that answers with everybody's rows has found nobody by that."""
    world.stub.ignores_parameters = True
    world.stub.put(PERSON)
    server = world.server()

    assert server.find("Patient", f"{CLINIC}/patients", "2") is None
    assert server.find("Patient", f"{CLINIC}/patients", "1")["id"] == "r1"
    assert server.search("Patient", {"identifier": "a|2"}).ignored == ("identifier",)


def test_everybodys_goals_are_not_this_patients(world):
    """Pitfall, ignored parameters: each goal's subject is checked again, whatever was searched by."""
    from fhircare.exchange.therapist import goals_at

    world.stub.ignores_parameters = True
    mine = world.stub.put({**PERSON, "identifier": [{"system": f"{CLINIC}/patients", "value": "70412"}]})
    for number in (mine["id"], "r99"):
        world.stub.put({"resourceType": "Goal", "subject": {"reference": f"Patient/{number}"}})

    found = goals_at(world.server(), small_plan())

    assert [r["subject"]["reference"] for r in found if r["resourceType"] == "Goal"] == [
        f"Patient/{mine['id']}"
    ]


def test_outcome_rows_are_not_results(world):
    """A row of mode outcome is no match; one with an error fails the search."""

    def page(severity):
        said = {
            "resourceType": "OperationOutcome",
            "issue": [{"severity": severity, "code": "not-supported"}],
        }
        entry = [{"resource": said, "search": {"mode": "outcome"}}]
        return lambda r, _: (
            200,
            {"Content-Type": "application/json"},
            json.dumps({"resourceType": "Bundle", "type": "searchset", "entry": entry}),
        )

    world.faults.append(page("warning"))
    assert world.server().search("Patient", {"identifier": "a|1"}).matches == []
    world.faults[:] = [page("error")]
    with pytest.raises(ServerRefused, match="says the search failed"):
        world.server().search("Patient", {"identifier": "a|1"})


def test_special_characters_in_a_number_are_escaped():
    """FHIR R4, Search, 3.1.1.4.0.2: comma, bar, dollar and backslash are escaped with a backslash."""
    assert escape("a,b|c$d\\e") == r"a\,b\|c\$d\\e"


def test_a_number_with_special_characters_is_found(world):
    """A number with a comma and a bar in it finds its own patient, and no other."""
    world.stub.put({"resourceType": "Patient", "identifier": [{"system": "urn:x", "value": "7,8|9"}]})

    assert world.server().find("Patient", "urn:x", "7,8|9") is not None
    assert world.server().find("Patient", "urn:x", "7") is None


@pytest.mark.parametrize("status", [200, 400, 412, 422, 500])
def test_validate_is_judged_by_severity(world, status):
    """Pitfall, $validate: the same findings come with 200, 400, 412, 422 or 500; only severity counts."""
    said = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "required", "expression": ["Goal.subject"]}],
    }
    world.faults.append(lambda r, _: (status, {"Content-Type": "application/fhir+json"}, json.dumps(said)))

    (problem,) = world.server(attempts=1).validate({"resourceType": "Goal"})

    assert (problem.grave, problem.code, problem.where) == (True, "required", "Goal.subject")


def test_only_warnings_are_no_refusal(world):
    """A 200 with warnings, and a 422 with nothing but information, find no fault."""
    said = {"resourceType": "OperationOutcome", "issue": [{"severity": "warning", "code": "informational"}]}
    world.faults.append(lambda r, _: (422, {"Content-Type": "application/fhir+json"}, json.dumps(said)))

    assert not any(p.grave for p in world.server().validate({"resourceType": "Goal"}))


def test_gone_and_never_there(world):
    """404 and 410 are both "not there" to whoever looks; anything else is an error."""
    server = world.server()
    for status in (404, 410):
        world.faults[:] = [lambda r, _, s=status: (s, {}, "")]
        assert server.read("Goal/1") is None
    world.faults[:] = [
        lambda r, _: (200, {"Content-Type": "application/json"}, '{"resourceType": "Patient", "id": "1"}')
    ]
    with pytest.raises(ServerRefused, match="something else"):
        server.read("Goal/1")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("https://fhir.example/r4/CarePlan/12/_history/3", "CarePlan/12"),
        ("CarePlan/12/_history/W%2F3", ""),
        ("CarePlan/a-b.c", "CarePlan/a-b.c"),
        ("/r4/Goal/7?x=1", "Goal/7"),
        ("urn:uuid:1", ""),
        ("https://evil.example/../etc/passwd", ""),
        ("", ""),
    ],
)
def test_locations(text, expected):
    """FHIR R4, http.html: [base]/[type]/[id]/_history/[vid], whole or relative."""
    assert place(text) == expected


def test_a_single_create_with_an_error_inside_is_unclear(world):
    """201 and an OperationOutcome with an error: nobody knows; it is looked up."""
    said = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "exception"}]}
    world.faults.append(lambda r, _: (201, {"Content-Type": "application/fhir+json"}, json.dumps(said)))
    server = world.server()

    with pytest.raises(OutcomeUnclear):
        server.write(server.create_request({"resourceType": "Goal"}), 1)


def test_what_is_private_is_taken_out():
    """Names, numbers, contacts and dates of people are; codes and ids of the standard are not."""
    private = outcome.private_texts(small_plan())

    assert {"Lindqvist", "Anna", "1968-03-09", "70412", "+1-815-555-0181"} <= private
    assert not {"phone", "HTEST", "active", "Okafor"} & private
    assert outcome.without("ANNA LINDQVIST, Annapolis", private) == "… …, Annapolis"
