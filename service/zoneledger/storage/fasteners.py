"""Fasteners one by one, in the order of their booked times, page by page."""

from sqlalchemy import select, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import FastenerAfter
from zoneledger.core.rows import Fastener
from zoneledger.storage import tables as t

_f = t.fasteners.c
_COLUMNS = [_f[name] for name in Fastener._fields]


async def read_fasteners(
    connection: AsyncConnection, cell: str, start_us: int, end_us: int, after: FastenerAfter | None, limit: int
) -> list[tuple[Fastener, str | None]]:
    """Return the next fasteners of a cell in a window, each with the verdict that it has, after one that was read before."""
    order = (_f.at_us, _f.boot, _f.seq)
    within = (_f.ledger_id == t.heads.c.ledger_id, t.heads.c.cell == cell, _f.at_us >= start_us, _f.at_us < end_us)
    query = select(*_COLUMNS, _f.verdict).where(*within).order_by(*order).limit(limit)
    if after is not None:
        query = query.where(tuple_(*order) > after)
    rows = (await connection.execute(query)).all()
    return [(Fastener._make(tuple(row)[:-1]), row.verdict) for row in rows]
