"""The raw pipeline from publish to commit, in a process of its own: a bare insert, each message once, acknowledged after it."""

import asyncio
import contextlib
import json
import multiprocessing
import time
from multiprocessing.connection import Connection

import asyncpg
from aiomqtt import ProtocolVersion

from benchmarks.changing import Load
from zoneledger.core.validation import parse_instant
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.inner_client import Acknowledging
from zoneledger_mqtt.plain_publish import Received
from zoneledger_mqtt.topics import Topics

LINGER_S = 0.005
_spawning = multiprocessing.get_context("spawn")


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
