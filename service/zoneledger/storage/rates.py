"""Fasteners of planned time by kind and seconds, and the stretch of time in which the most were made."""

from collections.abc import Sequence

from sqlalchemy import BigInteger, ColumnElement, Integer, Subquery, Text, func, literal_column, select, true
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.core.rates import Made, Piece
from zoneledger.storage import tables as t
from zoneledger.storage.lists import Columns, rows_of

_PIECE: Columns = {"cell": Text, "part": Integer, "from_us": BigInteger, "to_us": BigInteger}
_f = t.fasteners.c
_FASTENER = (_f.at_us, _f.operation, _f.item, _f.program, _f.result, _f.verdict, _f.seconds)


def _made(connection: AsyncConnection, pieces: Sequence[Piece], zone: str | None) -> Subquery:
    """Return the fasteners made in pieces of time in a zone (None: in any), each with the part that its piece belongs to."""
    piece = rows_of(connection, _PIECE, pieces).cte("piece")
    cell = t.heads.c.cell == piece.c.cell
    within = [_f.ledger_id == t.heads.c.ledger_id, _f.at_us >= piece.c.from_us, _f.at_us < piece.c.to_us]
    if zone is not None:
        within.append(_f.zone == zone)
    if connection.dialect.name == "postgresql":  # the offset keeps it from comparing each fastener with each piece
        inside = select(*_FASTENER).where(*within).offset(0).lateral("inside")
        return select(piece.c.part, inside).select_from(piece.join(t.heads, cell).join(inside, true())).subquery("made")
    return select(piece.c.part, *_FASTENER).where(cell, *within).subquery("made")


async def count_made(connection: AsyncConnection, pieces: Sequence[Piece], zone: str | None) -> list[Made]:
    """Return the fasteners made in pieces of time, counted by part, kind, results and seconds."""
    made = _made(connection, pieces, zone).c
    final = func.coalesce(made.verdict, made.result).label("final")
    by = (made.part, made.operation, made.item, made.program, made.result, final, made.seconds)
    rows = (await connection.execute(select(*by, func.count()).group_by(*by))).all()
    return [Made(*row) for row in rows]


async def busiest(
    connection: AsyncConnection, pieces: Sequence[Piece], zone: str | None, length_us: int, last_us: int
) -> tuple[int, int] | None:
    """Return (begin, number) of the stretch of `length_us` in which the most fasteners were made, the first of equal ones.

    A stretch begins with a fastener, or at `last_us`, and no later: any other one has no more than one of these.
    """
    made = _made(connection, pieces, zone)
    # A window function reads them once, in order; the frame is [at_us, at_us + length_us), those of the same instant included.
    # As text: SQLAlchemy would bind the length as 32 bits, which an hour of microseconds does not fit into.
    frame = f"RANGE BETWEEN CURRENT ROW AND {length_us - 1:d} FOLLOWING"
    following: ColumnElement[int] = literal_column(f"count(*) OVER (ORDER BY made.at_us {frame})")
    begun = select(made.c.at_us, following.label("number")).subquery("begun")
    query = select(begun).where(begun.c.at_us <= last_us).order_by(begun.c.number.desc(), begun.c.at_us).limit(1)
    first = (await connection.execute(query)).one_or_none()
    in_last = select(func.count()).select_from(made).where(made.c.at_us >= last_us, made.c.at_us < last_us + length_us)
    number = int(await connection.scalar(in_last) or 0)
    if first is not None and first.number >= number:
        return int(first.at_us), int(first.number)
    return (last_us, number) if number else None
