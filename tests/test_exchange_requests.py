"""How many requests a followed plan takes, and servers that read lists of values in ways of their own."""

from __future__ import annotations

import pytest

from fhircare.exchange import ShortMemory, dry_run, send
from tests.courses import standing
from tests.exchange_kit import on_the_server, only_nameless


def requests_of(world, call):
    """How many requests a call makes."""
    world.stub.seen.clear()
    call()
    return len(world.stub.seen)


def test_looking_takes_few_requests(world, course):
    """169 entries, all there: a dry run and a second sending look them up 40 a request, not one by one."""
    bundle, memory = course["released"], ShortMemory()
    send(world.server(), bundle, memory=memory)

    assert requests_of(world, lambda: dry_run(world.server(), bundle)) <= 9
    assert requests_of(world, lambda: send(world.server(), bundle, memory=memory)) <= 9


def test_updating_takes_few_requests(world, course):
    """More than forty updates: their ETags come forty a request, whether or not batches carry them."""
    for told in (True, False):
        world.stub.held.clear()
        world.stub.tags_in_batches = told
        send(world.server(), course["proposed"])
        assert requests_of(world, lambda: send(world.server(), course["released"])) <= 18


def test_a_server_without_batches_is_asked_in_lists(world, course):
    """No batches: identifiers go twenty a search; what is missing is believed once lists are known to
    work.
    """
    world.stub.system = ["transaction"]
    bundle = course["revised"]
    kinds = {e["resource"]["resourceType"] for e in bundle["entry"]}
    first = requests_of(world, lambda: send(world.server(), bundle))

    # Once to find that nothing is there, in lists; once to read back what was written, each by itself.
    assert first <= len(bundle["entry"]) + 2 * len(kinds) + 20
    assert requests_of(world, lambda: dry_run(world.server(), bundle)) <= len(kinds) + 12
    assert world.stub.writes() == []


@pytest.mark.parametrize("reads", ["the first", "none"])
def test_a_server_that_does_not_read_lists(world, course, reads):
    """A server that takes the first value of a list, or the whole list for one value: nothing is doubled."""
    world.stub.system = ["transaction"]
    matching = world.stub._matching

    def strange(kind, query):
        value = query.get("identifier", [""])[0]
        if "," in value:
            if reads == "none":
                return []
            query = query | {"identifier": [value.split(",")[0]]}
        return matching(kind, query)

    world.stub._matching = strange
    send(world.server(), course["approved"])
    again = send(world.server(), course["approved"])
    assert set(again.counts) == {"kept", "unchanged"}
    assert send(world.server(), course["revised"]).verified
    assert on_the_server(world) == standing(course["revised"])
    assert only_nameless(world)
