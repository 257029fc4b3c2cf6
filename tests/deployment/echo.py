"""A server that says what it was sent, in the place of the service behind a proxy."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: "Echo"

    def do_GET(self) -> None:
        if self.path == "/held":
            self.server.hold()
        body = json.dumps([[name.lower(), value] for name, value in self.headers.items()]).encode()
        self.send_response(200)
        self.send_header("content-length", str(len(body)))
        with suppress(BrokenPipeError, ConnectionResetError):  # whoever asked may have gone meanwhile
            self.end_headers()
            self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


class Echo(ThreadingHTTPServer):
    """Answers each request with its headers, `/held` when it is released; `held` counts how many wait for that."""

    daemon_threads = True
    request_queue_size = 512

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.held = 0
        self.released = threading.Event()
        self._counting = threading.Lock()

    def hold(self) -> None:
        """Wait until all are released."""
        with self._counting:
            self.held += 1
        self.released.wait(30)


@contextmanager
def echo() -> Iterator[Echo]:
    """Run one; its port is `server_port`."""
    with Echo() as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield server
        finally:
            server.released.set()
            server.shutdown()
            thread.join(10)
