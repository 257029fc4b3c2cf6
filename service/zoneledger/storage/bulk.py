"""Inserts many rows as the drivers take them fastest: tuples in the columns' order, with no dictionary for each."""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Dialect, Table, bindparam, insert
from sqlalchemy.ext.asyncio import AsyncConnection


@lru_cache(maxsize=64)
def _statement(table: Table, names: tuple[str, ...], dialect: Dialect) -> str:
    values: dict[str, Any] = {name: bindparam(name, type_=table.c[name].type) for name in names}
    return str(insert(table).inline().values(values).compile(dialect=dialect))


async def insert_tuples(
    connection: AsyncConnection, table: Table, names: tuple[str, ...], rows: Sequence[tuple[Any, ...]]
) -> None:
    """Insert rows, each with a value for each of the named columns, in the table's own order of columns."""
    if rows:
        statement = _statement(table, names, connection.dialect)
        await connection.exec_driver_sql(statement, list(rows))
