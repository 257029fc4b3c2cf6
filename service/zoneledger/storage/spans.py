"""Spans of cells in a window, found by their start: what a window costs does not depend on how much came before or after it."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.core.rows import ZoneSpan
from zoneledger.core.spans import Span
from zoneledger.storage import tables as t
from zoneledger.storage.lists import texts_of

_s = t.spans.c


def _next_zone(ledger_id: Any, after: Any = None) -> Any:
    own = select(func.min(_s.zone)).where(_s.ledger_id == ledger_id)
    return (own if after is None else own.where(_s.zone > after)).correlate_except(t.spans).scalar_subquery()


def _zones(connection: AsyncConnection, cells: Sequence[str]) -> Any:
    """Return a query that gives the zones of each of these cells that have spans, the cell itself among them: one look each."""
    h = t.heads.c
    first = select(h.cell, h.ledger_id, _next_zone(h.ledger_id).label("zone")).where(
        h.cell.in_(texts_of(connection, cells))
    )
    zones = first.cte("zones", recursive=True)
    z = zones.c
    return zones.union_all(select(z.cell, z.ledger_id, _next_zone(z.ledger_id, z.zone)).where(z.zone.is_not(None)))


def _within(connection: AsyncConnection, cells: Sequence[str], start_us: int, end_us: int) -> Select[Any]:
    zones = _zones(connection, cells).c
    before = select(func.max(_s.start_us)).where(
        _s.ledger_id == zones.ledger_id, _s.zone == zones.zone, _s.start_us <= start_us
    )
    # A zone's spans are disjoint: the last one that begins before the window is the only one that can reach into it.
    first_us = func.coalesce(before.correlate_except(t.spans).scalar_subquery(), start_us).label("first_us")
    where = select(zones.cell, zones.ledger_id, zones.zone, first_us).where(zones.zone.is_not(None)).cte("places").c
    own = [_s.ledger_id == where.ledger_id, _s.zone == where.zone, _s.start_us >= where.first_us]
    own += [_s.start_us < end_us, _s.end_us > start_us]
    columns = [_s.zone, _s.start_us, _s.end_us, _s.state, _s.reason]
    query = select(where.cell, *columns).where(*own)
    if (
        connection.dialect.name == "postgresql"
    ):  # in order, so that it is looked for by zone, and not all there is joined
        found = select(*columns).where(*own).order_by(_s.start_us).lateral()
        query, columns = select(where.cell, *found.c), [*found.c]
    return query.order_by(where.cell, *columns[:2])


async def read_spans(
    connection: AsyncConnection, cells: Sequence[str], start_us: int, end_us: int
) -> dict[str, list[ZoneSpan]]:
    """Return the closed spans that overlap a window, by cell, sorted by zone and start."""
    found: dict[str, list[ZoneSpan]] = {}
    for cell, zone, *span in (await connection.execute(_within(connection, cells, start_us, end_us))).all():
        found.setdefault(cell, []).append(ZoneSpan(zone, Span(*span)))
    return found


async def begun_us(connection: AsyncConnection, cells: Sequence[str]) -> int | None:
    """Return when the first span of any of these cells begins, None where there is none."""
    zones = _zones(connection, cells).c
    first = select(func.min(_s.start_us)).where(_s.ledger_id == zones.ledger_id, _s.zone == zones.zone)
    each = select(first.correlate_except(t.spans).scalar_subquery().label("first_us")).where(zones.zone.is_not(None))
    found: int | None = await connection.scalar(select(func.min(each.subquery().c.first_us)))
    return found
