"""Sends messages as cell controllers do: QoS 1, and a retained link topic with a last will."""

import asyncio
import contextlib
import json
import math
from contextlib import AsyncExitStack
from types import TracebackType
from typing import Self

from aiomqtt import Client, MqttError, ProtocolVersion, Will

from zoneledger_mqtt.connection import REQUEST_S, BrokerAddress, connect
from zoneledger_mqtt.credential_files import Shown
from zoneledger_mqtt.inner_client import cut
from zoneledger_mqtt.topics import Topics

#: Messages that one cell may have on their way to the broker at once.
IN_FLIGHT = 100


class SendFailed(ConnectionError):
    """The broker did not acknowledge: the message may have arrived or not, and may be sent again."""


def link_up(boot: int) -> bytes:
    """Return what a controller publishes on its link topic once it is connected."""
    return json.dumps({"v": 1, "link": "up", "boot": boot}, separators=(",", ":")).encode()


def link_down() -> bytes:
    """Return a controller's last will, which it also publishes before it leaves."""
    return json.dumps({"v": 1, "link": "down"}, separators=(",", ":")).encode()


class _Connection:
    """One connection of one cell, from its opening to its loss."""

    def __init__(self, address: BrokerAddress, will: Will) -> None:
        self._address = address
        self._will = will
        self._stack = AsyncExitStack()
        self._free = asyncio.Semaphore(IN_FLIGHT)
        self._limits: set[asyncio.Timeout] = set()
        self._watch: asyncio.Task[None] | None = None
        self._client: Client | None = None

    @property
    def lost(self) -> bool:
        return self._client is None

    async def open(self) -> None:
        try:
            self._client = (await connect(self._stack, self._address, self._make_client)).client
        except MqttError as error:
            raise SendFailed(f"no connection to the broker: {error}") from error
        self._watch = asyncio.create_task(self._until_lost(self._client))

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        async with self._free:
            if self._client is None:
                raise SendFailed("the connection to the broker was lost")
            try:
                async with asyncio.timeout(REQUEST_S) as limit:
                    self._limits.add(limit)
                    try:
                        await self._client.publish(topic, payload, qos=1, retain=retain, timeout=math.inf)
                    finally:
                        self._limits.discard(limit)
            except (MqttError, TimeoutError) as error:
                self._client = None
                raise SendFailed(f"the broker did not acknowledge a message on {topic}: {error}") from error

    async def close(self) -> None:
        if self._watch is not None:
            self._watch.cancel()
        self._client = None
        with contextlib.suppress(MqttError):
            await self._stack.aclose()

    def cut(self) -> None:
        if self._client is not None:
            cut(self._client)

    async def _until_lost(self, client: Client) -> None:
        """Fail what still waits as soon as the connection is lost, rather than when its time is up."""
        with contextlib.suppress(MqttError):
            async for _ in client.messages:
                pass
        self._client = None
        for limit in self._limits:
            limit.reschedule(asyncio.get_running_loop().time())

    def _make_client(self, protocol: ProtocolVersion, shown: Shown) -> Client:
        client = self._address.client(None, protocol, shown, will=self._will, max_inflight_messages=IN_FLIGHT)
        client.pending_calls_threshold = IN_FLIGHT
        return client


class _Cell:
    """One cell as a client of the broker: opens a connection when it needs one, and tells its boot again on each."""

    def __init__(self, address: BrokerAddress, topics: Topics, cell: str) -> None:
        self._address = address
        self._link_topic = topics.link(cell)
        self._events_topic = topics.events(cell)
        self._boot: int | None = None
        self._connection: _Connection | None = None
        self._opening = asyncio.Lock()

    async def send(self, payload: bytes) -> None:
        connection = await self._connected()
        await connection.publish(self._events_topic, payload)

    async def link_up(self, boot: int) -> None:
        self._boot = boot
        told_by_opening = self._connection is None or self._connection.lost
        connection = await self._connected()
        if not told_by_opening:
            await connection.publish(self._link_topic, link_up(boot), retain=True)

    async def leave(self) -> None:
        connection, self._connection = self._connection, None
        if connection is None:
            return
        with contextlib.suppress(SendFailed):
            if self._boot is not None:
                await connection.publish(self._link_topic, link_down(), retain=True)
        await connection.close()

    async def cut(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.cut()
            await connection.close()

    async def _connected(self) -> _Connection:
        if self._connection is not None and not self._connection.lost:
            return self._connection
        async with self._opening:
            if self._connection is None or self._connection.lost:
                await self._open()
            assert self._connection is not None
            return self._connection

    async def _open(self) -> None:
        if self._connection is not None:
            await self._connection.close()
            self._connection = None
        connection = _Connection(self._address, Will(self._link_topic, link_down(), qos=1, retain=True))
        await connection.open()
        if self._boot is not None:
            await connection.publish(self._link_topic, link_up(self._boot), retain=True)
        self._connection = connection


class MqttSender:
    """Sends for any number of cells, each over a connection of its own: a last will can stand for one cell's link only.

    Connections are opened when first needed and again after a loss. Leaving the context takes all links down.
    """

    def __init__(self, address: BrokerAddress, topics: Topics | None = None) -> None:
        self._address = address
        self._topics = topics or Topics()
        self._cells: dict[str, _Cell] = {}

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await asyncio.gather(*(cell.leave() for cell in self._cells.values()))

    async def send(self, cell: str, payload: bytes) -> None:
        """Publish a cell's payload; return once the broker has acknowledged it, raise SendFailed where it does not.

        Calls may overlap: those of one cell reach the broker in the order of the calls.
        """
        await self._cell(cell).send(payload)

    async def link_up(self, cell: str, boot: int) -> None:
        """Tell that a cell's controller is connected, as boot `boot`; told again by itself after a loss."""
        await self._cell(cell).link_up(boot)

    async def link_down(self, cell: str) -> None:
        """Leave as a controller does that is switched off: its link is down and its connection closed."""
        await self._cell(cell).leave()

    async def cut(self, cell: str) -> None:
        """Lose a cell's connection without a word, so that the broker publishes its last will."""
        await self._cell(cell).cut()

    def _cell(self, cell: str) -> _Cell:
        if cell not in self._cells:
            self._cells[cell] = _Cell(self._address.of_cell(cell), self._topics, cell)
        return self._cells[cell]
