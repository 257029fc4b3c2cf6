"""Joins the service with the MQTT adapter and serves its REST API."""

import asyncio
import errno
import logging
import os
import socket
import sys
import uuid
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from functools import partial

import uvicorn
from fastapi import FastAPI

from zoneledger.api.aside import Aside
from zoneledger.api.streams import Streams
from zoneledger.application.lease import Lease
from zoneledger.application.presumming import Presumming, keep_presumming
from zoneledger.application.renewal import keep_renewing
from zoneledger.application.retention import Keeping, keep_forgetting
from zoneledger.asgi import Background, create_app, open_service
from zoneledger.bootstrap import Service
from zoneledger.core.calendar import DAY_US
from zoneledger.settings import Settings, setting
from zoneledger_cli.memory import bound_the_heap, keep_collecting, spare_the_collector
from zoneledger_mqtt.announcements import OwnTopics
from zoneledger_mqtt.announcing import Announcing
from zoneledger_mqtt.connection import BrokerAddress, parse_broker_url
from zoneledger_mqtt.subscriber import Session, Subscriber
from zoneledger_mqtt.topics import Topics

log = logging.getLogger(__name__)

#: How long a stop waits for answers that are on their way: a client that reads nothing would hold it up for good.
STOP_S = 5
#: How long a thread that computes may keep the interpreter while the event loop wants it. Python's own 5 ms would be waited for
#: after each look at a socket, and a commit takes ten of them.
SWITCH_S = 0.0005


@contextmanager
def _naming(field: str) -> Iterator[None]:
    """Let a ValueError say of which setting it is."""
    try:
        yield
    except ValueError as error:
        raise ValueError(f"{setting(field)}: {error}") from None


def _broker(settings: Settings) -> BrokerAddress | None:
    with _naming("broker_url"):
        return None if settings.broker_url is None else parse_broker_url(settings.broker_url)


async def build_app(settings: Settings) -> FastAPI:
    """Return the application on a migrated database, with the broker's messages coming in if one is set.

    Raises ValueError for a bad broker URL, topic root, publish root or unit to listen to, before anything is touched.
    """
    address = _broker(settings)
    with _naming("topic_root"):
        Topics(settings.topic_root)
    with _naming("listen_to"):
        topics, session = Topics(settings.topic_root, settings.units), Session(settings.client_id)
    with _naming("publish_root"):
        own = None if settings.publish_root is None else OwnTopics(settings.publish_root, settings.topic_root)
    service = await open_service(settings)
    background, streams = [keep_collecting, *_upkeep(service, settings)], Streams(settings.live_streams)
    if address is None:
        return create_app(service, background, streams)
    subscriber = Subscriber(address, service.recorder, topics=topics, session=session)
    lease = Lease(service.store, f"client id {settings.client_id}", holder_name(settings))

    async def broker_ready() -> bool:
        return subscriber.ready or lease.held is False

    async def listen() -> None:
        await lease.run(subscriber.run)

    service.checks["broker"] = broker_ready
    service.gauges["broker_connected"] = lambda: subscriber.ready
    service.gauges["broker_unacknowledged_messages"] = lambda: subscriber.in_flight
    service.gauges["lease_held"] = lambda: bool(lease.held)
    service = replace(service, listens=lambda: bool(lease.held))
    aside = Aside(service)
    if own is None:
        return create_app(service, [*background, listen], streams, aside)
    announcing = Announcing(service, aside, address, own, f"{settings.client_id}-out")
    service.gauges["publisher_connected"] = lambda: announcing.connected
    publish = _alone(service, settings, f"publishing below {own.root}", announcing.run)
    return create_app(service, [*background, publish, listen], streams, aside, announcing.hear)


def _upkeep(service: Service, settings: Settings) -> list[Background]:
    """Return the works on the database beside the serving; none where it is only read."""
    if settings.reads_only:
        return []
    return [_renewing(service, settings), _presumming(service, settings), *_forgetting(service, settings)]


def _alone(service: Service, settings: Settings, name: str, work: Background) -> Background:
    """Return a work as one of the processes on a database does it at a time."""
    lease = Lease(service.store, name, holder_name(settings))

    async def do() -> None:
        await lease.run(work)

    return do


def _renewing(service: Service, settings: Settings) -> Background:
    """Return the work of deriving older ledgers anew."""
    return _alone(service, settings, "renewing", partial(keep_renewing, service.store, service.now_us, service.limits))


def _presumming(service: Service, settings: Settings) -> Background:
    """Return the work of summing figures beforehand."""
    presumming = Presumming(service.store, service.plants, service.now_us, service.limits)
    return _alone(service, settings, "presumming", partial(keep_presumming, presumming))


def _forgetting(service: Service, settings: Settings) -> list[Background]:
    """Return the work of forgetting what is too old; none where all is kept."""
    if settings.keep_messages_days is None:
        return []
    ledger = settings.keep_ledger_days
    keeping = Keeping(round(settings.keep_messages_days * DAY_US), None if ledger is None else round(ledger * DAY_US))
    work = partial(keep_forgetting, service.store, keeping, service.now_us, service.limits)
    return [_alone(service, settings, "forgetting", work)]


def holder_name(settings: Settings) -> str:
    """Return the name of this process: its machine and where it serves there, so that one that is started again is the same."""
    return f"{socket.gethostname()} ({uuid.getnode():012x}) {settings.host}:{settings.port}"


class _Server(uvicorn.Server):
    """A server that ends the live streams when it is told to end: it waits for all connections, and these last."""

    def __init__(self, app: FastAPI, config: uvicorn.Config) -> None:
        super().__init__(config)
        self._streams: Streams = app.state.streams

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._streams.end()
        await super().shutdown(sockets)


def server_of(app: FastAPI, host: str, port: int, log_level: str) -> uvicorn.Server:
    """Return what serves an application, not started yet."""
    config = uvicorn.Config(
        app, host=host, port=port, log_level=log_level, access_log=False, timeout_graceful_shutdown=STOP_S
    )
    return _Server(app, config)


async def check_port(host: str, port: int) -> None:
    """Raise OSError, with one sentence, where nothing can listen there: the server itself looks after the database is migrated."""
    try:
        # As the server does it, but that nobody is let in.
        probe = await asyncio.get_running_loop().create_server(asyncio.Protocol, host, port, start_serving=False)
        probe.close()
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            wanted = f"end the one that listens there, or name another by --port or {setting('port')}"
            raise OSError(f"port {port} of {host} is taken by another program: {wanted}") from None
        why = error.strerror if isinstance(error, socket.gaierror) else os.strerror(error.errno or 0)
        raise OSError(f"nothing can listen on port {port} of {host}: {why}") from None


async def serve(settings: Settings) -> None:
    """Serve until the process is told to end; raise OSError before anything is touched where the port is taken."""
    await check_port(settings.host, settings.port)
    bound_the_heap()
    spare_the_collector()
    sys.setswitchinterval(SWITCH_S)
    app = await build_app(settings)
    spare_the_collector()  # once more: what serves is there for good, and else walked each minute
    await server_of(app, settings.host, settings.port, "info").serve()


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
    server = server_of(await build_app(settings), settings.host, settings.port, "warning")
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
