"""Joins the service with the MQTT adapter and serves its REST API."""

import asyncio
import gc
import logging
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import uvicorn
from fastapi import FastAPI

from zoneledger.asgi import create_app, open_service
from zoneledger.settings import Settings
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.subscriber import Session, Subscriber
from zoneledger_mqtt.topics import Topics

log = logging.getLogger(__name__)


async def build_app(settings: Settings) -> FastAPI:
    """Return the application on a migrated database, with the broker's messages coming in if one is set.

    Raises ValueError for a bad broker URL, before anything is touched.
    """
    address = None if settings.broker_url is None else parse_broker_url(settings.broker_url)
    service = await open_service(settings)
    if address is None:
        return create_app(service)
    topics, session = Topics(settings.topic_root), Session(settings.client_id)
    subscriber = Subscriber(address, service.recorder, topics=topics, session=session)

    async def broker_ready() -> bool:
        return subscriber.ready

    service.checks["broker"] = broker_ready
    return create_app(service, background=[subscriber.run])


def _server(app: FastAPI, host: str, port: int, log_level: str) -> uvicorn.Server:
    return uvicorn.Server(uvicorn.Config(app, host=host, port=port, log_level=log_level, access_log=False))


def spare_the_collector() -> None:
    """Let Python's cycle collector pass over what was there at the start, and run seldom.

    Messages wait for their commit by the thousand and hold no cycles: walking all objects for them costs a tenth of the time.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 50)


async def serve(settings: Settings) -> None:
    """Serve until the process is told to end."""
    spare_the_collector()
    await _server(await build_app(settings), settings.host, settings.port, "info").serve()


def free_port(host: str, wanted: int) -> int:
    """Return `wanted` if nothing listens there, else a port that is free."""
    for port in (wanted, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise OSError(f"no port of {host} is free")


@asynccontextmanager
async def serving(settings: Settings) -> AsyncIterator[tuple[str, asyncio.Task[None]]]:
    """Serve beside the caller's own work; yields the address once it answers, and the task, which ends with an interrupt."""
    server = _server(await build_app(settings), settings.host, settings.port, "warning")
    task = asyncio.create_task(server.serve())
    try:
        while not server.started:
            if task.done():
                await task
                raise OSError(f"the service did not start on {settings.host}:{settings.port}")
            await asyncio.sleep(0.01)
        yield f"http://{settings.host}:{settings.port}", task
    finally:
        server.should_exit = True
        await task
