"""From a Mosquitto backlog to a current ledger, beside the raw drain of the same messages in the same run.

`python -m benchmarks.ingest` starts a broker and a database of its own on spare ports and prints a line for each
database; the ratio is what counts, as the rates depend on the machine.
"""

import argparse
import asyncio
import json
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from aiomqtt import ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchmarks.raw_drain import CELLS, fill_backlog, raw_drain
from benchmarks.report import Compared, tell
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import running
from zoneledger.asgi import open_service
from zoneledger.bootstrap import Service
from zoneledger.settings import Settings
from zoneledger_cli.memory import spare_the_collector
from zoneledger_cli.serving import SWITCH_S
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.subscriber import Session, Subscriber
from zoneledger_mqtt.topics import Topics

PLANT = {
    "sites": [
        {
            "site": "bench",
            "timezone": "UTC",
            "lines": [
                {
                    "line": "line-1",
                    "standards": [{"operation": "fasten", "seconds": 3.75, "since": "2026-01-01"}],
                    "cells": [{"cell": cell.rpartition("/")[2], "zones": ["1", "2"]} for cell in CELLS],
                }
            ],
        }
    ]
}
CLIENT_ID = "ledger-drain"
DEADLINE_S = 300.0


async def subscribe_once(broker: str, topics: Topics, client_id: str) -> None:
    """Make the persistent session that the backlog waits in."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3600
    address = parse_broker_url(broker)
    async with address.client(client_id, ProtocolVersion.V5, clean_start=True, properties=properties) as client:
        await client.subscribe([(topic_filter, 1) for topic_filter in topics.filters])


async def _events(service: Service) -> int:
    async with service.store.reading() as reading:
        heads = await reading.heads(CELLS)
    return sum(head.counts.get("events", 0) for head in heads.values())


async def ledger_drain(
    broker: str, database_url: str, messages: int, size: int, plant: Path, first_seq: int = 1
) -> float:
    """Drain such a backlog, in payloads of `size`, through the service; return messages a second until the last is in the ledger."""
    topics = Topics(f"ledger-{time.monotonic_ns()}")
    client_id = f"{CLIENT_ID}-{time.monotonic_ns()}"
    await subscribe_once(broker, topics, client_id)
    await fill_backlog(broker, topics, messages, size, first_seq)
    service = await open_service(Settings(database_url=database_url, plant=plant))
    before = await _events(service)
    subscriber = Subscriber(parse_broker_url(broker), service.recorder, topics=topics, session=Session(client_id))
    recording = asyncio.create_task(service.recorder.run())
    began_s = time.perf_counter()
    listening = asyncio.create_task(subscriber.run())
    while subscriber.counts.acknowledged < messages // size:
        await asyncio.sleep(0.005)
        if time.perf_counter() - began_s > DEADLINE_S:
            raise TimeoutError(f"{subscriber.counts.acknowledged} of {messages // size} payloads in {DEADLINE_S:g} s")
    rate = messages / (time.perf_counter() - began_s)
    stored = await _events(service) - before
    for task in (listening, recording):
        task.cancel()
        await asyncio.wait([task])
    await service.store.close()
    if stored != messages:
        raise RuntimeError(f"{messages} messages were drained and {stored} events stored")
    return rate


@contextmanager
def databases(folder: Path) -> Iterator[dict[str, list[str]]]:
    """Yield, by name, two databases each: one for the raw drain and one for the ledger."""
    with running(Postgres(fsync=True)) as postgres:
        urls = [postgres.url(postgres.create_database()) for _ in range(2)]
        yield {"postgresql": urls, "sqlite": [f"sqlite:///{folder / name}.db" for name in ("raw", "ledger")]}


def compare(messages: int, size: int, runs: int) -> list[Compared]:
    """Drain a backlog of `messages` in payloads of `size` raw and to a current ledger, in turn, on both databases."""
    found = []
    with tempfile.TemporaryDirectory() as name, running(Mosquitto()) as broker:
        plant = Path(name) / "plant.json"
        plant.write_text(json.dumps(PLANT))
        measured: dict[str, list[tuple[float, float]]] = {}
        for _ in range(runs):
            with tempfile.TemporaryDirectory() as folder, databases(Path(folder)) as there:
                for database, (raw_url, ledger_url) in there.items():
                    raw = asyncio.run(raw_drain(broker.url, raw_url, messages, size))
                    ours = asyncio.run(ledger_drain(broker.url, ledger_url, messages, size, plant))
                    measured.setdefault(database, []).append((raw, ours))
    kind = "single messages" if size == 1 else f"messages in arrays of {size}"
    for database, pairs in measured.items():
        work = f"a backlog of {messages} {kind} to a current ledger, {database}"
        found.append(Compared(work, "raw drain", "messages/s", "at least 0.7", tuple(pairs)))
    return found


def main() -> None:
    """Print messages a second from a Mosquitto backlog to a current ledger, beside the raw drain."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--messages", type=int, default=100_000, help="a multiple of 100")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--json", type=Path, default=None, help="where the results go")
    given = parser.parse_args()
    spare_the_collector()
    sys.setswitchinterval(SWITCH_S)  # for both alike
    tell([one for size in (1, 50) for one in compare(given.messages, size, given.runs)], given.json)


if __name__ == "__main__":
    main()
