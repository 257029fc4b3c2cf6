"""The raw drain: how fast messages go from a broker's backlog into a database when nothing is done with them.

The plainest pipeline that loses nothing: messages from aiomqtt's own queue, validated by a pydantic model, a bare insert that
keeps each message once by its key (PostgreSQL: COPY into a temporary table, then INSERT ... ON CONFLICT), one commit for a
batch, and only then each message of it acknowledged. The service is measured beside it in the same run.
"""

import argparse
import asyncio
import sqlite3
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal

import asyncpg
from aiomqtt import Client, ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from pydantic import AwareDatetime, BaseModel, Field, TypeAdapter

from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_mqtt.topics import Topics

CELLS = ("bench/line-1/cell-1", "bench/line-1/cell-2")
TOPICS = Topics("raw-drain")
CLIENT_ID = "raw-drain"
RECEIVE_MAXIMUM = 2000
#: A batch is committed once it has so many messages, or this long after its first.
BATCH, LINGER_S = 500, 0.005

_TABLE = "raw_drain"
_COLUMNS = "(cell TEXT, boot BIGINT, seq BIGINT, body TEXT, PRIMARY KEY (cell, boot, seq))"

Row = tuple[str, int, int, str]
Insert = Callable[[list[Row]], Awaitable[None]]


class _Planned(BaseModel):
    automatic: int
    manual: int


class _Event(BaseModel):
    v: Literal[1]
    boot: int
    seq: int
    at: AwareDatetime
    zone: str


class _Fastener(_Event):
    type: Literal["fastener"]
    operation: Literal["drill", "fasten", "trim"]
    result: Literal["good", "rework", "reject"]
    item: str | None = None
    position: str | None = None
    panel: str | None = None
    program: str | None = None
    seconds: float | None = None


class _Activity(_Event):
    type: Literal["activity"]
    activity: Literal["process", "load", "unload", "setup"]
    phase: Literal["begin", "end"]
    program: str | None = None
    panel: str | None = None
    planned: _Planned | None = None


_ONE: TypeAdapter[Any] = TypeAdapter(Annotated[_Fastener | _Activity, Field(discriminator="type")])
_MANY: TypeAdapter[list[Any]] = TypeAdapter(list[Annotated[_Fastener | _Activity, Field(discriminator="type")]])


def message(seq: int, at: str | None = None, boot: int = 1) -> bytes:
    """Return an event of a usual length: nine in ten are fasteners, the others begin activities; four a second, unless told."""
    if at is None:
        at = (datetime(2026, 1, 5, tzinfo=UTC) + timedelta(seconds=seq / 4)).isoformat(timespec="microseconds")
    if seq % 10 == 0:
        activity = b"process" if seq % 20 else b"load"
        return (
            b'{"v":1,"boot":%d,"seq":%d,"at":"%s","type":"activity","zone":"1","activity":"%s","phase":"begin",'
            b'"program":"skin-left","panel":"skin-left-0001","planned":{"automatic":260,"manual":29}}'
        ) % (boot, seq, at.encode(), activity)
    return (
        b'{"v":1,"boot":%d,"seq":%d,"at":"%s","type":"fastener","zone":"1","operation":"fasten","result":"good",'
        b'"item":"lb-8","position":"p-%d","panel":"skin-left-0001","program":"skin-left","seconds":3.75}'
    ) % (boot, seq, at.encode(), seq)


def payload(first: int, size: int) -> bytes:
    """Return a message, or (`size` above 1) an array of so many."""
    return message(first) if size == 1 else b"[" + b",".join(message(first + i) for i in range(size)) + b"]"


async def fill_backlog(broker: str, topics: Topics, messages: int, size: int, first_seq: int = 1) -> None:
    """Publish that many messages in payloads of `size`, half of them from each of two cells, and wait until the broker has them."""
    async with MqttSender(parse_broker_url(broker), topics) as sender:

        async def publish(cell: str) -> None:
            starts = list(range(first_seq, first_seq + messages // 2, size))
            for i in range(0, len(starts), 100):
                await asyncio.gather(*(sender.send(cell, payload(first, size)) for first in starts[i : i + 100]))

        await asyncio.gather(*(publish(cell) for cell in CELLS))


async def raw_drain(broker: str, database_url: str, messages: int, size: int) -> float:
    """Build a backlog of `messages` in payloads of `size` in a persistent session; return how many a second are drained.

    `messages` is a multiple of twice the size. It counts from the connection to the last acknowledgement. Raises RuntimeError where a
    message is missing or twice.
    """
    async with _client(broker, clean=True) as client:
        await client.subscribe(TOPICS.filters[0], qos=1)
    await fill_backlog(broker, TOPICS, messages, size)
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
    client = _client(broker, clean=False)
    client._client.manual_ack_set(True)
    began_s = time.perf_counter()
    async with client:
        kept = 0
        while kept < messages:
            numbers, rows = await _next_batch(client)
            await insert(rows)
            for number in numbers:
                client._client.ack(number, 1)
            kept += len(rows)
        return messages / (time.perf_counter() - began_s)


async def _next_batch(client: Client) -> tuple[list[int], list[Row]]:
    """Return the packet ids and rows of a batch: what is there, up to its size, after waiting for the first and a little longer."""
    first = await anext(client.messages)
    if len(client.messages) < BATCH:
        await asyncio.sleep(LINGER_S)
    numbers, rows = [first.mid], _rows(first)
    while len(rows) < BATCH and len(client.messages):
        one = client._queue.get_nowait()  # its iterator makes a task for each message
        numbers.append(one.mid)
        rows += _rows(one)
    return numbers, rows


def _rows(received: Any) -> list[Row]:
    body: bytes = received.payload
    cell = TOPICS.source(str(received.topic)).cell
    if body[:1] == b"[":
        return [(cell, one.boot, one.seq, one.model_dump_json()) for one in _MANY.validate_json(body)]
    one = _ONE.validate_json(body)
    return [(cell, one.boot, one.seq, body.decode())]


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
    await connection.execute(f"CREATE TEMPORARY TABLE arrived (LIKE {_TABLE}) ON COMMIT DELETE ROWS")

    async def insert(rows: list[Row]) -> None:
        async with connection.transaction():
            await connection.copy_records_to_table("arrived", records=rows)
            await connection.execute(f"INSERT INTO {_TABLE} SELECT * FROM arrived ON CONFLICT DO NOTHING")

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
    parser.add_argument("--array", type=int, default=1, help="messages in a payload")
    arguments = parser.parse_args()
    rate = asyncio.run(raw_drain(arguments.broker, arguments.database, arguments.messages, arguments.array))
    print(f"{rate:,.0f} messages/s raw")


if __name__ == "__main__":
    main()
