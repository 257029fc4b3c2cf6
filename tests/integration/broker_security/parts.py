"""What the tests of a secure broker share: certificates of a plant, addresses with files, and a client that hears and tells."""

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from aiomqtt import Client, MqttError, ProtocolVersion

from tests.integration.mqtt.parts import CELL, OTHER_CELL, RecordingIntake, until
from zoneledger.clock import now_us
from zoneledger_cli.authority import Pair, Use, Wanted, instant, sign
from zoneledger_cli.certificates import BROKER, OWN_MACHINE, SERVICE, Folder, make
from zoneledger_mqtt.connection import BrokerAddress, connect, parse_broker_url
from zoneledger_mqtt.credential_files import Files
from zoneledger_mqtt.inner_client import on_refusal
from zoneledger_mqtt.subscriber import Session, Subscriber
from zoneledger_mqtt.topics import Topics
from zoneledger_mqtt.window import Backoff

ROOT = "cells/v1"
OUT = "zoneledger/v1"
DASHBOARD = "dashboard"
#: The MQTT 5 reason code for what the access rules refuse.
NOT_AUTHORIZED = "Not authorized"
HOSTS = ("broker.example", *OWN_MACHINE)


def now() -> datetime:
    """Return the present, as certificates have it."""
    return instant(now_us())


def make_plant(path: Path) -> Folder:
    """Write the certificates of a plant with two cells and a dashboard."""
    folder = Folder(path)
    cells = {f"cells/{cell}": Wanted(cell, Use.CLIENT) for cell in (CELL, OTHER_CELL)}
    dashboard = {DASHBOARD: Wanted(DASHBOARD, Use.CLIENT)}
    make(folder, {BROKER: Wanted(BROKER, Use.BROKER, HOSTS)} | cells | dashboard, now(), 30, renew=False)
    return folder


def signed(folder: Folder, wanted: Wanted, *, at: datetime | None = None, days: int = 30) -> Pair:
    """Return what a folder's authority signs, now or at another time."""
    authority = folder.authority()
    assert authority is not None
    return sign(authority, wanted, at or now(), days)


def long_ago() -> datetime:
    """Return a time of which a certificate of a day has expired."""
    return datetime.fromtimestamp(now_us() / 1e6, UTC).replace(microsecond=0) - timedelta(days=2)


def files_of(folder: Folder, name: str, ca: Path | None = None) -> Files:
    """Return what somebody in a folder shows, and believes."""
    return Files(ca or folder.file("ca", "pem"), folder.file(name, "pem"), folder.file(name, "key"))


def files_of_cells(folder: Folder) -> Files:
    """Return what controllers show, each its own, and believe."""
    return files_of(folder, "cells/{cell}")


def settings_of_broker(url: str, folder: Folder) -> dict[str, str]:
    """Return what the service is told of the broker, as a deployment tells it."""
    return {
        "ZONELEDGER_BROKER_URL": url,
        "ZONELEDGER_BROKER_CA": str(folder.file("ca", "pem")),
        "ZONELEDGER_BROKER_CERTIFICATE": str(folder.file(SERVICE, "pem")),
        "ZONELEDGER_BROKER_KEY": str(folder.file(SERVICE, "key")),
    }


def address_of(url: str, folder: Folder, name: str) -> BrokerAddress:
    """Return a broker's address for somebody in a folder."""
    return parse_broker_url(url, files_of(folder, name))


def listener_at(address: BrokerAddress, intake: RecordingIntake, client_id: str) -> Subscriber:
    """Return what listens to the cells, with a session that no other test has, quick to connect again."""
    session = Session(client_id, expiry_s=600)
    return Subscriber(
        address, intake, topics=Topics(ROOT), session=session, backoff=Backoff(first_s=0.02, longest_s=0.2)
    )


@dataclass
class Somebody:
    """A client of the broker: what it heard, and what the broker refused of what it published."""

    client: Client
    heard: list[tuple[str, bytes]] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> list[str]:
        """Publish, and return what the broker said against it."""
        before = len(self.refused)
        await self.client.publish(topic, payload, qos=qos, retain=retain)
        return self.refused[before:]

    def payloads(self) -> list[bytes]:
        """Return what was heard, without the topics."""
        return [payload for _, payload in self.heard]


@asynccontextmanager
async def somebody(address: BrokerAddress, *subscriptions: str, **options: Any) -> AsyncIterator[Somebody]:
    """Connect a client that listens to these topics, as far as the broker lets it."""
    protocol = options.pop("protocol", ProtocolVersion.V5)
    client = address.client(options.pop("identifier", None), protocol, **options)
    one = Somebody(client)
    if protocol is ProtocolVersion.V5:
        on_refusal(client, one.refused.append)

    async def listen() -> None:
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            one.heard.append((str(message.topic), message.payload))

    async with AsyncExitStack() as stack:
        await stack.enter_async_context(client)
        for topic in subscriptions:
            await client.subscribe(topic, qos=1)
        listening = asyncio.create_task(listen())
        try:
            yield one
        finally:
            listening.cancel()
            await asyncio.gather(listening, return_exceptions=True)


async def heard_up_to(one: Somebody, marker: bytes) -> list[bytes]:
    """Wait for a marker, and return what was heard before it."""
    await until(lambda: marker in one.payloads(), f"{marker!r} heard")
    return one.payloads()[: one.payloads().index(marker)]


async def is_let_in(address: BrokerAddress) -> bool:
    """Tell whether a broker lets a client in."""
    try:
        async with AsyncExitStack() as stack:
            await connect(stack, address, lambda protocol, shown: address.client(None, protocol, shown))
            return True
    except MqttError:
        return False


def server_context(
    folder: Folder, name: str = BROKER, *, highest: ssl.TLSVersion = ssl.TLSVersion.TLSv1_3
) -> ssl.SSLContext:
    """Return the side of a server that shows a folder's certificate."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(folder.file(name, "pem"), folder.file(name, "key"))
    context.maximum_version = highest
    return context
