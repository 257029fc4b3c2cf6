"""A simulated stretch of time whose messages a row sends as it likes: in any order and grouping, later, altered or never."""

import asyncio
import json
import math
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from itertools import islice
from typing import Any, TypeVar

from aiomqtt import Client, ProtocolVersion

from tests.faults.bench import Bench
from tests.faults.sending import HOUR_US
from zoneledger.clock import now_us
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.topics import Topics
from zoneledger_sim.controller import Outgoing
from zoneledger_sim.durations import Fixed
from zoneledger_sim.ledger_file import LedgerFile
from zoneledger_sim.plan import CellPlan, Scenario
from zoneledger_sim.simulation import Simulation
from zoneledger_sim.truth import Record, Truth

TOPICS = Topics()
#: How many payloads may be on their way to the broker at once.
IN_FLIGHT = 100

Item = TypeVar("Item")
Payload = tuple[str, bytes]
"""A topic and what is published there."""


@asynccontextmanager
async def connection(bench: Bench) -> AsyncIterator[Client]:
    """Connect to the row's broker as something without a last will does."""
    address = parse_broker_url(bench.broker.url)
    client = address.client(None, ProtocolVersion.V5, max_inflight_messages=IN_FLIGHT)
    client.pending_calls_threshold = 10 * IN_FLIGHT
    async with client:
        yield client


async def publish_all(client: Client, payloads: Iterable[Payload], *, retain: bool = False) -> None:
    """Publish payloads in their order, QoS 1; return when the broker has acknowledged all of them."""
    free = asyncio.Semaphore(IN_FLIGHT)

    async def one(topic: str, payload: bytes) -> None:
        try:
            await client.publish(topic, payload, qos=1, retain=retain, timeout=math.inf)
        finally:
            free.release()

    async with asyncio.TaskGroup() as tasks:
        for topic, payload in payloads:
            await free.acquire()
            tasks.create_task(one(topic, payload))


def publish(bench: Bench, payloads: Iterable[Payload], *, retain: bool = False) -> None:
    """Publish payloads over a connection of their own; see `publish_all`."""

    async def work() -> None:
        async with connection(bench) as client:
            await publish_all(client, payloads, retain=retain)

    asyncio.run(work())


def encoded(message: Mapping[str, Any]) -> bytes:
    """Return a message as a controller writes it."""
    return json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode()


def array_of(texts: Sequence[bytes]) -> bytes:
    """Return messages as one payload."""
    return texts[0] if len(texts) == 1 else b"[" + b",".join(texts) + b"]"


class Stream:
    """The messages of `scenario`'s cells over [start_us, until_us), each in the order of its sending, in `messages`.

    What a row sends of them, or says that it never will, is in the bench's ledger file, as `verify` wants it.
    """

    def __init__(self, bench: Bench, start_us: int, until_us: int, scenario: Scenario | None = None) -> None:
        self.scenario = scenario or bench.sent.scenario
        self._bench = bench
        simulation = Simulation(self.scenario, start_us)
        self.messages = list(simulation.run(until_us))
        self._truth = simulation.truth
        self._ledger = LedgerFile(bench.sent.ledger, self.scenario, start_us)
        bench.stack.callback(self._ledger.__exit__, None, None, None)

    @property
    def truth(self) -> Truth:
        """What the simulated machines did."""
        return self._truth

    @property
    def cells(self) -> list[str]:
        """The paths of its cells."""
        return [self.scenario.path(plan.cell) for plan in self.scenario.cells]

    def send(self, messages: Iterable[Outgoing], array: int = 500) -> None:
        """Send messages in the order given, each cell's in arrays; return when the broker has acknowledged all."""

        async def work() -> None:
            async with connection(self._bench) as client:
                await self._publish(client, messages, array)

        asyncio.run(work())

    def send_live(self, messages: Sequence[Outgoing], meanwhile: Callable[[int, Client], Any] | None = None) -> None:
        """Send the past at once, and each later message at its time, over one connection.

        `meanwhile` is awaited with the number of the message that follows and the client, before each of these.
        """

        async def work() -> None:
            begun_us = now_us()
            past = [one for one in messages if one.due_us <= begun_us]
            async with connection(self._bench) as client:
                await self._publish(client, past, 500)
                for number, one in enumerate(messages[len(past) :]):
                    await asyncio.sleep(max(0.0, (one.due_us - now_us()) / 1e6))
                    if meanwhile is not None:
                        await meanwhile(number, client)
                    await self._publish(client, [one], 1)

        asyncio.run(work())

    async def _publish(self, client: Client, messages: Iterable[Outgoing], array: int) -> None:
        numbers: list[int] = []

        def payloads() -> Iterable[Payload]:
            for cell, taken in _by_cell(messages, array):
                texts = [encoded(one.message) for one in taken]
                numbers.append(self._ledger.sent(cell, texts))
                yield TOPICS.events(cell), array_of(texts)

        await publish_all(client, payloads())
        for number in numbers:
            self._ledger.acknowledged(number)

    def note_sent(self, cell: str, texts: list[bytes]) -> None:
        """Note messages that the row has sent by itself, and that the broker has acknowledged."""
        self._ledger.acknowledged(self._ledger.sent(cell, texts))

    def lose(self, messages: Iterable[Outgoing]) -> None:
        """Note that messages are not sent, unless they are later."""
        for one in messages:
            self._ledger.lost(one)

    def tell_truth(self, ahead_s: Mapping[str, float] | None = None) -> None:
        """Write the truth; of cells in `ahead_s` as a clock has it that runs so many seconds ahead."""
        truth = Truth(self._truth.start_us)
        truth.until_us = self._truth.until_us
        for unit, record in self._truth.records.items():
            cell = "/".join(unit.split("/")[:3])
            truth.records[unit] = _moved(record, round((ahead_s or {}).get(cell, 0) * 1e6))
        self._ledger.truth(truth)


def hours(bench: Bench, length: float, change: Callable[[CellPlan], CellPlan] | None = None, **scenario: Any) -> Stream:
    """Start the service, and return what three cells sent in so many hours, which ended an hour ago.

    `change` is done to each cell's plan, `scenario` to the whole line.
    """
    bench.serve(cells=3)
    start_us = now_us() - round((length + 1) * HOUR_US)
    plans = tuple(plan if change is None else change(plan) for plan in bench.sent.scenario.cells)
    made = replace(bench.sent.scenario, cells=plans, **scenario)
    return Stream(bench, start_us, start_us + round(length * HOUR_US), made)


def calm_hours(bench: Bench, length: float) -> Stream:
    """Return the hours of cells that set a fifth of the fasteners in the same time, and tell a snapshot every 30 s."""
    return hours(bench, length, _calm, snapshot_s=30.0)


def _calm(plan: CellPlan) -> CellPlan:
    programs = tuple(
        replace(
            program,
            steps=tuple(
                replace(step, count=step.count // 5, head=Fixed(5 * (step.standard_s or 1.0))) for step in program.steps
            ),
        )
        for program in plan.programs
    )
    return replace(plan, programs=programs)


def _by_cell(messages: Iterable[Outgoing], array: int) -> Iterable[tuple[str, list[Outgoing]]]:
    """Yield messages in arrays of one cell each, in their order; an array goes when it is full, and at the end."""
    waiting: dict[str, list[Outgoing]] = {}
    for one in messages:
        taken = waiting.setdefault(one.cell, [])
        taken.append(one)
        if len(taken) >= array:
            yield one.cell, waiting.pop(one.cell)
    yield from waiting.items()


def _moved(record: Record, by_us: int) -> Record:
    made = [replace(one, at_us=one.at_us + by_us) for one in record.made]
    passes = [
        replace(one, load_begun_us=one.load_begun_us + by_us, unload_ended_us=one.unload_ended_us + by_us)
        for one in record.passes
    ]
    return Record([at_us + by_us for at_us in record.starts_us], list(record.standings), made, passes)


def batched(messages: Iterable[Item], number: int) -> Iterator[list[Item]]:
    """Yield messages in lists of a number."""
    rest = iter(messages)
    while taken := list(islice(rest, number)):
        yield taken
