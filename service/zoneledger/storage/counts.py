"""Fasteners counted by kind in each of many segments of time."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import CTE, BigInteger, ColumnElement, Integer, Select, func, select
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Count, DefectCount, PanelCount
from zoneledger.core.spans import Interval
from zoneledger.storage import tables as t
from zoneledger.storage.lists import Columns, rows_of, texts_of

_SEGMENT: Columns = {"segment": Integer, "from_us": BigInteger, "to_us": BigInteger}
_f = t.fasteners.c
_FINAL = func.coalesce(_f.verdict, _f.result)


def _segments(connection: AsyncConnection, segments: Sequence[Interval]) -> CTE:
    return rows_of(connection, _SEGMENT, [(i, *segment) for i, segment in enumerate(segments)]).cte("segments")


async def _counted(
    connection: AsyncConnection,
    cells: Sequence[str],
    segments: Sequence[Interval],
    kind: Sequence[ColumnElement[Any]],
    *rules: ColumnElement[bool],
) -> Sequence[Any]:
    """Return cell, segment, kind and number of the fasteners of each kind that the rules let through."""
    part = _segments(connection, segments)
    within = (_f.ledger_id == t.heads.c.ledger_id, _f.at_us >= part.c.from_us, _f.at_us < part.c.to_us, *rules)
    place = t.heads.c.cell, part.c.segment
    query: Select[Any] = select(*place, *kind, func.count()).where(*within).group_by(*place, *kind)
    if connection.dialect.name == "postgresql":  # else it compares each fastener with each segment
        counted = select(*kind, func.count().label("number")).where(*within).group_by(*kind).lateral()
        query = select(*place, *counted.c)
    rows: Sequence[Any] = (await connection.execute(query.where(t.heads.c.cell.in_(texts_of(connection, cells))))).all()
    return rows


async def by_kind(connection: AsyncConnection, cells: Sequence[str], segments: Sequence[Interval]) -> list[Count]:
    """Return the fasteners made in each of the segments, counted by kind."""
    kind = (_f.zone, _f.operation, _f.item, _f.program, _f.result, _FINAL.label("final"))
    return [Count(*row) for row in await _counted(connection, cells, segments, kind)]


async def defects(connection: AsyncConnection, cells: Sequence[str], segments: Sequence[Interval]) -> list[DefectCount]:
    """Return those that are not good, by kind and position."""
    kind = (_f.zone, _f.operation, _f.item, _f.program, _f.position, _FINAL.label("final"))
    return [DefectCount(*row) for row in await _counted(connection, cells, segments, kind, _FINAL != "good")]


async def by_panel(connection: AsyncConnection, cells: Sequence[str], segments: Sequence[Interval]) -> list[PanelCount]:
    """Return the fasteners made in each of the segments, counted by zone, panel and result."""
    kind = (_f.zone, _f.panel, _FINAL.label("final"))
    return [PanelCount(*row) for row in await _counted(connection, cells, segments, kind)]


async def unseen(
    connection: AsyncConnection, cells: Sequence[str], segments: Sequence[Interval]
) -> list[tuple[str, int, str, int]]:
    """Return (cell, segment, zone, number) of fasteners that snapshots count and no event told."""
    d, part = t.discrepancies.c, _segments(connection, segments)
    within = (d.at_us >= part.c.from_us) & (d.at_us < part.c.to_us)
    query = (
        select(t.heads.c.cell, part.c.segment, d.zone, d.unseen)
        .select_from(t.discrepancies.join(t.heads, d.ledger_id == t.heads.c.ledger_id).join(part, within))
        .where(t.heads.c.cell.in_(texts_of(connection, cells)), d.kind == "unseen")
    )
    sums: dict[tuple[str, int, str], int] = {}
    for cell, segment, zone, number in (await connection.execute(query)).all():  # SQLite's sum() overflows
        sums[cell, segment, zone] = sums.get((cell, segment, zone), 0) + number
    return [(*place, number) for place, number in sums.items()]
