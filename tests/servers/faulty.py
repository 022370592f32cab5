"""A server of bare sockets that does what no library would: drips, breaks off, goes on without end."""

from __future__ import annotations

import contextlib
import socket
import ssl
import struct
import threading
import time


class Faulty:
    """Listens on loopback; ``does(connection, request)`` answers each request, then the connection ends."""

    def __init__(self, does, tls=None):
        self.does, self.requests, self._tls = does, [], tls
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.1)
        self._going = True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    @property
    def base(self):
        """The base address."""
        scheme = "https" if self._tls else "http"
        return f"{scheme}://127.0.0.1:{self._listener.getsockname()[1]}/r4"

    def close(self):
        """Stop listening."""
        self._going = False
        self._thread.join(5)
        self._listener.close()

    def _serve(self):
        while self._going:
            try:
                connection, _ = self._listener.accept()
            except TimeoutError:
                continue
            with contextlib.suppress(OSError), connection:
                connection.settimeout(5)
                wrapped = self._tls.wrap_socket(connection, server_side=True) if self._tls else connection
                with wrapped:
                    request = _read(wrapped)
                    self.requests.append(request)
                    self.does(wrapped, request)


def reset(connection, _request):
    """End the connection with a reset instead of a close."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def head(connection, length=None, kind="application/fhir+json", status="200 OK", **headers):
    """Send the header lines of an answer."""
    lines = [f"HTTP/1.1 {status}", f"Content-Type: {kind}", "Connection: close"]
    lines += [f"Content-Length: {length}"] if length is not None else []
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    connection.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())


def drip(connection, data, every=0.02, most=2000):
    """Send a byte at a time."""
    for number in range(most):
        connection.sendall(data[number % len(data) : number % len(data) + 1])
        time.sleep(every)


def tls_context(certificate, key):
    """A server's TLS context."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    return context


def _read(connection):
    data = b""
    while b"\r\n\r\n" not in data:
        more = connection.recv(65536)
        if not more:
            return data
        data += more
    top, _, body = data.partition(b"\r\n\r\n")
    length = next(
        (int(line[15:]) for line in top.split(b"\r\n") if line.lower().startswith(b"content-length:")), 0
    )
    while len(body) < length:
        body += connection.recv(65536)
    return top + b"\r\n\r\n" + body
