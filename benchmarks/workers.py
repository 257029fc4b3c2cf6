"""One worker, two that share the cells, and two that share a subscription, each draining the same backlog on PostgreSQL.

`python -m benchmarks.workers` starts a broker and a database of its own on spare ports; the ratios to one worker are what
counts. With a shared subscription ($share, MQTT 5 section 4.8.2) the broker deals the messages out in turn, so that those of
a cell reach the ledger out of order.
"""

import argparse
import asyncio
import json
import multiprocessing
import platform
import tempfile
import time
from dataclasses import dataclass
from multiprocessing.synchronize import Barrier
from pathlib import Path

from benchmarks.ingest import PLANT, subscribe_once
from benchmarks.raw_drain import CELLS, fill_backlog
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import running
from zoneledger.asgi import open_service
from zoneledger.settings import Settings
from zoneledger.storage.engines import open_engines
from zoneledger.storage.store import SqlStore
from zoneledger_cli.memory import spare_the_collector
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.subscriber import Session, Subscriber
from zoneledger_mqtt.topics import Topics

DEADLINE_S = 600.0
_spawning = multiprocessing.get_context("spawn")


@dataclass(frozen=True)
class SharedTopics(Topics):
    """All topics under a root, by a subscription that several clients share."""

    @property
    def filters(self) -> tuple[str, ...]:
        """The shared subscriptions."""
        return tuple(f"$share/workers/{topic}" for topic in super().filters)


async def _work(broker: str, database: str, topics: Topics, client_id: str, ready: Barrier) -> None:
    spare_the_collector()
    service = await open_service(Settings(database_url=database))
    subscriber = Subscriber(parse_broker_url(broker), service.recorder, topics=topics, session=Session(client_id))
    ready.wait()
    await asyncio.gather(service.recorder.run(), subscriber.run())


def _run(broker: str, database: str, topics: Topics, client_id: str, ready: Barrier) -> None:
    asyncio.run(_work(broker, database, topics, client_id, ready))


async def _until_stored(database: str, messages: int) -> tuple[float, int]:
    """Return when all are stored, on the clock of perf_counter, and how many changes of the past were noted."""
    engines = open_engines(database)
    store, deadline_s = SqlStore(engines), time.perf_counter() + DEADLINE_S
    stored = 0
    while stored < messages:
        await asyncio.sleep(0.02)
        async with store.reading() as reading:
            stored = sum(head.counts.get("events", 0) for head in (await reading.heads(CELLS)).values())
        if time.perf_counter() > deadline_s:
            raise TimeoutError(f"{stored} of {messages} messages in {DEADLINE_S:g} s")
    ended_s = time.perf_counter()
    async with store.reading() as reading:
        changes = len(await reading.revisions(CELLS, -(2**62), 2**62, 0, None))
    await store.close()
    return ended_s, changes


def drain(broker: str, database: str, workers: list[Topics], messages: int, plant: Path) -> tuple[float, int]:
    """Drain a backlog by workers, each with its topics; return messages a second, and the changes of the past it took."""
    asyncio.run(_declare(database, plant))
    clients = [f"worker-{time.monotonic_ns()}-{i}" for i in range(len(workers))]
    for topics, client_id in zip(workers, clients, strict=True):
        asyncio.run(subscribe_once(broker, topics, client_id))
    asyncio.run(fill_backlog(broker, Topics(workers[0].root), messages, 1))
    ready = _spawning.Barrier(len(workers) + 1)
    processes = [
        _spawning.Process(target=_run, args=(broker, database, topics, client_id, ready))
        for topics, client_id in zip(workers, clients, strict=True)
    ]
    for process in processes:
        process.start()
    ready.wait(60)
    began_s = time.perf_counter()
    try:
        ended_s, changes = asyncio.run(_until_stored(database, messages))
    finally:
        for process in processes:
            process.kill()
            process.join()
    return messages / (ended_s - began_s), changes


async def _declare(database: str, plant: Path) -> None:
    service = await open_service(Settings(database_url=database, plant=plant))
    await service.store.close()


def main() -> None:
    """Print messages a second of one worker, two by cells and two with a shared subscription."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--messages", type=int, default=40_000)
    messages = parser.parse_args().messages
    halves = tuple(CELLS[: len(CELLS) // 2]), tuple(CELLS[len(CELLS) // 2 :])
    kinds: dict[str, list[Topics]] = {
        "one": [Topics("one")],
        "two, by cells": [Topics("by-cells", half) for half in halves],
        "two, one subscription": [SharedTopics("shared"), SharedTopics("shared")],
    }
    print(
        f"{platform.machine()}, Python {platform.python_version()}, {messages} single messages, nine in ten fasteners"
    )
    with (
        tempfile.TemporaryDirectory() as folder,
        running(Mosquitto()) as broker,
        running(Postgres(fsync=True)) as postgres,
    ):
        plant = Path(folder) / "plant.json"
        plant.write_text(json.dumps(PLANT))
        alone = None
        for kind, workers in kinds.items():
            rate, changes = drain(broker.url, postgres.url(postgres.create_database()), workers, messages, plant)
            alone = alone or rate
            print(f"{kind:<22} {rate:8,.0f}/s, {rate / alone:.2f} of one; {changes} changes of the past", flush=True)


if __name__ == "__main__":
    main()
