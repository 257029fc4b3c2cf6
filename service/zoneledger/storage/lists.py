"""Lists of values as rows that SQL joins with: one bound value and one statement text, however many they are."""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import ARRAY, BigInteger, Select, Text, bindparam, column, func, select, type_coerce
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlalchemy.types import TypeEngine

Columns = dict[str, type[TypeEngine[Any]]]

#: Before every instant that a ledger knows.
BEGINNING_US = -(2**62)

KEY: Columns = {"boot": BigInteger, "seq": BigInteger}


def rows_of(connection: AsyncConnection, columns: Columns, rows: Sequence[Sequence[Any]]) -> Select[Any]:
    """Return a query that gives these rows, each as long as there are columns."""
    if connection.dialect.name == "postgresql":
        arrays = [bindparam(None, [row[i] for row in rows], ARRAY(kind)) for i, kind in enumerate(columns.values())]
        shape = [column(name, kind) for name, kind in columns.items()]
        return select(func.unnest(*arrays).table_valued(*shape).render_derived())
    entry = func.json_each(json.dumps(rows)).table_valued("value").c.value
    picked = [type_coerce(func.json_extract(entry, f"$[{i}]"), kind) for i, kind in enumerate(columns.values())]
    return select(*(value.label(name) for name, value in zip(columns, picked, strict=True)))


def texts_of(connection: AsyncConnection, texts: Sequence[str]) -> Select[Any]:
    """Return a query that gives these texts, one a row."""
    return rows_of(connection, {"listed": Text}, [(text,) for text in texts])
