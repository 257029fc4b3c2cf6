"""Takes in what the cells publish, and tells the broker that a message is safe only once the intake has kept it."""

import asyncio
import contextlib
import logging
import math
from contextlib import AsyncExitStack
from dataclasses import dataclass
from typing import Any

from aiomqtt import Client, MqttError, ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from zoneledger.application.intake import Delivery, Intake
from zoneledger.core.decoding import MAX_PAYLOAD_BYTES
from zoneledger_mqtt.connection import BrokerAddress, Connected, connect, keep_connecting, stop_if_cancelled
from zoneledger_mqtt.credential_files import Shown
from zoneledger_mqtt.inner_client import Acknowledging
from zoneledger_mqtt.plain_publish import Received
from zoneledger_mqtt.topics import Topics
from zoneledger_mqtt.window import Backoff, Window

log = logging.getLogger(__name__)

#: The first SUBACK reason code that is a refusal: MQTT 5, section 3.9.3.
FIRST_FAILURE = 0x80

#: How much is held here before it is acknowledged, in bytes of payload.
HELD_BYTES = 8 * 1024 * 1024
#: A connection that lasted this long was a good one: the next pause is the first again.
STABLE_S = 10.0
#: How long the broker keeps the session, with what waits for it.
EXPIRY_S = 7 * 86_400
#: How long a stop waits for the intake to answer; what it does not answer comes again.
STOP_S = 5.0


@dataclass(frozen=True, slots=True)
class Session:
    """How the service stands with the broker: one client id per service, kept by the broker while we are away.

    `receive_maximum` bounds the messages held here (MQTT 5; below that the broker's own limit of messages in flight
    does). `expiry_s` is how long the broker keeps the session and its queue.
    """

    client_id: str = "zoneledger"
    receive_maximum: int = 2000
    expiry_s: int = EXPIRY_S


@dataclass(slots=True)
class Counts:
    """What went through since the start: messages received and acknowledged, and connections made again."""

    received: int = 0
    acknowledged: int = 0
    reconnects: int = 0


class Subscriber:
    """Listens to the cells below a topic root and records what it hears; `run` goes on until it is cancelled."""

    def __init__(
        self,
        address: BrokerAddress,
        intake: Intake,
        *,
        topics: Topics | None = None,
        session: Session | None = None,
        backoff: Backoff | None = None,
    ) -> None:
        self._address = address
        self._intake = intake
        self._topics = topics or Topics()
        self._session = session or Session()
        self._backoff = backoff or Backoff()
        self._store_backoff = Backoff(self._backoff.first_s, self._backoff.longest_s)
        self._connections = 0
        self._window: Window | None = None
        self._ready = False
        self._trouble = "there was no connection yet"
        self.counts = Counts()

    @property
    def ready(self) -> bool:
        """Whether the service is connected, and its subscriptions are granted or messages come by those of its session.

        Behind a long backlog the broker's answer may come minutes after the first message.
        """
        return self._ready

    @property
    def trouble(self) -> str:
        """Why the last connection ended, or did not come about."""
        return self._trouble

    @property
    def in_flight(self) -> int:
        """The number of messages received and not acknowledged."""
        return len(self._window) if self._window is not None else 0

    async def run(self) -> None:
        """Connect, listen, and connect again whenever the connection is lost; end only by cancellation."""
        await keep_connecting(self._listen_once, self._backoff, f"broker {self._address}", self._note_end)

    def _note_end(self, why: str) -> None:
        self._trouble = why

    async def _listen_once(self) -> None:
        """Serve one connection from its begin to its end; raises MqttError when it is lost or refused.

        Returns where it is to be renewed: then what was handed in is answered and acknowledged, and the broker keeps the rest.
        """
        incoming: list[Acknowledging] = []

        def acknowledge(number: int) -> None:
            self.counts.acknowledged += incoming[-1].acknowledge(number)
            if not self._holds_too_much(window):
                incoming[-1].resume()

        def take(received: Received) -> None:
            self.counts.received += 1
            self._ready = True
            cell, kind = self._topics.source(received.topic)
            size, payload = len(received.payload), received.payload[:MAX_PAYLOAD_BYTES]
            window.take(received.number, Delivery(cell, payload, received.topic, kind, size))
            if self._holds_too_much(window):
                incoming[-1].pause()

        def make_client(protocol: ProtocolVersion, shown: Shown) -> Client:
            client = self._make_client(protocol, shown)
            incoming.append(Acknowledging(client, take))
            return client

        window = self._window = Window(self._intake, acknowledge, self._store_backoff)
        try:
            async with AsyncExitStack() as stack:
                connected = await connect(stack, self._address, make_client)
                self._connections += 1
                self.counts.reconnects = self._connections - 1
                try:
                    await self._listen(connected)
                    await window.close(STOP_S)
                    await self._until_taken(connected.client)
                except asyncio.CancelledError:
                    await window.close(STOP_S)
                    raise
        finally:
            for one in incoming:
                one.close()
            self._ready = False
            await window.close()

    def _holds_too_much(self, window: Window) -> bool:
        """Whether the broker has to wait: some send more than the receive maximum, and a payload may be large."""
        return len(window) > self._session.receive_maximum or window.held_bytes > HELD_BYTES

    async def _listen(self, connected: Connected) -> None:
        """Subscribe, and wait until the connection is lost, which raises MqttError, or is to be renewed.

        The broker's answer may come behind a long backlog: only the end of the connection limits the wait for it.
        """
        stop_if_cancelled()
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        lost = asyncio.ensure_future(_until_lost(connected.client))
        granted = asyncio.ensure_future(self._subscribe(connected))
        renewed = asyncio.ensure_future(self._address.credentials.changed(connected.shown))
        try:
            await asyncio.wait({lost, granted, renewed}, return_when=asyncio.FIRST_COMPLETED)
            if granted.done():
                granted.result()
                self._ready = True
            await asyncio.wait({lost, renewed}, return_when=asyncio.FIRST_COMPLETED)
            (lost if lost.done() else renewed).result()
        finally:
            self._ready = False
            works = (lost, granted, renewed)
            for work in works:
                work.cancel()
            await asyncio.gather(*works, return_exceptions=True)
            if loop.time() - began_s >= STABLE_S:
                self._backoff.reset()

    async def _until_taken(self, client: Client) -> None:
        """Wait until the broker has taken all acknowledgements, as it answers in order: to close resets a socket with bytes unread.

        What it is asked is to end a subscription that there is not, which changes nothing.
        """
        with contextlib.suppress(MqttError):
            await client.unsubscribe(f"{self._topics.root}/nothing", timeout=STOP_S)

    async def _subscribe(self, connected: Connected) -> None:
        filters = self._topics.filters
        wanted: Any = [(name, 1) for name in filters]
        if connected.protocol is ProtocolVersion.V5:
            wanted = [(name, SubscribeOptions(qos=1)) for name in filters]
        codes = await connected.client.subscribe(wanted, timeout=math.inf)
        if any((code.value if isinstance(code, ReasonCode) else code) >= FIRST_FAILURE for code in codes):
            raise MqttError(f"the broker does not grant {', '.join(filters)}: {', '.join(map(str, codes))}")
        log.info("listening to %s of broker %s", ", ".join(filters), self._address)

    def _make_client(self, protocol: ProtocolVersion, shown: Shown) -> Client:
        session = self._session
        if protocol is not ProtocolVersion.V5:
            return self._address.client(session.client_id, protocol, shown, clean_session=False)
        properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = session.expiry_s
        properties.ReceiveMaximum = session.receive_maximum
        return self._address.client(session.client_id, protocol, shown, clean_start=False, properties=properties)


async def _until_lost(client: Client) -> None:
    """Wait until the connection is lost and raise MqttError; no message comes this way, see `Acknowledging`."""
    async for _ in client.messages:
        pass
