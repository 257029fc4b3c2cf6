"""What a database tells of itself: its version, schema, settings, size and clock; nothing of it is changed."""

import json
import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, select, text
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Room
from zoneledger.storage import tables as t
from zoneledger.storage.engines import check_there, driver_url, naming, open_engines, transaction
from zoneledger.storage.present_schema import revision_of, wanted
from zoneledger.storage.room import room_of

#: The settings of PostgreSQL that bear on what is promised; times are in ms.
POSTGRESQL_SETTINGS = (
    "archive_mode",
    "autovacuum",
    "data_checksums",
    "fsync",
    "full_page_writes",
    "lock_timeout",
    "max_connections",
    "reserved_connections",
    "server_encoding",
    "statement_timeout",
    "superuser_reserved_connections",
    "synchronous_commit",
    "TimeZone",
    "transaction_read_only",
    "transaction_timeout",
)


@dataclass(frozen=True)
class DatabaseFacts:
    """What was found; `schema` is None where there is none yet, and `wanted` this program's.

    `messages` are those kept since `since_us`, the arrival of the first event. PostgreSQL tells how far its clock is ahead,
    how many connections are in use, whether ours is encrypted, and whether it failed to archive its log last; SQLite its `file`.
    """

    kind: str
    version: tuple[int, ...]
    schema: str | None
    wanted: str | None
    settings: Mapping[str, str]
    room: Room
    messages: int = 0
    since_us: int | None = None
    plant: str | None = None
    clock_ahead_us: int | None = None
    connections: int | None = None
    archiving_fails: bool = False
    encrypted: bool | None = None
    file: Path | None = None


async def examine_database(database_url: str, now_us: Callable[[], int]) -> DatabaseFacts:
    """Return what a database tells; raise StoreUnavailable while it does not answer, DatabaseMissing where there is no file."""
    check_there(database_url)
    is_file = driver_url(database_url).get_backend_name() == "sqlite"
    engines = open_engines(database_url)
    try:
        with naming(database_url):
            # That of PostgreSQL which writes: the other one is told to only read, and would hide whether the server does.
            async with transaction(engines.read if is_file else engines.write) as connection:
                look = _look_at_sqlite if is_file else _look_at_postgresql
                return await look(connection, await room_of(engines.read), now_us)
    finally:
        await engines.dispose()


class _Kept:
    """What a database of this program keeps; read off the tables that every version has."""

    def __init__(self, connection: Connection) -> None:
        self.schema = revision_of(connection)
        self.messages, self.since_us, self.plant = 0, None, None
        if self.schema is not None:
            counts = [json.loads(row) for row in connection.scalars(select(t.heads.c.counts))]
            self.messages = sum(one.get("events", 0) + one.get("snapshots", 0) for one in counts)
            self.since_us = connection.scalar(select(t.events.c.arrived_us).order_by(t.events.c.id).limit(1))
            self.plant = connection.scalar(select(t.plants.c.document).order_by(t.plants.c.version.desc()).limit(1))


async def _look_at_sqlite(connection: AsyncConnection, room: Room, _: Callable[[], int]) -> DatabaseFacts:
    kept = await connection.run_sync(_Kept)
    names = ("journal_mode", "encoding", "page_size", "freelist_count")
    settings = {name: str(await connection.scalar(text(f"PRAGMA {name}"))) for name in names}
    return DatabaseFacts(
        "sqlite",
        sqlite3.sqlite_version_info,
        kept.schema,
        wanted(),
        settings,
        room,
        kept.messages,
        kept.since_us,
        kept.plant,
        file=Path(connection.engine.url.database or ""),
    )


async def _look_at_postgresql(connection: AsyncConnection, room: Room, now_us: Callable[[], int]) -> DatabaseFacts:
    kept = await connection.run_sync(_Kept)
    rows = await connection.execute(text("SELECT name, setting FROM pg_settings"))
    settings = {name: value for name, value in rows.all() if name in POSTGRESQL_SETTINGS}
    number = int(await connection.scalar(text("SELECT current_setting('server_version_num')")) or 0)
    fails = "SELECT coalesce(last_failed_time > coalesce(last_archived_time, '-infinity'), false) FROM pg_stat_archiver"
    return DatabaseFacts(
        "postgresql",
        (number // 10_000, number % 10_000),
        kept.schema,
        wanted(),
        settings,
        room,
        kept.messages,
        kept.since_us,
        kept.plant,
        clock_ahead_us=await _ahead_us(connection, now_us),
        connections=int(await connection.scalar(text("SELECT sum(numbackends) FROM pg_stat_database")) or 0),
        archiving_fails=bool(await connection.scalar(text(fails))),
        encrypted=bool(await connection.scalar(text("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()"))),
    )


async def _ahead_us(connection: AsyncConnection, now_us: Callable[[], int]) -> int:
    """Return how far the server's clock is ahead of ours: told in the middle of the time that the question took."""
    asked_us = now_us()
    told = text("SELECT cast(extract(epoch FROM clock_timestamp()) * 1000000 AS bigint)")
    told_us = int(await connection.scalar(told) or 0)
    return told_us - (asked_us + now_us()) // 2
