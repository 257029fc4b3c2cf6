"""Inserts many rows as each database takes them fastest, SQLite row by row in one call, PostgreSQL column by column; deletes some."""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, Dialect, Table, delete, select, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection


@lru_cache(maxsize=64)
def _statement(table: Table, names: tuple[str, ...], dialect: Dialect) -> str:
    if dialect.name == "postgresql":
        types = (table.c[name].type.compile(dialect) for name in names)
        values = ", ".join(f"${number}::{kind}[]" for number, kind in enumerate(types, 1))
        return f"INSERT INTO {table.name} ({', '.join(names)}) SELECT * FROM unnest({values})"
    return f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"


async def insert_tuples(
    connection: AsyncConnection, table: Table, names: tuple[str, ...], rows: Sequence[tuple[Any, ...]]
) -> None:
    """Insert rows, each with a value for each of the named columns of a table."""
    if not rows:
        return
    statement = _statement(table, names, connection.dialect)
    if connection.dialect.name == "postgresql":
        columns = tuple(list(column) for column in zip(*rows, strict=True))
        await connection.exec_driver_sql(statement, columns)
    else:
        await connection.exec_driver_sql(statement, list(rows))


async def delete_some(connection: AsyncConnection, table: Table, which: ColumnElement[bool], rows: int) -> bool:
    """Delete at most so many of the rows that are such; return whether none is left."""
    key = list(table.primary_key.columns)
    some = select(*key).where(which).limit(rows)
    return (await connection.execute(delete(table).where(tuple_(*key).in_(some)))).rowcount < rows
