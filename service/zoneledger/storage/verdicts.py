"""Verdicts that apply to no fastener; each is told until a fastener before it has arrived that was made there."""

from collections.abc import Sequence

from sqlalchemy import and_, select, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Listed, Unmatched
from zoneledger.core.rows import Verdict
from zoneledger.storage import tables as t
from zoneledger.storage.lists import texts_of

_e, _f, _h, _v = t.events.c, t.fasteners.c, t.heads.c, t.verdicts.c
_COLUMNS = [_v[name] for name in Verdict._fields]


async def read_unmatched(
    connection: AsyncConnection, cells: Sequence[str], after_id: int, limit: int
) -> list[Listed[Unmatched]]:
    """Return verdicts before which their cell made no fastener at their panel and position, by the numbers of their events."""
    there = (_f.ledger_id == _v.ledger_id, _f.panel == _v.panel, _f.position == _v.position)
    made = select(_f.seq).where(*there, tuple_(_f.boot, _f.seq) < tuple_(_v.boot, _v.seq)).exists()
    told = and_(_e.cell_id == _h.cell_id, _e.boot == _v.boot, _e.seq == _v.seq)
    found = t.verdicts.join(t.heads, _h.ledger_id == _v.ledger_id).join(t.events, told)
    query = select(_e.id, _h.cell, *_COLUMNS, _e.at_us, _e.arrived_us).select_from(found)
    query = query.where(_h.cell.in_(texts_of(connection, cells)), _e.id > after_id, ~made).order_by(_e.id).limit(limit)
    rows = (await connection.execute(query)).all()
    return [
        Listed(number, cell, Unmatched(Verdict(*verdict), at_us, arrived_us))
        for number, cell, *verdict, at_us, arrived_us in rows
    ]
