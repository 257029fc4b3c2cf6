"""Joins the service with the MQTT adapter and serves its REST API."""

import asyncio
import logging
import socket
import sys
import uuid
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from functools import partial

from fastapi import FastAPI

from zoneledger.api.aside import Aside
from zoneledger.api.door import Door
from zoneledger.api.request_log import RequestLog
from zoneledger.api.streams import Streams
from zoneledger.application.lease import Lease
from zoneledger.application.presumming import Presumming, keep_presumming
from zoneledger.application.renewal import keep_renewing
from zoneledger.application.retention import Keeping, keep_forgetting
from zoneledger.application.wellness import MEND_DATABASE, Ailment
from zoneledger.asgi import Background, create_app, open_service
from zoneledger.bootstrap import Service
from zoneledger.core.calendar import DAY_US
from zoneledger.settings import Settings, setting
from zoneledger_cli.listening import check_port, server_of
from zoneledger_cli.memory import bound_the_heap, keep_collecting, spare_the_collector
from zoneledger_cli.starting import check_start
from zoneledger_mqtt.announcements import OwnTopics
from zoneledger_mqtt.announcing import Announcing
from zoneledger_mqtt.connection import BrokerAddress, parse_broker_url
from zoneledger_mqtt.credential_files import Files
from zoneledger_mqtt.subscriber import Session, Subscriber
from zoneledger_mqtt.topics import Topics

log = logging.getLogger(__name__)

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


def broker_of(settings: Settings) -> BrokerAddress | None:
    """Return the broker that is set, None where there is none; raise ValueError for one that there cannot be."""
    if settings.broker_url is None:
        return None
    with _naming("broker_certificate"):
        secret = settings.broker_password_file
        files = Files(settings.broker_ca, settings.broker_certificate, settings.broker_key, secret)
    with _naming("broker_url"):
        return parse_broker_url(settings.broker_url, files)


async def build_app(settings: Settings) -> FastAPI:
    """Return the application on a migrated database, with the broker's messages coming in if one is set.

    Raises ValueError for a bad broker URL, files that cannot be shown to it, a bad topic root, publish root or unit to listen to,
    before anything is touched.
    """
    address = broker_of(settings)
    if address is not None:
        await asyncio.to_thread(address.credentials.read)
    with _naming("topic_root"):
        Topics(settings.topic_root)
    with _naming("listen_to"):
        topics, session = Topics(settings.topic_root, settings.units), Session(settings.client_id)
    with _naming("publish_root"):
        own = None if settings.publish_root is None else OwnTopics(settings.publish_root, settings.topic_root)
    service = await open_service(settings)
    background, streams = [keep_collecting, *_upkeep(service, settings)], Streams(settings.live_streams)
    door = door_of(service, settings)
    if address is None:
        return create_app(service, background, streams, door=door)
    subscriber = Subscriber(address, service.recorder, topics=topics, session=session)
    lease = Lease(service.store, f"client id {settings.client_id}", holder_name(settings))

    async def broker_ready() -> Ailment | None:
        return None if subscriber.ready or lease.held is False else _broker_ailment(address, subscriber, lease)

    async def listen() -> None:
        await lease.run(subscriber.run)

    service.checks["broker"] = broker_ready
    service.gauges.update(address.credentials.gauges())
    service.gauges["broker_connected"] = lambda: subscriber.ready
    service.gauges["broker_unacknowledged_messages"] = lambda: subscriber.in_flight
    service.gauges["lease_held"] = lambda: bool(lease.held)
    service = replace(service, listens=lambda: bool(lease.held))
    aside = Aside(service)
    if own is None:
        return create_app(service, [*background, listen], streams, aside, door=door)
    announcing = Announcing(service, aside, address, own, f"{settings.client_id}-out")
    service.gauges["publisher_connected"] = lambda: announcing.connected
    publish = _alone(service, settings, f"publishing below {own.root}", announcing.run)
    return create_app(service, [*background, publish, listen], streams, aside, announcing.hear, door)


def door_of(service: Service, settings: Settings) -> Door:
    """Return the door by which requests come to a service."""
    return Door(
        service.callers,
        requests_a_minute=settings.requests_a_minute,
        is_local=settings.is_local,
        is_proxied=bool(settings.proxies),
        checks_name=settings.is_local,
    )


def _broker_ailment(address: BrokerAddress, subscriber: Subscriber, lease: Lease) -> Ailment:
    """Return why nothing comes from the broker."""
    if lease.held is None:
        return Ailment("the database does not say whether this process is the one that listens", MEND_DATABASE)
    return Ailment(
        f"there is no subscription at broker {address}: {subscriber.trouble}",
        "look at the broker, the way to it, and the service's account there; zoneledger doctor tells more",
    )


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


async def serve(settings: Settings) -> None:
    """Serve until the process is told to end.

    Raises, before anything is touched, ValueError where it would be open to others, and OSError where the port is taken.
    """
    check_start(settings)
    await check_port(settings.host, settings.port)
    bound_the_heap()
    spare_the_collector()
    sys.setswitchinterval(SWITCH_S)
    app = await build_app(settings)
    if settings.log_requests:
        app.add_middleware(RequestLog)
    spare_the_collector()  # once more: what serves is there for good, and else walked each minute
    await server_of(app, settings.host, settings.port, "info", settings.proxies).serve()


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
