"""Keeps what stands on the board on the broker, as retained messages, over a connection of its own."""

import asyncio
import contextlib
import logging
import math
from contextlib import AsyncExitStack
from typing import Any

from aiomqtt import Client, Message, MqttError, ProtocolVersion, Will
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from zoneledger_mqtt.announcements import DOWN, MAX_BYTES, UP, OwnTopics
from zoneledger_mqtt.board import Board
from zoneledger_mqtt.connection import REQUEST_S, BrokerAddress, Connected, connect, keep_connecting, stop_if_cancelled
from zoneledger_mqtt.credential_files import Shown
from zoneledger_mqtt.inner_client import cut, on_refusal
from zoneledger_mqtt.window import Backoff

log = logging.getLogger(__name__)

#: Messages that may be on their way to the broker at once.
IN_FLIGHT = 50
#: Retained messages of earlier that may wait to be looked at: those beyond are found at the next connection.
FOUND_AT_ONCE = 10_000
#: A connection that lasted this long was a good one: the next pause is the first again.
STABLE_S = 10.0
#: How long an end waits for the broker to take its last word; if it does not, the last will says the same.
STOP_S = 1.0


class Announcer:
    """Publishes what a board has; `run` goes on until it is cancelled, whether there is a broker or not.

    All of it is published on each connection, before the service is told to be `up`: so nobody takes for the present what
    stood there before. Topics of ours that the board does not have are cleared, and what others put on those that it has is
    told again. A broker that refuses any of it is left, and tried again later.
    """

    def __init__(
        self, address: BrokerAddress, topics: OwnTopics, client_id: str, board: Board, backoff: Backoff | None = None
    ) -> None:
        self._address = address
        self._topics = topics
        self._client_id = client_id
        self._board = board
        self._backoff = backoff or Backoff()
        self._refusal: str | None = None
        self.connected = False

    async def run(self) -> None:
        """Connect, publish, and connect again whenever the connection is lost; end only by cancellation."""
        await keep_connecting(self._publish_once, self._backoff, f"publishing to broker {self._address}")

    async def _publish_once(self) -> None:
        """Serve one connection from its begin to its end; raises MqttError when it is lost or refused, returns to renew it."""
        began_s = asyncio.get_running_loop().time()
        async with AsyncExitStack() as stack:
            connected = await connect(stack, self._address, self._make_client)
            stop_if_cancelled()
            client = connected.client
            renewed = self._address.credentials.changed(connected.shown)
            works = [
                asyncio.ensure_future(work) for work in (self._look(connected), self._keep_telling(client), renewed)
            ]
            try:
                ended, _ = await asyncio.wait(works, return_when=asyncio.FIRST_COMPLETED)
                for work in ended:
                    work.result()
                await self._leave(client)
            except asyncio.CancelledError:
                await self._leave(client)
                raise
            except MqttError:
                cut(client)  # a clean end would delete the last will, and `up` would stand
                raise
            finally:
                self.connected = False
                for work in works:
                    work.cancel()
                await asyncio.gather(*works, return_exceptions=True)
                if asyncio.get_running_loop().time() - began_s >= STABLE_S:
                    self._backoff.reset()

    async def _leave(self, client: Client) -> None:
        """Say the last word; where the broker does not take it, cut the connection: a clean end would delete the last will."""
        try:
            await client.publish(self._topics.link, DOWN, qos=1, retain=True, timeout=STOP_S)
        except MqttError:
            cut(client)

    async def _look(self, connected: Connected) -> None:
        """Find what the broker holds of ours from earlier, and what others put there; ends with the connection, by MqttError."""
        options: Any = {"qos": 1}
        if connected.protocol is ProtocolVersion.V5:
            options = {"options": SubscribeOptions(qos=1, noLocal=True)}
        await connected.client.subscribe(self._topics.all, timeout=math.inf, **options)
        async for message in connected.client.messages:
            self._find(message)

    def _find(self, message: Message) -> None:
        topic, payload = str(message.topic), message.payload
        if not isinstance(payload, bytes):
            return
        if not message.retain:
            self._board.overwritten(topic, payload)
        elif self._topics.is_ours(topic, payload):
            self._board.found(topic, payload)

    async def _keep_telling(self, client: Client) -> None:
        """Publish what is due, whenever something is; raises MqttError where the broker does not take it in time."""
        loop = asyncio.get_running_loop()
        self._board.begin(self._topics.link)
        await self._tell_due(client)
        self._board.put(self._topics.link, UP)
        await self._tell_due(client)
        log.info("publishing below %s to broker %s", self._topics.root, self._address)
        self.connected = True
        while True:
            self._board.news.clear()
            next_s = await self._tell_due(client)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(None if next_s is None else max(next_s - loop.time(), 0.0)):
                    await self._board.news.wait()

    async def _tell_due(self, client: Client) -> float | None:
        due = self._board.due(asyncio.get_running_loop().time())
        messages = list(due.messages.items())
        for first in range(0, len(messages), IN_FLIGHT):
            some = messages[first : first + IN_FLIGHT]
            await asyncio.gather(*(self._tell(client, topic, payload) for topic, payload in some))
            for topic, payload in some:
                self._board.told(topic, payload, asyncio.get_running_loop().time())
        return due.next_s

    async def _tell(self, client: Client, topic: str, payload: bytes) -> None:
        await client.publish(topic, payload, qos=1, retain=True, timeout=REQUEST_S)
        if self._refusal is not None:
            raise MqttError(f"it does not take what is published below {self._topics.root}: {self._refusal}")

    def _make_client(self, protocol: ProtocolVersion, shown: Shown) -> Client:
        will = Will(self._topics.link, DOWN, qos=1, retain=True)
        options: dict[str, Any] = {"clean_session": True}
        if protocol is ProtocolVersion.V5:
            properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.MaximumPacketSize = 2 * MAX_BYTES
            options = {"clean_start": True, "properties": properties}
        options |= {"max_inflight_messages": IN_FLIGHT, "max_queued_incoming_messages": FOUND_AT_ONCE}
        client = self._address.client(self._client_id, protocol, shown, will=will, **options)
        client.pending_calls_threshold = IN_FLIGHT
        self._refusal = None
        on_refusal(client, self._note_refusal)
        return client

    def _note_refusal(self, reason: str) -> None:
        self._refusal = reason
