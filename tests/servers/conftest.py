"""The real servers for the tests against them: each is started once, one after another."""

from __future__ import annotations

import pytest

from fhircare.exchange import FhirServer
from fhircare.exchange.auth import NoAuth
from fhircare.exchange.http import Bounds, Transport
from tests.servers.asked import There
from tests.servers.launch import SERVERS, NotToBeHadError, needed, say


@pytest.fixture(scope="session", params=list(SERVERS))
def running(request):
    """A running server of another make. One that cannot be fetched is skipped with the reason, but in CI, or
    when FHIRCARE_SERVERS names it, it must be there.
    """
    capture = request.config.pluginmanager.getplugin("capturemanager")

    def aloud(text):
        with capture.global_and_fixture_disabled():
            say(text)

    try:
        with SERVERS[request.param](aloud) as server:
            yield server
    except NotToBeHadError as error:
        if needed(request.param):
            raise
        pytest.skip(str(error))


@pytest.fixture
def there(running):
    """What it holds, asked past our client."""
    asked = There(running.base, running.release)
    yield asked
    asked.session.close()


@pytest.fixture
def server(running):
    """The server, through our client."""
    transport = Transport(running.base, NoAuth(), bounds=Bounds(silence=120, whole=300))
    yield FhirServer(transport)
    transport.close()
