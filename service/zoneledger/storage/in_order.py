"""A cell's checkpoints, events and snapshots in the order in which they are booked: the keys of all three are that order."""

from sqlalchemy import select, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Checkpoint, Key, MessageAt, MessageRow
from zoneledger.core.rows import EVENT_RANK, SNAPSHOT_RANK, Gap, Place
from zoneledger.storage import tables as t
from zoneledger.storage.trails import gap_of

_c, _e, _g, _s = t.checkpoints.c, t.events.c, t.gaps.c, t.snapshots.c
_EVENT_KEY, _SNAPSHOT_KEY = tuple_(_e.boot, _e.seq), tuple_(_s.boot, _s.seq)
_EVENT_PLACE = (_e.boot, _e.seq, _e.at_us, _e.id)
_SNAPSHOT_PLACE = (_s.boot, _s.seq, _s.at_us, _s.id)
_GAP_PLACE = (_g.boot, _g.seq, _g.rank)


class SqlInOrder:
    """The InOrder port on one connection."""

    _connection: AsyncConnection

    async def next_checkpoints(self, ledger_id: int, after: Key | None, limit: int) -> list[Checkpoint]:
        query = select(_c.boot, _c.seq, _c.booking).where(_c.ledger_id == ledger_id)
        if after is not None:
            query = query.where(tuple_(_c.boot, _c.seq) > after)
        rows = await self._connection.execute(query.order_by(_c.boot, _c.seq).limit(limit))
        return [Checkpoint(*row) for row in rows.all()]

    async def first_reaching(self, cell_id: int, after: Key | None, upto: Key | None, at_us: int) -> MessageAt | None:
        events = select(*_EVENT_PLACE).where(_e.cell_id == cell_id, _e.at_us >= at_us)
        snapshots = select(*_SNAPSHOT_PLACE).where(_s.cell_id == cell_id, _s.at_us >= at_us)
        if after is not None:
            events, snapshots = events.where(after < _EVENT_KEY), snapshots.where(after <= _SNAPSHOT_KEY)
        if upto is not None:
            events, snapshots = events.where(upto >= _EVENT_KEY), snapshots.where(upto > _SNAPSHOT_KEY)
        ordered = events.order_by(*_EVENT_PLACE[:2]), snapshots.order_by(*_SNAPSHOT_PLACE)
        found = []
        for rank, query in zip((EVENT_RANK, SNAPSHOT_RANK), ordered, strict=True):
            rows = await self._connection.execute(query.limit(1))
            found += [MessageAt(boot, seq, rank, us, number) for boot, seq, us, number in rows.all()]
        return min(found, default=None)

    async def messages_after(self, cell_id: int, after: MessageAt | None, limit: int) -> list[MessageRow]:
        found = await self._events_after(cell_id, after, limit) + await self._snapshots_after(cell_id, after, limit)
        return sorted(found, key=lambda row: row.at)[:limit]

    async def _events_after(self, cell_id: int, after: MessageAt | None, limit: int) -> list[MessageRow]:
        query = select(*_EVENT_PLACE, _e.arrived_us, _e.type, _e.body).where(_e.cell_id == cell_id)
        if after is not None:
            query = query.where(after[:2] < _EVENT_KEY)
        rows = (await self._connection.execute(query.order_by(*_EVENT_PLACE[:2]).limit(limit))).all()
        return [
            MessageRow(MessageAt(boot, seq, EVENT_RANK, us, number), *told) for boot, seq, us, number, *told in rows
        ]

    async def _snapshots_after(self, cell_id: int, after: MessageAt | None, limit: int) -> list[MessageRow]:
        query = select(*_SNAPSHOT_PLACE, _s.body).where(_s.cell_id == cell_id)
        if after is not None and after.rank == EVENT_RANK:
            query = query.where(after[:2] <= _SNAPSHOT_KEY)
        elif after is not None:
            query = query.where(tuple_(*_SNAPSHOT_PLACE) > (after.boot, after.seq, after.at_us, after.id))
        rows = (await self._connection.execute(query.order_by(*_SNAPSHOT_PLACE).limit(limit))).all()
        return [
            MessageRow(MessageAt(boot, seq, SNAPSHOT_RANK, us, number), None, "snapshot", body)
            for boot, seq, us, number, body in rows
        ]

    async def gaps_from(self, ledger_id: int, first: Place, limit: int) -> list[Gap]:
        query = select(t.gaps).where(_g.ledger_id == ledger_id, tuple_(*_GAP_PLACE) >= tuple(first))
        rows = (await self._connection.execute(query.order_by(*_GAP_PLACE).limit(limit))).all()
        return [gap_of(row) for row in rows]
