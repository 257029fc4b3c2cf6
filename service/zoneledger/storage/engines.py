"""Engines for SQLite and PostgreSQL: one that writes, one that only reads, with each database's own settings."""

import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import DBAPIError, SQLAlchemyError, TimeoutError
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from zoneledger.core.errors import StoreUnavailable

BUSY_TIMEOUT_MS = 10_000

#: By class: connection, transaction to be tried again, resources, operator, system; 25006 is a standby that only reads.
SQLSTATE_OUTAGES = ("08", "40", "53", "57", "58", "25006")
SQLITE_OUTAGES = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_NOMEM,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_PROTOCOL,
    }
)


def driver_url(database_url: str) -> URL:
    """Return the URL with the driver this service uses; raise ValueError for another database."""
    url = make_url(database_url)
    match url.get_backend_name():
        case "sqlite":
            return url.set(drivername="sqlite+aiosqlite")
        case "postgresql":
            return url.set(drivername="postgresql+asyncpg")
        case other:
            raise ValueError(f"the database should be sqlite or postgresql, not {other}")


def _prepare_sqlite(engine: AsyncEngine, begin: str, *, read_only: bool) -> None:
    """Give each connection its pragmas and begin transactions as told (SQLite's own BEGIN fails late when it writes)."""

    def on_connect(connection: Any, _: Any) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        cursor.execute("PRAGMA foreign_keys = ON")
        if read_only:
            cursor.execute("PRAGMA query_only = ON")
        else:
            cursor.execute("PRAGMA journal_mode = WAL")
            cursor.execute("PRAGMA synchronous = FULL")
        cursor.close()

    def on_begin(connection: Any) -> None:
        connection.exec_driver_sql(begin)

    target: Engine = engine.sync_engine
    event.listen(target, "connect", on_connect)
    event.listen(target, "begin", on_begin)


@dataclass(frozen=True)
class Engines:
    """`write` changes the database, `read` cannot."""

    write: AsyncEngine
    read: AsyncEngine

    async def dispose(self) -> None:
        """Close all connections."""
        await self.write.dispose()
        await self.read.dispose()


def open_engines(database_url: str) -> Engines:
    """Return engines for a URL; nothing is connected yet."""
    url = driver_url(database_url)
    if url.get_backend_name() == "sqlite":
        write = create_async_engine(url, pool_size=1, max_overflow=0)
        read = create_async_engine(url, pool_size=4, max_overflow=0)
        _prepare_sqlite(write, "BEGIN IMMEDIATE", read_only=False)
        _prepare_sqlite(read, "BEGIN", read_only=True)
        return Engines(write, read)
    settings = {"timezone": "UTC", "application_name": "zoneledger"}
    write = create_async_engine(url, pool_size=2, pool_pre_ping=True, connect_args={"server_settings": settings})
    read = create_async_engine(
        url,
        pool_size=8,
        pool_pre_ping=True,
        isolation_level="REPEATABLE READ",
        connect_args={"server_settings": settings | {"default_transaction_read_only": "on"}},
    )
    return Engines(write, read)


def _is_outage(error: Exception) -> bool:
    """Say whether the same call may succeed later: the database is away, full or busy, and not the statement wrong."""
    if isinstance(error, (OSError, TimeoutError)):
        return True
    if not isinstance(error, DBAPIError):
        return False
    sqlstate = getattr(error.orig, "sqlstate", None) or ""
    sqlite_code = getattr(error.orig, "sqlite_errorcode", 0)
    return error.connection_invalidated or sqlstate.startswith(SQLSTATE_OUTAGES) or sqlite_code & 0xFF in SQLITE_OUTAGES


@asynccontextmanager
async def transaction(engine: AsyncEngine) -> AsyncIterator[AsyncConnection]:
    """Begin a transaction, commit at its end, roll back on an error; an outage is raised as StoreUnavailable."""
    try:
        async with engine.begin() as connection:
            yield connection
    except (SQLAlchemyError, OSError) as error:
        if _is_outage(error):
            raise StoreUnavailable(f"the database does not answer: {type(error).__name__}") from error
        raise
