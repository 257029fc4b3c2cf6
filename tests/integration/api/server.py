"""The application behind a real HTTP server, in a thread with a loop of its own."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI

from tests.servers.programs import free_port, wait_until


@contextmanager
def served(make_app: Callable[[], FastAPI]) -> Iterator[str]:
    """Serve an application on a free port and give its address."""
    port = free_port()
    server = uvicorn.Server(uvicorn.Config(make_app, factory=True, port=port, log_level="warning", lifespan="on"))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        wait_until(lambda: server.started or not thread.is_alive(), "the HTTP server")
        assert server.started
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(20)
        assert not thread.is_alive()
