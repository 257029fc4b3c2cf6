"""How long after it was published a change of state is on the live stream and in /v1/units, beside raw publish to commit.

`python -m benchmarks.freshness` starts a broker and a database of its own on spare ports. Each cell sends one message a second,
and each message changes a state. The raw pipeline of the same run receives the same messages, commits them with a bare insert,
and does nothing else.
"""

import argparse
import asyncio
import contextlib
import json
import multiprocessing
import tempfile
import time
from collections import deque
from collections.abc import Iterator
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import asyncpg
import httpx
from aiomqtt import ProtocolVersion

from benchmarks.latency import arguments, cells_of, change, first_message, percentiles, plant_of
from benchmarks.report import write_result
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.service import ServiceProcess
from zoneledger.clock import now_us
from zoneledger.core.validation import parse_instant
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.inner_client import Acknowledging, Received
from zoneledger_mqtt.topics import Topics

LINGER_S = 0.005
CONNECTIONS = 8
#: How often /v1/units is asked: taking an answer apart holds up whoever reads the stream beside it. And how old a message may
#: be and be missing in an answer to be counted.
UNITS_EVERY_S, OLDEST_S, BIN_S = 1.0, 1.0, 0.002
SETTLE_S = 2.0
_spawning = multiprocessing.get_context("spawn")


@dataclass
class Load:
    """The messages that were published of each cell and not been seen yet: (at_us, when); and how long those seen took."""

    cells: list[str]
    topics: Topics
    waiting: dict[str, deque[tuple[int, float]]] = field(default_factory=dict)
    recent: dict[str, deque[tuple[int, float]]] = field(default_factory=dict)
    took: list[tuple[float, float]] = field(default_factory=list)
    passed_over: int = 0

    def __post_init__(self) -> None:
        self.waiting = {cell: deque() for cell in self.cells}
        self.recent = {cell: deque(maxlen=4) for cell in self.cells}

    async def publish(self, broker: str, seconds: float) -> None:
        """Let each cell send a snapshot, then a change a second, spread evenly over the second."""
        async with AsyncExitStack() as stack:
            clients = []
            for _ in range(CONNECTIONS):
                client = parse_broker_url(broker).client(None, ProtocolVersion.V5)
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
            for kept in (self.waiting, self.recent):
                kept[cell].append((at_us, time.perf_counter()))
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


# The raw pipeline, in a process of its own.


async def _commit_all(broker: str, database: str, root: str, said: Connection) -> None:
    pending, arrived, committed = list[Received](), asyncio.Event(), list[tuple[str, str, float]]()

    def take(received: Received) -> None:
        pending.append(received)
        arrived.set()

    topics, connection = Topics(root), await asyncpg.connect(database)
    columns = "cell TEXT, boot BIGINT, seq BIGINT, body TEXT, PRIMARY KEY (cell, boot, seq)"
    await connection.execute(f"CREATE TABLE raw_commits ({columns})")
    values = "unnest($1::text[], $2::bigint[], $3::bigint[], $4::text[])"
    insert = await connection.prepare(f"INSERT INTO raw_commits SELECT * FROM {values} ON CONFLICT DO NOTHING")
    client = parse_broker_url(broker).client("raw-commits", ProtocolVersion.V5)
    incoming = Acknowledging(client, take)
    async with client:
        await client.subscribe([(one, 1) for one in topics.filters])
        said.send("ready")
        while not said.poll():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(arrived.wait(), 0.2)
            arrived.clear()
            await asyncio.sleep(LINGER_S)
            batch, pending[:] = list(pending), []
            if batch:
                rows = [_row(topics, one) for one in batch]
                await insert.fetch(*map(list, zip(*(row[:4] for row in rows), strict=True)))
                committed_s = time.perf_counter()
                for one in batch:
                    incoming.acknowledge(one.number)
                committed += [(row[0], row[4], committed_s) for row in rows]
        said.send(committed)
    incoming.close()
    await connection.close()


def _row(topics: Topics, received: Received) -> tuple[str, int, int, str, str]:
    body = received.payload.decode()
    told = json.loads(body)
    return topics.source(received.topic)[0], told["boot"], told["seq"], body, told["at"]


def _run_raw(broker: str, database: str, root: str, said: Connection) -> None:
    asyncio.run(_commit_all(broker, database, root, said))


def measure_raw(broker: str, database: str, cells: list[str], seconds: float) -> list[tuple[float, float]]:
    """Return (published, seconds to the commit) of each change, through the raw pipeline."""
    load, (ours, theirs) = Load(cells, Topics("raw")), _spawning.Pipe()
    process = _spawning.Process(target=_run_raw, args=(broker, database, "raw", theirs))
    process.start()
    try:
        assert ours.recv() == "ready"
        asyncio.run(load.publish(broker, seconds))
        ours.send("enough")
        for cell, at, committed_s in ours.recv():
            load.seen(cell, parse_instant("at", at), committed_s)
    finally:
        process.join(10)
        process.kill()
    return load.took


# The service.


async def _read_stream(url: str, load: Load) -> None:
    """Note when changes of first zones are on the live stream."""
    async with httpx.AsyncClient(timeout=None) as client, client.stream("GET", f"{url}/v1/live") as answer:
        rest = b""
        async for data in answer.aiter_bytes():
            when_s = time.perf_counter()
            *texts, rest = (rest + data).split(b"\n\n")
            for text in texts:
                if b"event: state" in text:
                    told = json.loads(text.partition(b"data: ")[2])
                    cell, _, zone = told["unit"].rpartition("/")
                    if zone == "1":
                        load.seen(cell, parse_instant("since", told["since"]), when_s)


async def _read_units(url: str, load: Load, ages: list[tuple[float, bool]], answers: list[float]) -> None:
    """Ask for /v1/units now and then; note for each message published just before whether the answer has it."""
    async with httpx.AsyncClient(timeout=60) as client:
        while True:
            asked_s = time.perf_counter()
            before = {cell: list(recent) for cell, recent in load.recent.items()}
            units = json.loads((await client.get(f"{url}/v1/units")).content)
            answers.append(time.perf_counter() - asked_s)
            for site in units["sites"]:
                for cell in (cell for line in site["lines"] for cell in line["cells"]):
                    since_us = parse_instant("since", cell["zones"][0]["since"] or "2000-01-01T00:00:00Z")
                    for at_us, published_s in before[cell["unit"]]:
                        if asked_s - published_s < OLDEST_S:
                            ages.append((asked_s - published_s, since_us >= at_us))
            await asyncio.sleep(UNITS_EVERY_S)


def visible_after(ages: list[tuple[float, bool]]) -> dict[str, float]:
    """Return the ages from which on half, and 99 %, of the messages are in an answer that is asked for then."""
    bins: dict[int, list[bool]] = {}
    for age_s, there in ages:
        bins.setdefault(int(age_s / BIN_S), []).append(there)
    shares = {number: sum(there) / len(there) for number, there in bins.items()}
    found: dict[str, float] = {"number": len(ages)}
    for percent in (50, 99):
        short = [number for number, share in shares.items() if share < percent / 100]
        found[f"p{percent}_ms"] = round((max(short, default=-1) + 1) * BIN_S * 1000, 2)
    return found


async def _measure_service(url: str, broker: str, load: Load, seconds: float) -> dict[str, Any]:
    ages, answers = list[tuple[float, bool]](), list[float]()
    readers = [asyncio.create_task(_read_stream(url, load)), asyncio.create_task(_read_units(url, load, ages, answers))]
    await load.publish(broker, seconds)
    for reader in readers:
        if reader.done():
            reader.result()
        reader.cancel()
        await asyncio.wait([reader])
    missing = sum(map(len, load.waiting.values()))
    return {
        "stream": percentiles([took for _, took in load.took]) | {"passed_over": load.passed_over, "missing": missing},
        "stream_by_minute": by_minute(load.took),
        "units": visible_after(ages),
        "units_answer": percentiles(answers),
    }


def by_minute(took: list[tuple[float, float]]) -> list[dict[str, float]]:
    """Return the percentiles of each minute."""
    if not took:
        return []
    began_s = min(published_s for published_s, _ in took)
    minutes: dict[int, list[float]] = {}
    for published_s, took_s in took:
        minutes.setdefault(int((published_s - began_s) / 60), []).append(took_s)
    return [percentiles(minutes[minute]) for minute in sorted(minutes)]


@contextmanager
def _servers(folder: Path, kind: str) -> Iterator[tuple[str, str, str]]:
    """Yield the URLs of a broker, of a PostgreSQL database for the raw pipeline, and of one of that kind for the service."""
    broker, postgres = Mosquitto(), Postgres(fsync=True)
    try:
        broker.start()
        postgres.start()
        raw, own = (postgres.url(postgres.create_database()) for _ in range(2))
        yield broker.url, raw, own if kind == "postgresql" else f"sqlite:///{folder / 'bench.db'}"
    finally:
        broker.close()
        postgres.close()


def measure(number: int, seconds: float, raw_seconds: float, kind: str) -> dict[str, Any]:
    """Return what the raw pipeline and the service took for the same messages."""
    cells = cells_of(number)
    with tempfile.TemporaryDirectory() as name, _servers(Path(name), kind) as (broker, raw_database, database):
        raw = measure_raw(broker, raw_database, cells, raw_seconds)
        plant = Path(name) / "plant.json"
        plant.write_text(json.dumps(plant_of(cells)))
        with ServiceProcess("--database", database, "--broker", broker, "--plant", str(plant)) as service:
            load = Load(cells, Topics())
            found = asyncio.run(_measure_service(service.url, broker, load, seconds))
    asked = {"cells": number, "seconds": seconds, "database": kind}
    return asked | {"raw_commit": percentiles([took for _, took in raw])} | found


def main() -> None:
    """Print how long a change takes to the live stream and to /v1/units, beside raw publish to commit."""
    parser = arguments(argparse.ArgumentParser(description=main.__doc__))
    parser.add_argument("--cells", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--raw-seconds", type=float, default=20)
    parser.add_argument("--database", choices=["postgresql", "sqlite"], default="postgresql")
    told = parser.parse_args()
    number, seconds, raw_seconds = (20, 2.0, 1.0) if told.small else (told.cells, told.seconds, told.raw_seconds)
    result = measure(number, seconds, raw_seconds, told.database)
    print(f"{result['cells']} cells, a change a second each, {result['seconds']:g} s, {result['database']}")
    for name in ("raw_commit", "stream", "units", "units_answer"):
        print(f"{name:>14}: {json.dumps(result[name])}")
    for minute, of_minute in enumerate(result["stream_by_minute"]):
        print(f"   minute {minute:>4}: {json.dumps(of_minute)}")
    write_result(told.json, result)


if __name__ == "__main__":
    main()
