"""Fasteners counted by zone in each of the equal pieces of a window, in one statement."""

from collections.abc import Sequence

from sqlalchemy import BigInteger, func, literal, select
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import PaceCount
from zoneledger.core.spans import Interval
from zoneledger.storage import tables as t
from zoneledger.storage.lists import texts_of

_f = t.fasteners.c
_FINAL = func.coalesce(_f.verdict, _f.result)


async def count_paced(
    connection: AsyncConnection, cells: Sequence[str], zone: str | None, window: Interval, until_us: int, parts: int
) -> list[PaceCount]:
    """Return the fasteners of a window made before `until_us`, in a zone or any, counted by zone and piece."""
    start_us, end_us = window
    # 31 days of microseconds times 500 parts take 51 bits; both databases round a quotient of whole numbers down to zero.
    passed = (_f.at_us - literal(start_us, BigInteger)) * literal(parts, BigInteger)
    piece = passed.op("/", return_type=BigInteger())(literal(end_us - start_us, BigInteger)).label("piece")
    within = [_f.ledger_id == t.heads.c.ledger_id, _f.at_us >= start_us, _f.at_us < min(end_us, until_us)]
    if zone is not None:
        within.append(_f.zone == zone)
    numbers = (func.count(), func.count().filter(_FINAL == "good"))
    query = select(t.heads.c.cell, _f.zone, piece, *numbers).where(*within)
    query = query.where(t.heads.c.cell.in_(texts_of(connection, cells)))
    # By name: the same expression with values of its own would be another one to PostgreSQL.
    rows = (await connection.execute(query.group_by(t.heads.c.cell, _f.zone, "piece"))).all()
    return [PaceCount(*row) for row in rows]
