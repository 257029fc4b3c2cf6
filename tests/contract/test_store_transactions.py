"""The Store port: writers and readers at once, and a database that is away, full, locked or of another collation."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import asyncpg
import pytest

from tests.contract.recording import CELL, NOW_US, TWIN
from tests.contract.rows import A, B, event
from tests.contract.stores import Stores
from tests.servers.postgres import Postgres
from zoneledger.application.ports import Store
from zoneledger.application.stored import SnapshotRow
from zoneledger.core.errors import StoreUnavailable
from zoneledger.storage.engines import open_engines, transaction
from zoneledger.storage.schema import migrate
from zoneledger.storage.store import SqlStore

SOON_S = 60.0


async def _count_up(store: Store, cells: list[str], times: int) -> None:
    for _ in range(times):
        async with store.writing() as writing:
            heads = await writing.lock_heads(cells)
            for head in heads.values():
                head.counts["events"] = head.counts.get("events", 0) + 1
            await writing.save_heads(heads.values())


async def test_writers_at_once_lose_no_update_and_never_wait_for_each_other_in_a_circle(
    store_url: str, store: Store, stores: Stores
) -> None:
    other = store if store_url == "memory" else await stores.open_another(store_url)
    orders = [[A, B], [B, A], [A], [B, "harbour/wing-1/cell-3", A]]
    work = [_count_up(one, cells, 25) for cells in orders for one in (store, other)]
    await asyncio.wait_for(asyncio.gather(*work), SOON_S)
    async with store.reading() as reading:
        heads = await reading.heads([A, B])
    assert heads[A].counts == {"events": 200}
    assert heads[B].counts == {"events": 150}


async def test_versions_of_the_plant_declared_at_once_get_one_number_each(
    store_url: str, store: Store, stores: Stores
) -> None:
    other = store if store_url == "memory" else await stores.open_another(store_url)

    async def declare(one: Store) -> int:
        async with one.writing() as writing:
            await writing.lock_plants()
            return await writing.add_plant("{}", NOW_US)

    numbers = await asyncio.wait_for(asyncio.gather(*(declare(one) for one in (store, other) * 5)), SOON_S)
    assert sorted(numbers) == list(range(1, 11))


async def test_a_reader_sees_one_state_however_often_it_looks(store: Store) -> None:
    await _count_up(store, [A], 1)
    async with store.reading() as reading:
        before = await reading.heads([A])
        await _count_up(store, [A, B], 1)
        async with store.writing() as writing:
            await writing.add_plant("{}", 1)
        assert await reading.heads([A, B]) == before
        assert await reading.plant_version() == 0
    async with store.reading() as reading:
        assert (await reading.heads([A, B])).keys() == {A, B}
        assert await reading.plant_version() == 1


async def test_readers_do_not_see_what_is_not_committed(store: Store) -> None:
    async with store.writing() as writing:
        await writing.add_plant("{}", 1)
        async with store.reading() as reading:
            assert await reading.plant_version() == 0


async def _store_an_event(store: Store, seq: int) -> None:
    async with store.writing() as writing:
        head = (await writing.lock_heads([CELL]))[CELL]
        await writing.add_events([event(head.cell_id, 1, seq)])


@pytest.fixture
async def crashing(own_postgres: Postgres) -> AsyncIterator[tuple[Postgres, Store]]:
    """A cluster that may be ended, and a store in it."""
    url = own_postgres.url("postgres")
    await migrate(url)
    store = SqlStore(open_engines(url))
    yield own_postgres, store
    await store.close()


async def test_postgresql_away_is_an_outage_and_all_goes_on_after_it(crashing: tuple[Postgres, Store]) -> None:
    postgres, store = crashing
    await _store_an_event(store, 1)
    postgres.kill()
    with pytest.raises(StoreUnavailable):
        await _store_an_event(store, 2)
    with pytest.raises(StoreUnavailable):
        await _heads(store)
    await asyncio.to_thread(postgres.start)
    await _store_an_event(store, 2)
    assert (await _heads(store)) == {CELL}


async def _heads(store: Store) -> set[str]:
    async with store.reading() as reading:
        return set(await reading.heads([CELL, TWIN]))


async def test_postgresql_ended_within_a_transaction_is_an_outage_and_leaves_nothing(
    crashing: tuple[Postgres, Store],
) -> None:
    postgres, store = crashing
    with pytest.raises(StoreUnavailable):
        await _store_and_end(store, postgres)
    await asyncio.to_thread(postgres.start)
    assert await _heads(store) == set()


async def _store_and_end(store: Store, postgres: Postgres) -> None:
    async with store.writing() as writing:
        await writing.lock_heads([CELL])
        postgres.stop()
        await writing.lock_heads([TWIN])


async def test_postgresql_that_takes_no_more_connections_is_an_outage(crashing: tuple[Postgres, Store]) -> None:
    postgres, store = crashing
    held: list[asyncpg.Connection] = []
    with pytest.raises(asyncpg.TooManyConnectionsError):
        await _take_all_connections(postgres, held)
    try:
        with pytest.raises(StoreUnavailable):
            await _heads(store)
    finally:
        for connection in held:
            await connection.close()
    assert await _heads(store) == set()


async def _take_all_connections(postgres: Postgres, held: list[asyncpg.Connection]) -> None:
    while len(held) < 1000:
        held.append(await asyncpg.connect(postgres.url("postgres")))


async def test_a_deadlock_is_an_outage_to_be_tried_again(postgres_url: str, stores: Stores) -> None:
    store = await stores.open(postgres_url)
    await _count_up(store, [A, B], 1)
    both_hold_one = asyncio.Barrier(2)

    async def lock(first: str, second: str) -> None:
        async with store.writing() as writing:
            await writing.lock_heads([first])
            await both_hold_one.wait()
            await writing.lock_heads([second])

    answers = await asyncio.wait_for(asyncio.gather(lock(A, B), lock(B, A), return_exceptions=True), SOON_S)
    assert {type(one) for one in answers} == {StoreUnavailable, type(None)}


async def test_a_lock_that_is_not_let_go_is_an_outage(
    postgres_url: str, stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("zoneledger.storage.engines.WRITE_S", 0.5)
    store = await stores.open(postgres_url)
    other = await asyncpg.connect(postgres_url)
    try:
        await other.execute("BEGIN; LOCK TABLE events")
        with pytest.raises(StoreUnavailable, match="took too long"):
            await asyncio.wait_for(_store_an_event(store, 1), SOON_S)
    finally:
        await other.close()
    await _store_an_event(store, 1)


@pytest.fixture
def sqlite_url(tmp_path: Path) -> str:
    """The URL of a database file."""
    return f"sqlite:///{tmp_path / 'ledger.db'}"


@pytest.fixture
def locked_sqlite(sqlite_url: str) -> Iterator[sqlite3.Connection]:
    """A connection of somebody else to the database file."""
    connection = sqlite3.connect(sqlite_url.removeprefix("sqlite:///"), isolation_level=None)
    yield connection
    connection.close()


async def test_sqlite_locked_by_another_is_an_outage(
    sqlite_url: str, stores: Stores, locked_sqlite: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("zoneledger.storage.engines.BUSY_TIMEOUT_MS", 50)
    store = await stores.open(sqlite_url)
    locked_sqlite.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailable):
        await _store_an_event(store, 1)
    locked_sqlite.execute("ROLLBACK")
    await _store_an_event(store, 1)


async def test_sqlite_full_is_an_outage_and_leaves_nothing(sqlite_url: str, stores: Stores) -> None:
    store = await stores.open(sqlite_url)
    await _store_an_event(store, 1)
    async with stores.engines[sqlite_url].write.connect() as connection:
        pages = (await connection.exec_driver_sql("PRAGMA page_count")).scalar_one()
        await connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreUnavailable):
        await _store_much(store)
    async with store.writing() as writing:
        assert len(await writing.events_after(1, None, 9)) == 1


async def _store_much(store: Store) -> None:
    async with store.writing() as writing:
        await writing.add_events([event(1, 2, seq, "x" * 4000) for seq in range(1, 99)])


def _damage(path: Path) -> None:
    """Spoil the head of every page but the first two."""
    with path.open("r+b") as file:
        for start in range(2 * 4096, path.stat().st_size, 4096):
            file.seek(start)
            file.write(b"\xff" * 100)


async def test_a_damaged_sqlite_file_is_an_outage(sqlite_url: str, stores: Stores) -> None:
    store = await stores.open(sqlite_url)
    await _store_an_event(store, 1)
    await _store_much(store)
    await store.close()
    _damage(Path(sqlite_url.removeprefix("sqlite:///")))
    damaged = SqlStore(open_engines(sqlite_url))
    with pytest.raises(StoreUnavailable, match="damaged"):
        await _store_an_event(damaged, 2)
    await damaged.close()


async def test_sqlite_in_a_folder_that_is_not_there_is_an_outage(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable):
        await migrate(f"sqlite:///{tmp_path / 'none' / 'ledger.db'}")


ENDLESS = {
    "postgresql": "SELECT pg_sleep(600)",
    "sqlite": "WITH RECURSIVE numbers (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM numbers) SELECT count(*) FROM numbers",
}


async def test_a_statement_that_reads_for_too_long_is_interrupted(
    sql_url: str, stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("zoneledger.storage.engines.READ_S", 0.3)
    store = await stores.open(sql_url)
    with pytest.raises(StoreUnavailable, match="took too long"):
        async with transaction(stores.engines[sql_url].read) as connection:
            await asyncio.wait_for(connection.exec_driver_sql(ENDLESS[sql_url.partition(":")[0]]), SOON_S)
    async with store.reading() as reading:
        assert await reading.cells() == []


async def test_readers_cannot_write(sql_url: str, stores: Stores) -> None:
    await stores.open(sql_url)
    async with stores.engines[sql_url].read.connect() as connection:
        with pytest.raises(Exception, match=r"read-?only"):
            await connection.exec_driver_sql("DELETE FROM plants")


@pytest.fixture
def icu_url(postgres: Postgres) -> Iterator[str]:
    """A database that orders texts as a dictionary does."""
    name = "dictionary"
    statement = f"CREATE DATABASE {name} TEMPLATE template0 LOCALE_PROVIDER icu ICU_LOCALE 'en'"

    async def create() -> None:
        connection = await asyncpg.connect(postgres.url())
        await connection.execute(statement)
        await connection.close()

    asyncio.run(create())
    yield postgres.url(name)
    postgres.drop_database(name)


async def test_snapshots_come_in_the_same_order_whatever_the_collation(icu_url: str, stores: Stores) -> None:
    store = await stores.open(icu_url)
    async with store.writing() as writing:
        head = (await writing.lock_heads([CELL]))[CELL]
        bodies = ('{"a":"B"}', '{"a":"a"}', '{"a":"b"}')
        rows = [SnapshotRow(head.cell_id, 1, 0, 5, body) for body in bodies]
        await writing.add_snapshots(rows[::-1])
        assert await writing.snapshots_between(head.cell_id, None, None) == rows
