"""Engines for SQLite and PostgreSQL: one that writes, one that only reads, with each database's own settings."""

import math
import sqlite3
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import DBAPIError, DisconnectionError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from zoneledger.core.errors import StoreUnavailable
from zoneledger.storage.passwords import PasswordUnreadable, connecting, password_file

BUSY_TIMEOUT_MS = 10_000
POSTGRESQL_PORT = 5432
#: How long PostgreSQL may take to let us in, and for one statement. Longer than this a statement waits only for whoever
#: holds a lock, or for an answer over a connection that is dead and was never closed.
CONNECT_S, WRITE_S, READ_S = 10.0, 10.0, 30.0
#: After how many steps of SQLite, some ms, it is looked whether a statement has taken too long.
STEPS_AT_ONCE = 100_000
#: How many connections PostgreSQL has from a store: for what is written, for what is read, and for looks by one statement.
WRITERS, READERS, LOOKS = 2, 8, 4
#: How many read a file of SQLite.
FILE_READERS = 4
#: A process that stands still inside a transaction keeps its locks on PostgreSQL for no longer; ours do not by themselves.
STANDING_STILL_MS = 8_000

#: What a caller is told of an outage, by SQLSTATE or its class.
SQLSTATE_OUTAGES = {
    "08": "the connection was lost",
    "25006": "it can only be read",
    "25P03": "this process stood still inside a transaction",
    "28": "it refuses the service's account",
    "3D": "it is not there",
    "40": "another transaction was in the way",
    "53100": "its disk is full",
    "53": "it is short of connections or memory",
    "57": "it stops, starts or was interrupted",
    "58": "its disk fails",
    "XX001": "its files are damaged",
    "XX002": "its files are damaged",
}
#: The same by SQLite's primary code. A disk that fails to read is told as a damaged file, too.
SQLITE_OUTAGES = {
    sqlite3.SQLITE_BUSY: "it is locked by another",
    sqlite3.SQLITE_LOCKED: "it is locked by another",
    sqlite3.SQLITE_INTERRUPT: "it took too long",
    sqlite3.SQLITE_NOMEM: "it is short of memory",
    sqlite3.SQLITE_READONLY: "it can only be read",
    sqlite3.SQLITE_IOERR: "its disk fails",
    sqlite3.SQLITE_CORRUPT: "its disk fails, or its file is damaged",
    sqlite3.SQLITE_NOTADB: "its file is no SQLite database, or its begin is damaged",
    sqlite3.SQLITE_FULL: "its disk is full",
    sqlite3.SQLITE_CANTOPEN: "its file cannot be opened",
    sqlite3.SQLITE_PROTOCOL: "it is locked by another",
}


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


def _prepare_sqlite(engine: AsyncEngine, begin: str | None, *, read_only: bool) -> None:
    """Give each connection its pragmas and begin transactions as told (SQLite's own BEGIN fails late when it writes), or none."""

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

    target: Engine = engine.sync_engine
    event.listen(target, "connect", on_connect)
    if begin is not None:
        event.listen(target, "begin", lambda connection: connection.exec_driver_sql(begin))
    if read_only:
        _bound_statements(target)


def _bound_statements(target: Engine) -> None:
    """Interrupt each statement that takes longer than READ_S, as PostgreSQL's driver does."""

    def on_connect(connection: Any, record: Any) -> None:
        raw, info = connection.driver_connection, record.info

        def takes_too_long() -> bool:
            begun_s: float = info.get("begun_s", math.inf)
            return time.monotonic() - begun_s > READ_S

        connection.run_async(lambda _: raw.set_progress_handler(takes_too_long, STEPS_AT_ONCE))

    def before_execute(connection: Any, *_: Any) -> None:
        connection.info["begun_s"] = time.monotonic()

    event.listen(target, "connect", on_connect)
    event.listen(target, "before_cursor_execute", before_execute)


class DatabaseMissing(StoreUnavailable):
    """The file of an SQLite database is not there."""


@dataclass(frozen=True)
class Engines:
    """`write` changes the database, `read` cannot; `look` is for one statement that reads, without a transaction around it."""

    write: AsyncEngine
    read: AsyncEngine
    look: AsyncEngine

    async def dispose(self) -> None:
        """Close all connections."""
        await self.write.dispose()
        await self.read.dispose()
        await self.look.dispose()


def check_there(database_url: str) -> None:
    """Raise DatabaseMissing for a file of SQLite that is not there: whoever opens it, be it to read, makes an empty one."""
    url = driver_url(database_url)
    if url.get_backend_name() == "sqlite" and not Path(url.database or "").is_file():
        raise DatabaseMissing(f"there is no file {url.database} with a database")


def open_engines(database_url: str, readers: int = READERS) -> Engines:
    """Return engines for a URL, with at most so many connections that read; nothing is connected yet."""
    url = driver_url(database_url)
    if url.get_backend_name() == "sqlite":
        write = create_async_engine(url, pool_size=1, max_overflow=0, hide_parameters=True)
        read = create_async_engine(url, pool_size=min(readers, FILE_READERS), max_overflow=0, hide_parameters=True)
        # What is asked by one statement needs no transaction: neither its begin and end, nor a rollback after it.
        whole: dict[str, Any] = {"isolation_level": "AUTOCOMMIT", "pool_reset_on_return": None}
        look = create_async_engine(url, pool_size=LOOKS, max_overflow=0, hide_parameters=True, **whole)
        _prepare_sqlite(write, "BEGIN IMMEDIATE", read_only=False)
        _prepare_sqlite(read, "BEGIN", read_only=True)
        _prepare_sqlite(look, None, read_only=True)
        return Engines(write, read, look)
    write = _postgresql(url, WRITERS, WRITE_S, {"idle_in_transaction_session_timeout": str(STANDING_STILL_MS)})
    read = _postgresql(url, readers, READ_S, {"default_transaction_read_only": "on"}, isolation_level="REPEATABLE READ")
    look = _postgresql(url, LOOKS, READ_S, {"default_transaction_read_only": "on"}, isolation_level="AUTOCOMMIT")
    return Engines(write, read, look)


def _postgresql(url: URL, connections: int, longest_s: float, settings: dict[str, str], **options: str) -> AsyncEngine:
    settings = {"timezone": "UTC", "application_name": "zoneledger"} | settings
    limits = {"timeout": CONNECT_S, "command_timeout": longest_s}
    url, secret = connecting(url)
    arguments = {"server_settings": settings, **limits, **secret}
    # None beyond those that are kept: to open one costs more than to wait for one.
    bounds = {"pool_size": connections, "max_overflow": 0}
    engine = create_async_engine(url, connect_args=arguments, hide_parameters=True, **bounds, **options)
    event.listen(engine.sync_engine, "checkout", _leave_dead)
    return engine


def _leave_dead(connection: Any, *_: Any) -> None:
    """Let the pool open another connection where this one has ended: asking the server first would cost three round trips."""
    if connection.driver_connection.is_closed():
        raise DisconnectionError


def _outage(error: Exception) -> str | None:
    """Return in words why the same call may succeed later: the database is away, full or busy; None: the call is wrong."""
    if isinstance(error, PoolTimeoutError):
        return "all connections to it are in use"
    if isinstance(error, PasswordUnreadable):
        return str(error)
    if isinstance(error, OSError):
        return "it took too long" if isinstance(error, TimeoutError) else "there is no connection to it"
    if not isinstance(error, DBAPIError):
        return None
    sqlstate = getattr(error.orig, "sqlstate", None) or ""
    sqlite_code = getattr(error.orig, "sqlite_errorcode", 0) & 0xFF
    if error.connection_invalidated:
        return SQLSTATE_OUTAGES["08"]
    return SQLSTATE_OUTAGES.get(sqlstate) or SQLSTATE_OUTAGES.get(sqlstate[:2]) or SQLITE_OUTAGES.get(sqlite_code)


@contextmanager
def naming(database_url: str) -> Iterator[None]:
    """Let StoreUnavailable say which database it is, for whoever starts the service: callers of the API are not told."""
    try:
        yield
    except StoreUnavailable as error:
        raise StoreUnavailable(f"{error} ({place_of(database_url)})") from error


def place_of(database_url: str) -> str:
    """Return where a database is, and the account; never the password."""
    url = driver_url(database_url)
    if url.get_backend_name() == "sqlite":
        return f"file {url.database}"
    host = "no host named" if url.host is None else f"host {url.host}, port {url.port or POSTGRESQL_PORT}"
    user = "no user named" if url.username is None else f"user {url.username}"
    file = password_file(url)
    secret = "" if file is None else f", password in {file}"
    return f"{host}, database {url.database or 'not named'}, {user}{secret}"


@asynccontextmanager
async def transaction(engine: AsyncEngine) -> AsyncIterator[AsyncConnection]:
    """Begin a transaction, commit at its end, roll back on an error; an outage is raised as StoreUnavailable."""
    begun = False
    try:
        async with engine.begin() as connection:
            begun = True
            yield connection
    except (SQLAlchemyError, OSError) as error:
        # Before the transaction has begun, it cannot be the fault of what is to be written.
        why = _outage(error) or (None if begun else "no transaction can be begun")
        if why is not None:
            raise StoreUnavailable(f"the database does not answer: {why}") from error
        raise
