"""Inserts many rows as each database takes them fastest, SQLite by statements of many, PostgreSQL by COPY; deletes some."""

from collections.abc import Sequence
from itertools import chain
from typing import Any

import asyncpg
from sqlalchemy import ColumnElement, Table, delete, func, literal_column, select
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.ext.asyncio import AsyncConnection

#: How many values SQLite takes by one statement: what each of its versions can. At the end of a statement its thread waits for
#: the interpreter, which others are using.
VALUES_AT_ONCE = 999


def _statement(table: Table, names: tuple[str, ...], rows: int) -> str:
    # Names of our own tables and columns; values are bound.
    row = f"({', '.join('?' * len(names))})"
    return f"INSERT INTO {table.name} ({', '.join(names)}) VALUES {', '.join([row] * rows)}"  # nosec B608


async def insert_tuples(
    connection: AsyncConnection, table: Table, names: tuple[str, ...], rows: Sequence[tuple[Any, ...]]
) -> None:
    """Insert rows, each with a value for each of the named columns of a table."""
    if not rows:
        return
    if connection.dialect.name == "postgresql":
        await _copy(connection, table, names, rows)
    else:
        at_once = VALUES_AT_ONCE // len(names)
        whole = len(rows) - len(rows) % at_once
        if whole:
            joined = [tuple(chain(*rows[at : at + at_once])) for at in range(0, whole, at_once)]
            await connection.exec_driver_sql(_statement(table, names, at_once), joined)
        if rest := rows[whole:]:
            await connection.exec_driver_sql(_statement(table, names, len(rest)), tuple(chain(*rest)))


async def _copy(
    connection: AsyncConnection, table: Table, names: tuple[str, ...], rows: Sequence[tuple[Any, ...]]
) -> None:
    """Let asyncpg send rows by COPY, within SQLAlchemy's transaction, and raise what SQLAlchemy would."""
    inner: Any = (await connection.get_raw_connection()).driver_connection
    if not inner.is_in_transaction():  # SQLAlchemy begins one with its first statement only
        await connection.exec_driver_sql("SELECT 1")
    try:
        await inner.copy_records_to_table(table.name, records=rows, columns=names)
    except asyncpg.IntegrityConstraintViolationError as error:
        raise IntegrityError(f"COPY {table.name}", None, error) from error
    except (asyncpg.PostgresError, asyncpg.InterfaceError) as error:
        lost = isinstance(error, (asyncpg.InterfaceError, asyncpg.PostgresConnectionError))
        raise DBAPIError(f"COPY {table.name}", None, error, connection_invalidated=lost) from error


async def delete_some(connection: AsyncConnection, table: Table, which: ColumnElement[bool], rows: int) -> bool:
    """Delete at most so many of the rows that are such; return whether none is left."""
    if connection.dialect.name == "postgresql":  # where a row lies: by its key, the whole table may be looked through
        some = select(literal_column("ctid")).select_from(table).where(which).limit(rows).scalar_subquery()
        chosen = literal_column("ctid") == func.any(func.array(some))
    else:
        chosen = literal_column("rowid").in_(
            select(literal_column("rowid")).select_from(table).where(which).limit(rows)
        )
    return (await connection.execute(delete(table).where(chosen))).rowcount < rows
