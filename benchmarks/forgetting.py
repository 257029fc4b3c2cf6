"""Days of events stored and forgotten again on PostgreSQL, piece by piece, beside one DELETE of as many; and the room they take.

`python -m benchmarks.forgetting` starts a database of its own on a spare port. Each day the same number of events comes and
the oldest day's goes; the table should stop growing after the first days.
"""

import argparse
import asyncio
import time

from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncEngine

from tests.servers.postgres import Postgres
from tests.servers.programs import running
from zoneledger.application.rebuild import ROWS_AT_ONCE
from zoneledger.application.stored import EventRow
from zoneledger.storage.engines import open_engines, transaction
from zoneledger.storage.schema import migrate
from zoneledger.storage.store import SqlStore

CELLS = [f"bench/line-1/cell-{number}" for number in range(30)]
BODY = '{"v":1,"boot":1,"seq":%d,"at":"2026-11-25T06:00:00.000000Z","type":"fastener","zone":"1","operation":"fasten","result":"good"}'
KEPT_DAYS = 2


async def _fill(store: SqlStore, day: int, each: int) -> None:
    for cell in CELLS:
        async with store.writing() as writing:
            head = (await writing.lock_heads([cell]))[cell]
            numbers = range(day * each + 1, (day + 1) * each + 1)
            await writing.add_events([EventRow(head.cell_id, 1, n, n, n, "fastener", BODY % n) for n in numbers])


async def _forget(store: SqlStore, day: int, each: int) -> float:
    began_s = time.perf_counter()
    for cell in CELLS:
        done = False
        while not done:
            async with store.writing() as writing:
                head = (await writing.heads([cell]))[cell]
                done = await writing.forget_messages(head.cell_id, (1, (day + 1) * each), ROWS_AT_ONCE)
    return time.perf_counter() - began_s


async def _size(engine: AsyncEngine) -> float:
    """Return the size of the events with their indexes, in MB, once what was deleted may be used again."""
    async with engine.execution_options(isolation_level="AUTOCOMMIT").connect() as connection:
        await connection.execute(text("VACUUM events"))
    async with transaction(engine) as connection:
        return float(await connection.scalar(text("SELECT pg_total_relation_size('events')")) or 0) / 1e6


async def measure(url: str, days: int, each: int) -> None:
    """Print a line for each day, and what one DELETE takes for the last."""
    await migrate(url)
    engines = open_engines(url)
    store = SqlStore(engines)
    for day in range(days):
        await _fill(store, day, each)
        forgotten_s = await _forget(store, day - KEPT_DAYS, each) if day >= KEPT_DAYS else 0.0
        rate = f"{each * len(CELLS) / forgotten_s:9,.0f} rows/s" if forgotten_s else " " * 16
        print(f"day {day}: forgotten at {rate}, then {await _size(engines.write):7.1f} MB", flush=True)
    began_s = time.perf_counter()
    async with transaction(engines.write) as connection:
        gone = await connection.execute(text("DELETE FROM events WHERE seq <= :seq"), {"seq": (days - 1) * each})
    print(f"one DELETE: {gone.rowcount / (time.perf_counter() - began_s):9,.0f} rows/s")
    await store.close()


def main() -> None:
    """Print how fast days of events are forgotten, and the room that they take."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--days", type=int, default=6)
    parser.add_argument("--events", type=int, default=20_000, help="of each of 30 cells and day")
    arguments = parser.parse_args()
    with running(Postgres(fsync=True)) as postgres:
        asyncio.run(measure(postgres.url(postgres.create_database()), arguments.days, arguments.events))


if __name__ == "__main__":
    main()
