"""Refused messages: listed, counted, locked to be offered again, changed and removed."""

from collections.abc import Sequence
from typing import Any, Literal

from sqlalchemy import BigInteger, ColumnElement, Row, bindparam, delete, func, insert, select, update
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Listed, RefusedFilter, RefusedRow, RefusedSize
from zoneledger.storage import tables as t
from zoneledger.storage.lists import rows_of

_c = t.refused.c


def _among(connection: AsyncConnection, ids: Sequence[int]) -> ColumnElement[bool]:
    return _c.id.in_(rows_of(connection, {"id": BigInteger}, [(number,) for number in ids]))


def _where(connection: AsyncConnection, which: RefusedFilter) -> list[ColumnElement[bool]]:
    rules = [_c.id > which.after_id] if which.after_id else []
    if which.upto_id is not None:
        rules.append(_c.id <= which.upto_id)
    if which.cell is not None:
        rules.append(_c.cell == which.cell)
    if which.reason is not None:
        rules.append(_c.reason == which.reason)
    if which.arrived_us is not None:
        rules += [_c.arrived_us >= which.arrived_us[0], _c.arrived_us < which.arrived_us[1]]
    if which.ids is not None:
        rules.append(_among(connection, which.ids))
    return rules


def _listed(row: Row[Any]) -> Listed[RefusedRow]:
    return Listed(row.id, row.cell, RefusedRow._make(tuple(row)[1:]))


async def read_refused(connection: AsyncConnection, which: RefusedFilter, limit: int) -> list[Listed[RefusedRow]]:
    """Return the first of those refused messages, in the order of their numbers."""
    query = select(t.refused).where(*_where(connection, which)).order_by(_c.id).limit(limit)
    return [_listed(row) for row in (await connection.execute(query)).all()]


async def read_sizes(connection: AsyncConnection, which: RefusedFilter, limit: int) -> list[RefusedSize]:
    """Return the first of those refused messages without their bytes."""
    query = select(_c.id, _c.cell, func.length(_c.body)).where(*_where(connection, which)).order_by(_c.id).limit(limit)
    return [RefusedSize(*row) for row in (await connection.execute(query)).all()]


async def last_id(connection: AsyncConnection) -> int:
    """Return the highest number, 0 where there is none."""
    return int(await connection.scalar(select(func.coalesce(func.max(_c.id), 0))) or 0)


async def count(
    connection: AsyncConnection, by: Literal["reason", "cell"], which: RefusedFilter, limit: int
) -> list[tuple[str, int]]:
    """Return how many of those refused messages have the same reason or cell, the most first; of equal ones the first to come."""
    number = func.count()
    query = select(_c[by], number).where(*_where(connection, which)).group_by(_c[by])
    query = query.order_by(number.desc(), func.min(_c.id)).limit(limit)
    return [(name, how_many) for name, how_many in (await connection.execute(query)).all()]


async def add(connection: AsyncConnection, rows: Sequence[RefusedRow]) -> None:
    """Insert refused messages."""
    if rows:
        await connection.execute(insert(t.refused), [row._asdict() for row in rows])


async def lock(connection: AsyncConnection, ids: Sequence[int]) -> list[Listed[RefusedRow]]:
    """Return those rows, locked until the end of the transaction, without those that are locked already."""
    query = select(t.refused).where(_among(connection, ids)).order_by(_c.id).with_for_update(skip_locked=True)
    return [_listed(row) for row in (await connection.execute(query)).all()]


async def remove(connection: AsyncConnection, ids: Sequence[int]) -> None:
    """Delete rows."""
    if ids:
        await connection.execute(delete(t.refused).where(_among(connection, ids)))


async def change(connection: AsyncConnection, rows: Sequence[tuple[int, str, str]]) -> None:
    """Give rows, by their numbers, another reason and detail."""
    if rows:
        query = update(t.refused).where(_c.id == bindparam("number"))
        query = query.values(reason=bindparam("other_reason"), detail=bindparam("other_detail"))
        names = ("number", "other_reason", "other_detail")
        await connection.execute(query, [dict(zip(names, row, strict=True)) for row in rows])
