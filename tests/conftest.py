"""What all tests share: the network is closed, and the example records are read once."""

from __future__ import annotations

import functools
import os
import socket
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

from tests.golden import Golden

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fhircare.bundle import Reading
    from tests.exchange_kit import World

RECORDS = Path(__file__).parent.parent / "examples" / "records"
_LOOPBACK = {"127.0.0.1", "::1", "localhost"}


# In CI the same examples are drawn each time, so that a red run can be repeated; at the desk, new ones.
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--golden-update", action="store_true", help="write the golden files anew")


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Golden:
    """The golden files."""
    return Golden(update=request.config.getoption("--golden-update"))


@pytest.fixture(autouse=True)
def _closed_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reaches beyond this machine."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        if isinstance(address, tuple) and address[0] not in _LOOPBACK:
            raise AssertionError(f"a test wants to reach {address[0]}")
        connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", guarded)


@pytest.fixture
def world() -> Iterator[World]:
    """A FHIR server in this process, and a way to it; some rooms have one of their own."""
    import responses

    from tests.exchange_kit import World

    with responses.RequestsMock(assert_all_requests_are_fired=False) as mocked:
        yield World(mocked)


@pytest.fixture(scope="module")
def course() -> dict[str, Any]:
    """A plan's bundle after each step of its course."""
    from tests.courses import example_course

    return example_course("anna-first-locking")


@functools.cache
def reading_of(record: str) -> Reading:
    """An example record taken the whole way to a bundle and read back."""
    from fhircare.bundle import read, to_bundle
    from fhircare.delivery import read_delivery
    from fhircare.planner import make_plan

    text = (RECORDS / f"{record}.yaml").read_text(encoding="utf-8")
    return read(to_bundle(make_plan(read_delivery(text)), validate=False))


EXAMPLES = tuple(sorted(path.stem for path in RECORDS.glob("*.yaml")))
