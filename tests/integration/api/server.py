"""The application behind a real HTTP server: in a thread with a loop of its own, or in the loop of the test."""

import asyncio
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager

import uvicorn
from fastapi import FastAPI

from tests.integration.mqtt.parts import until
from tests.servers.programs import free_port, wait_until
from zoneledger_cli.listening import server_of


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


@asynccontextmanager
async def served_here(app: FastAPI) -> AsyncIterator[str]:
    """Serve an application on a free port in this loop, as the service does, and give its address."""
    port = free_port()
    server = server_of(app, "127.0.0.1", port, "warning")
    task = asyncio.create_task(server.serve())
    try:
        await until(lambda: server.started or task.done(), "the HTTP server")
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        await asyncio.wait_for(task, 20)
