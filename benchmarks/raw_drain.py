"""The raw drain: how fast messages go from a broker's backlog into a database when nothing is done with them.

A bare insert keeps a batch, each message once by its key, one commit ends it, and only then the batch is acknowledged.
Messages are received as the service receives them, past aiomqtt's own slower queue, so that the bar is a high one; the
service is measured beside it in the same run.
"""

import argparse
import asyncio
import sqlite3
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import asyncpg
from aiomqtt import Client, ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.inner_client import Acknowledging, Received
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_mqtt.topics import Topics

CELLS = ("bench/line-1/cell-1", "bench/line-1/cell-2")
TOPICS = Topics("raw-drain")
CLIENT_ID = "raw-drain"
RECEIVE_MAXIMUM = 2000
#: A batch is committed once it is this long, or this long after its first message.
BATCH, LINGER_S = 500, 0.005

_TABLE = "raw_drain"
_COLUMNS = "(cell TEXT, boot BIGINT, seq BIGINT, body TEXT, PRIMARY KEY (cell, boot, seq))"

Row = tuple[str, int, int, str]
Insert = Callable[[list[Row]], Awaitable[None]]


def message(seq: int) -> bytes:
    """Return an event of a usual length: nine in ten are fasteners, the others begin activities; four a second."""
    at = (datetime(2026, 1, 5, tzinfo=UTC) + timedelta(seconds=seq / 4)).isoformat(timespec="microseconds")
    if seq % 10 == 0:
        activity = b"process" if seq % 20 else b"load"
        return (
            b'{"v":1,"boot":1,"seq":%d,"at":"%s","type":"activity","zone":"1","activity":"%s","phase":"begin",'
            b'"program":"skin-left","panel":"skin-left-0001","planned":{"automatic":260,"manual":29}}'
        ) % (seq, at.encode(), activity)
    return (
        b'{"v":1,"boot":1,"seq":%d,"at":"%s","type":"fastener","zone":"1","operation":"fasten","result":"good",'
        b'"item":"lb-8","position":"p-%d","panel":"skin-left-0001","program":"skin-left","seconds":3.75}'
    ) % (seq, at.encode(), seq)


async def fill_backlog(broker: str, topics: Topics, messages: int) -> None:
    """Publish that many messages, half of them from each of two cells, and wait until the broker has them."""
    async with MqttSender(parse_broker_url(broker), topics) as sender:

        async def publish(cell: str) -> None:
            for start in range(1, messages // 2 + 1, 100):
                last = min(start + 100, messages // 2 + 1)
                await asyncio.gather(*(sender.send(cell, message(seq)) for seq in range(start, last)))

        await asyncio.gather(*(publish(cell) for cell in CELLS))


async def raw_drain(broker: str, database_url: str, messages: int) -> float:
    """Build a backlog of `messages` (an even number) in a persistent session; return how many a second are drained.

    It counts from the connection to the last acknowledgement. Raises RuntimeError where a message is missing or twice.
    """
    async with _client(broker, clean=True) as client:
        await client.subscribe(TOPICS.filters[0], qos=1)
    await fill_backlog(broker, TOPICS, messages)
    async with _inserting(database_url, messages) as insert:
        rate = await _drain(broker, insert, messages)
    async with _client(broker, clean=True, expiry_s=0):
        return rate


def _client(broker: str, *, clean: bool, expiry_s: int = 3600) -> Client:
    properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = expiry_s
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    return parse_broker_url(broker).client(CLIENT_ID, ProtocolVersion.V5, clean_start=clean, properties=properties)


async def _drain(broker: str, insert: Insert, messages: int) -> float:
    pending: list[Received] = []
    arrived = asyncio.Event()

    def take(received: Received) -> None:
        pending.append(received)
        arrived.set()

    client = _client(broker, clean=False)
    incoming = Acknowledging(client, take)
    began_s = time.perf_counter()
    kept = 0
    async with client:
        while kept < messages:
            await arrived.wait()
            if len(pending) < BATCH:
                await asyncio.sleep(LINGER_S)
            batch = pending[:BATCH]
            del pending[:BATCH]
            if not pending:
                arrived.clear()
            await insert([_row(one) for one in batch])
            for one in batch:
                incoming.acknowledge(one.number)
            kept += len(batch)
        rate = messages / (time.perf_counter() - began_s)
    incoming.close()
    return rate


def _row(received: Received) -> Row:
    body = received.payload.decode()
    return TOPICS.source(received.topic).cell, 1, int(body.split(",", 3)[2].removeprefix('"seq":')), body


def _inserting(database_url: str, messages: int) -> Any:
    """Return the context of what inserts a batch in one commit, into a table that is there for this run only."""
    if database_url.startswith("sqlite:///"):
        return _inserting_sqlite(database_url.removeprefix("sqlite:///"), messages)
    return _inserting_postgres(database_url, messages)


def _check(stored: int, messages: int) -> None:
    if stored != messages:
        raise RuntimeError(f"{messages} messages were drained and {stored} rows stored")


@asynccontextmanager
async def _inserting_sqlite(path: str, messages: int) -> AsyncIterator[Insert]:
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"CREATE TABLE {_TABLE} {_COLUMNS}")

    def insert_now(rows: list[Row]) -> None:
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(f"INSERT INTO {_TABLE} VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING", rows)
        connection.execute("COMMIT")

    async def insert(rows: list[Row]) -> None:
        await asyncio.to_thread(insert_now, rows)

    try:
        yield insert
        _check(connection.execute(f"SELECT count(*) FROM {_TABLE}").fetchone()[0], messages)
    finally:
        connection.execute(f"DROP TABLE {_TABLE}")
        connection.close()


@asynccontextmanager
async def _inserting_postgres(url: str, messages: int) -> AsyncIterator[Insert]:
    connection = await asyncpg.connect(url)
    await connection.execute(f"CREATE TABLE {_TABLE} {_COLUMNS}")
    statement = await connection.prepare(
        f"INSERT INTO {_TABLE} SELECT * FROM unnest($1::text[], $2::bigint[], $3::bigint[], $4::text[])"
        " ON CONFLICT DO NOTHING"
    )

    async def insert(rows: list[Row]) -> None:
        await statement.fetch(*map(list, zip(*rows, strict=True)))

    try:
        yield insert
        _check(await connection.fetchval(f"SELECT count(*) FROM {_TABLE}"), messages)
    finally:
        await connection.execute(f"DROP TABLE {_TABLE}")
        await connection.close()


def main() -> None:
    """Measure the raw drain of a broker and a database that run already."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("broker", help="mqtt://host:port")
    parser.add_argument("database", help="sqlite:///file or postgresql://...")
    parser.add_argument("--messages", type=int, default=50_000)
    arguments = parser.parse_args()
    rate = asyncio.run(raw_drain(arguments.broker, arguments.database, arguments.messages))
    print(f"{rate:,.0f} messages/s raw")


if __name__ == "__main__":
    main()
