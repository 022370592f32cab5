"""An HTTP connection that does not wait for ever for the first line of an answer.

A read timeout bounds the silence between two bytes. A server that drips one byte a second never lets it run
out, so the time for all header lines together is bounded here; the body is bounded by who reads it.
"""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

if TYPE_CHECKING:
    from urllib3.response import HTTPResponse


class _Bounded(HTTPConnection):
    header_seconds = 60.0

    def getresponse(self) -> HTTPResponse:  # type: ignore[override]  # urllib3 answers with its own
        cut = threading.Timer(self.header_seconds, _cut, [self.sock])
        cut.daemon = True
        cut.start()
        try:
            return super().getresponse()
        finally:
            cut.cancel()


class _BoundedTls(_Bounded, HTTPSConnection):
    pass


class BoundedAdapter(HTTPAdapter):
    """A requests adapter whose connections give the header lines of an answer a bounded time."""

    def __init__(self, header_seconds: float) -> None:
        self._connection = type("Bounded", (_Bounded,), {"header_seconds": header_seconds})
        self._tls = type("BoundedTls", (_BoundedTls,), {"header_seconds": header_seconds})
        super().__init__(max_retries=0)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        """Make the pools, and give them our connections."""
        super().init_poolmanager(*args, **kwargs)
        self._use_ours(self.poolmanager)

    def proxy_manager_for(self, *args: Any, **kwargs: Any) -> Any:
        """Make the pools behind a proxy, and give them our connections."""
        manager = super().proxy_manager_for(*args, **kwargs)
        self._use_ours(manager)
        return manager

    def _use_ours(self, manager: Any) -> None:
        manager.pool_classes_by_scheme = {
            "http": type("Pool", (HTTPConnectionPool,), {"ConnectionCls": self._connection}),
            "https": type("TlsPool", (HTTPSConnectionPool,), {"ConnectionCls": self._tls}),
        }


def _cut(sock: socket.socket | None) -> None:
    # Shutting down wakes the thread that is blocked in recv; closing alone would not.
    if sock is not None:
        with suppress(OSError):
            sock.shutdown(socket.SHUT_RDWR)
