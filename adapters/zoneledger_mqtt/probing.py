"""Tries a broker as the service uses it: what is published while a session of its own is away has to be there when it comes back."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from typing import Any
from uuid import uuid4

from aiomqtt import Client, Message, MqttError, ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from zoneledger.core.decoding import MAX_PAYLOAD_BYTES
from zoneledger_mqtt.connection import BrokerAddress, connect
from zoneledger_mqtt.credential_files import Shown
from zoneledger_mqtt.inner_client import never_acknowledge, on_refusal, on_welcome
from zoneledger_mqtt.subscriber import EXPIRY_S

#: More than the 1,000 that some brokers keep unless told otherwise, and how many are on their way at once.
MESSAGES, IN_FLIGHT = 1200, 50
#: How long one message may take, how long it is waited for another one, and how long for all of them.
WAIT_S, QUIET_S, LONGEST_S = 5.0, 3.0, 60.0
VERSION = "$SYS/broker/version"


class NotOurSession(MqttError):
    """The broker has given a session of somebody else to a client id that nobody has used before."""


@dataclass(slots=True)
class Probed:
    """What came of it; `refusal` is why the broker does not take what is published, None where it does or does not say.

    `acknowledged` are those of MESSAGES that it took while the session was away, and `kept` those that it brought afterwards.
    """

    protocol: str = ""
    version: str | None = None
    promises: dict[str, Any] = field(default_factory=dict)
    refusal: str | None = None
    heard: bool = False
    retained: bool = False
    acknowledged: int = 0
    kept: int = 0
    large: bool = False


async def probe(address: BrokerAddress, client_id: str, root: str) -> Probed:
    """Publish below `root` and count what comes back; raise MqttError where there is no connection, or it is lost.

    The topics and the sessions are its own, and gone when it ends.
    """
    return await _Probe(address, f"{client_id}-doctor-{uuid4().hex[:8]}", root).run()


class _Probe:
    """One try of a broker."""

    def __init__(self, address: BrokerAddress, name: str, root: str) -> None:
        self._address = address
        self._name = name
        self._base = f"{root}/{name}"
        self._had_session = False
        self._has_retained = False
        self.found = Probed()

    async def run(self) -> Probed:
        await self._look()
        try:
            await self._subscribe()
            if self.found.heard:
                await self._fill()
                await self._count()
                await self._send_large()
        finally:
            await self._clean()
        return self.found

    async def _look(self) -> None:
        """Connect once without taking anything: where the session is the service's, all that waits in it has to stay there."""
        async with self._connected(only_look=True):
            pass
        if self._had_session:
            raise NotOurSession("the broker chooses the client id itself, and gave us the session of the service")

    async def _subscribe(self) -> None:
        async with self._connected() as client:
            await client.subscribe(f"{self._base}/#", 1)
            await client.subscribe(VERSION, 0)
            self._listen_for_refusals(client)
            await client.publish(f"{self._base}/heard", b"heard", qos=1)
            self.found.heard = await self._comes(client, "heard") is not None
            self._has_retained = self.found.heard and self.found.promises.get("RetainAvailable", 1) == 1
            if self._has_retained:  # else it may end the connection
                await client.publish(f"{self._base}/retained", b"retained", qos=1, retain=True)

    async def _fill(self) -> None:
        """Publish, while the session is away."""
        async with self._connected(name=f"{self._name}-out", keep=False) as client:
            refused = self._listen_for_refusals(client)
            for first in range(0, MESSAGES, IN_FLIGHT):
                numbers = range(first, min(first + IN_FLIGHT, MESSAGES))
                await asyncio.gather(*(client.publish(f"{self._base}/kept", b"%d" % n, qos=1) for n in numbers))
            self.found.acknowledged = MESSAGES - len(refused)

    async def _count(self) -> None:
        """Count what the session has when it is back, and look whether a retained message is told anew."""
        came: set[bytes] = set()
        async with self._connected() as client:
            loop = asyncio.get_running_loop()
            ends_s = loop.time() + LONGEST_S
            while len(came) < MESSAGES and loop.time() < ends_s:
                message = await self._comes(client, "kept", QUIET_S)
                if message is None:
                    break
                came.add(bytes(message.payload) if isinstance(message.payload, bytes) else b"")
            if self._has_retained:
                await client.subscribe(f"{self._base}/retained", 1)
                again = await self._comes(client, "retained")
                self.found.retained = again is not None and again.retain
        self.found.kept = len(came)

    async def _send_large(self) -> None:
        """Send as much as the contract allows in one payload; a broker that does not take it may end the connection."""
        try:
            async with self._connected() as client:
                await client.publish(f"{self._base}/large", bytes(MAX_PAYLOAD_BYTES), qos=1, timeout=WAIT_S)
                message = await self._comes(client, "large")
        except MqttError:
            return
        self.found.large = message is not None and len(bytes(message.payload)) == MAX_PAYLOAD_BYTES

    async def _clean(self) -> None:
        """Leave neither a retained message nor a session behind."""
        async with self._connected(keep=False) as client:
            if self._has_retained:
                await client.publish(f"{self._base}/retained", b"", qos=1, retain=True)

    async def _comes(self, client: Client, ending: str, longest_s: float = WAIT_S) -> Message | None:
        """Wait for a message on a topic of ours; what the broker says of itself is noted on the way."""
        try:
            async with asyncio.timeout(longest_s):
                async for message in client.messages:
                    topic = str(message.topic)
                    if topic == VERSION and isinstance(message.payload, bytes):
                        self.found.version = message.payload.decode(errors="replace")
                    elif topic == f"{self._base}/{ending}" and message.payload:
                        return message
        except TimeoutError:
            pass
        return None

    def _listen_for_refusals(self, client: Client) -> list[str]:
        refused: list[str] = []

        def note(reason: str) -> None:
            refused.append(reason)
            self.found.refusal = reason

        on_refusal(client, note)
        return refused

    @asynccontextmanager
    async def _connected(
        self, *, name: str | None = None, keep: bool = True, only_look: bool = False
    ) -> AsyncIterator[Client]:
        """Connect by the session's name or another one; a session that is not to be kept is removed by that."""

        def make_client(protocol: ProtocolVersion, shown: Shown) -> Client:
            client = self._address.client(name or self._name, protocol, shown, **_options(protocol, keep=keep))
            client.pending_calls_threshold = IN_FLIGHT
            on_welcome(client, self._note_welcome)
            if only_look:
                never_acknowledge(client)
            return client

        async with AsyncExitStack() as stack:
            connected = await connect(stack, self._address, make_client)
            self.found.protocol = "5" if connected.protocol is ProtocolVersion.V5 else "3.1.1"
            yield connected.client

    def _note_welcome(self, had_session: bool, promises: Any) -> None:
        self._had_session = had_session
        if promises is not None:
            self.found.promises = promises.json()


def _options(protocol: ProtocolVersion, *, keep: bool) -> dict[str, Any]:
    if protocol is not ProtocolVersion.V5:
        return {"clean_session": not keep}
    properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    # As long as the service's own: it is kept if its removal fails, and should it be that one after all.
    properties.SessionExpiryInterval = EXPIRY_S if keep else 0
    return {"clean_start": not keep, "properties": properties}
