"""A service that only reads, on a physical standby of PostgreSQL, while a worker takes messages in on the first."""

import asyncio
import json
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx

from benchmarks.latency import first_message, percentiles
from benchmarks.offered import told, working
from benchmarks.reads import Reads, keep_reading
from benchmarks.steady import Seen, Steady, new_boot, paths_of, sending, watch
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.service import ServiceProcess
from tests.servers.standby import Standby
from zoneledger.api.times import rfc3339

READS_ONLY = {"ZONELEDGER_READS_ONLY": "true"}


async def _both(first: str, standby: str, steady: Steady, begun_us: int, url: str, reads: Reads) -> tuple[Seen, Seen]:
    """Watch both databases, and read from the service on the standby meanwhile."""
    paths = [
        f"/v1/kpi/{cell}?start={rfc3339(begun_us)}&end={rfc3339(begun_us + 10**9)}" for cell in paths_of(steady.cells)
    ]
    reading = asyncio.ensure_future(keep_reading(url, paths, reads))
    try:
        return await asyncio.gather(watch(first, steady, begun_us), watch(standby, steady, begun_us))
    finally:
        reading.cancel()
        await asyncio.wait([reading])


def delays(first: Seen, standby: Seen) -> list[float]:
    """Return by how many seconds each message could be read later from the standby than from the first."""
    pairs = zip(first.at_us, standby.at_us, strict=True)
    return [(there - here) / 1e6 for here, there in pairs if here is not None and there is not None]


def _differing(worker: ServiceProcess, reader: ServiceProcess, steady: Steady, begun_us: int) -> int:
    """Return how many cells' figures are not the same from both."""
    window = {"start": rfc3339(begun_us), "end": rfc3339(steady.due_us(steady.messages, begun_us))}
    paths = [f"/v1/kpi/{cell}" for cell in paths_of(steady.cells)]
    return sum(worker.get(path, **window) != reader.get(path, **window) for path in paths)


def _count_answers(reader: ServiceProcess, cells: int) -> int:
    """Return of how many cells the reader answers the figures of a day."""
    asked = [httpx.get(f"{reader.url}/v1/kpi/{cell}?day=2026-01-01", timeout=30) for cell in paths_of(cells)]
    return sum(answer.status_code == 200 for answer in asked)


def follow(broker: Mosquitto, folder: Path, cells: int, rate: float, seconds: float) -> dict[str, Any]:
    """Return how far a standby is behind under a steady load, and what a service that only reads from it answers."""
    steady, reads = Steady(cells, rate, seconds, new_boot()), Reads()
    root = f"replica-{steady.boot}"
    with ExitStack() as stack:
        first = Postgres(fsync=True)
        stack.callback(first.close)
        first.start()
        name = first.create_database()
        (worker,) = stack.enter_context(working(broker.url, first.url(name), folder, cells, root, 1))
        standby = Standby(first, fsync=True)
        stack.callback(standby.close)
        standby.start()
        reader = stack.enter_context(ServiceProcess("--database", standby.url(name), settings=READS_ONLY))
        with sending(broker.port, root, steady) as sender:
            begun_us = sender.recv()
            urls = first.url(name), standby.url(name)
            here, there = asyncio.run(_both(*urls, steady, begun_us, reader.url, reads))
            found = told(steady, sender.recv(), here)
        found |= {"on_the_standby": percentiles(there.seconds()) | {"missing": there.missing}}
        found |= {"delay": percentiles(delays(here, there)), "reads": reads.told()}
        found["cells_that_differ"] = _differing(worker, reader, steady, begun_us)
        body = {"cell": paths_of(cells)[0], "messages": [json.loads(first_message(begun_us))]}
        found["post_to_the_reader"] = httpx.post(f"{reader.url}/v1/messages", json=body).status_code
        first.kill()
        found["answers_without_the_first"] = [_count_answers(reader, cells), cells]
        worker.kill()
    return found
