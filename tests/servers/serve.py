"""The stub over HTTP, for tests whose client is another process or several threads."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


def serve(stub):
    """Serve a stub over HTTP on loopback from a thread; return the running server (``shutdown`` ends it)."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def _do(self):
            data = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            status, headers, body = stub.answer(
                self.command, stub.base + self.path[3:], dict(self.headers), data
            )
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(body.encode())))
            self.end_headers()
            self.wfile.write(body.encode())

        do_GET = do_POST = do_PUT = _do  # noqa: N815 - the names http.server calls

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    stub.base = f"http://127.0.0.1:{server.server_port}/r4"
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
    return server
