"""Lists of values as rows that SQL joins with: one bound value and one statement text, however many they are."""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import ARRAY, BigInteger, BindParameter, Select, Text, bindparam, column, func, select, type_coerce
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlalchemy.types import TypeEngine

Columns = dict[str, type[TypeEngine[Any]]]

#: Before every instant that a ledger knows.
BEGINNING_US = -(2**62)

KEY: Columns = {"boot": BigInteger, "seq": BigInteger}
TEXTS: Columns = {"listed": Text}


def rows_of(connection: AsyncConnection, columns: Columns, rows: Sequence[Sequence[Any]]) -> Select[Any]:
    """Return a query that gives these rows, each as long as there are columns."""
    values = _values(connection.dialect.name, columns, rows)
    return _rows(connection.dialect.name, columns, [bindparam(None, value, kind) for value, kind in values])


def named_rows(dialect: str, columns: Columns, name: str = "listed") -> Select[Any]:
    """Return the same for rows that are told with each execution, by `naming`: for statements that are made once.

    Each list of a statement has a name of its own.
    """
    kinds = [kind for _, kind in _values(dialect, columns, [])]
    return _rows(dialect, columns, [bindparam(f"{name}_{i}", type_=kind) for i, kind in enumerate(kinds)])


def naming(dialect: str, columns: Columns, rows: Sequence[Sequence[Any]], name: str = "listed") -> dict[str, Any]:
    """Return the parameters of an execution that give rows to `named_rows`."""
    return {f"{name}_{i}": value for i, (value, _) in enumerate(_values(dialect, columns, rows))}


def _values(dialect: str, columns: Columns, rows: Sequence[Sequence[Any]]) -> list[tuple[Any, TypeEngine[Any]]]:
    """Return what is bound for rows, each with its type: a list for each column, or all as one JSON text."""
    if dialect == "postgresql":
        return [([row[i] for row in rows], ARRAY(kind)) for i, kind in enumerate(columns.values())]
    return [(json.dumps(rows), Text())]


def _rows(dialect: str, columns: Columns, bound: Sequence[BindParameter[Any]]) -> Select[Any]:
    if dialect == "postgresql":
        shape = [column(name, kind) for name, kind in columns.items()]
        return select(func.unnest(*bound).table_valued(*shape).render_derived())
    entry = func.json_each(*bound).table_valued("value").c.value
    picked = [type_coerce(func.json_extract(entry, f"$[{i}]"), kind) for i, kind in enumerate(columns.values())]
    return select(*(value.label(name) for name, value in zip(columns, picked, strict=True)))


def texts_of(connection: AsyncConnection, texts: Sequence[str]) -> Select[Any]:
    """Return a query that gives these texts, one a row."""
    return rows_of(connection, TEXTS, [(text,) for text in texts])
