"""Cells that change their state once a second, and how long it took until a change was seen."""

import asyncio
import re
import time
from collections import deque
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from typing import Any

import httpx
from aiomqtt import ProtocolVersion

from benchmarks.latency import change, first_message
from zoneledger.clock import now_us
from zoneledger.core.validation import parse_instant
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.topics import Topics

CONNECTIONS = 8
SETTLE_S = 2.0
#: A change of a first zone on the live stream: its cell, and since when.
STATE = re.compile(rb'event: state\ndata: .*"unit": ?"([^"]+)/1".*"since": ?"([^"]+)"')


@dataclass
class Load:
    """The messages of each cell, (at_us, when): those that were published, those not seen yet; and how long those seen took."""

    cells: list[str]
    topics: Topics
    waiting: dict[str, deque[tuple[int, float]]] = field(default_factory=dict)
    published: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    took: list[tuple[float, float]] = field(default_factory=list)
    passed_over: int = 0

    def __post_init__(self) -> None:
        self.waiting = {cell: deque() for cell in self.cells}
        self.published = {cell: [] for cell in self.cells}

    async def publish(self, broker: str, seconds: float) -> None:
        """Let each cell send a snapshot, then a change a second, spread evenly over the second."""
        async with AsyncExitStack() as stack:
            clients = []
            for _ in range(CONNECTIONS):
                client = parse_broker_url(broker).client(None, ProtocolVersion.V5)
                client.pending_calls_threshold = len(self.cells)  # else it warns of each publish while a flood lasts
                clients.append(await stack.enter_async_context(client))

            async def send(number: int, payload: bytes) -> None:
                topic = self.topics.events(self.cells[number])
                await clients[number % CONNECTIONS].publish(topic, payload, qos=1)

            for number in range(len(self.cells)):
                await send(number, first_message(now_us()))
            await asyncio.sleep(SETTLE_S)
            await self._send_changes(send, seconds)

    async def _send_changes(self, send: Any, seconds: float) -> None:
        loop, begun, sending = asyncio.get_running_loop(), time.perf_counter(), set[asyncio.Task[None]]()
        for index in range(round(seconds * len(self.cells))):
            due_s = begun + index / len(self.cells) - time.perf_counter()
            if due_s > 0:
                await asyncio.sleep(due_s)
            seq, number = divmod(index, len(self.cells))
            at_us, cell = now_us(), self.cells[number]
            now_s = time.perf_counter()
            self.waiting[cell].append((at_us, now_s))
            self.published[cell].append((at_us, now_s))
            task = loop.create_task(send(number, change(seq + 1, at_us)))
            sending.add(task)
            task.add_done_callback(sending.discard)
        await asyncio.sleep(SETTLE_S)
        await asyncio.gather(*sending)

    def seen(self, cell: str, at_us: int, when_s: float) -> None:
        """Note that a cell's message was seen; those before it were passed over."""
        waiting = self.waiting[cell]
        while waiting and waiting[0][0] <= at_us:
            was_us, published_s = waiting.popleft()
            if was_us == at_us:
                self.took.append((published_s, when_s - published_s))
            else:
                self.passed_over += 1


async def read_stream(url: str, load: Load) -> None:
    """Note when changes of first zones are on the live stream."""
    async with httpx.AsyncClient(timeout=None) as client, client.stream("GET", f"{url}/v1/live") as answer:
        rest = b""
        async for data in answer.aiter_bytes():
            when_s = time.perf_counter()
            *texts, rest = (rest + data).split(b"\n\n")
            for unit, since in (found.groups() for text in texts if (found := STATE.search(text))):
                load.seen(unit.decode(), parse_instant("since", since.decode()), when_s)
