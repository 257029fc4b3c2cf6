"""Reads what a cell told last, from the newest back: each look follows an index, and costs no more where there is a long past."""

from typing import Any

from sqlalchemy import ColumnElement, Row, ScalarSelect, Select, and_, func, literal, select, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlalchemy.sql.base import ReadOnlyColumnCollection

from zoneledger.application.stored import Listed, RefusedRow, SnapshotRow, Unmatched
from zoneledger.core.hearing import SNAPSHOT, Heard
from zoneledger.core.rows import Alarm, Discrepancy, Gap, Place, Verdict
from zoneledger.storage import tables as t

_a, _d, _e, _f, _g = t.alarms.c, t.discrepancies.c, t.events.c, t.fasteners.c, t.gaps.c
_r, _s, _v = t.refused.c, t.snapshots.c, t.verdicts.c


def gap_of(row: Row[Any]) -> Gap:
    """Return the gap that a row of its table holds."""
    return Gap(Place(row.boot, row.seq, row.rank), row.first_seq, row.last_seq, row.since_us, row.until_us)


def discrepancy_of(row: Row[Any]) -> Discrepancy:
    """Return the discrepancy that a row of its table holds."""
    place = Place(row.boot, row.seq, row.rank)
    return Discrepancy(place, row.number, row.at_us, row.kind, row.zone, row.detail, row.unseen)


def _cell_id(cell: str) -> ScalarSelect[Any]:
    return select(t.heads.c.cell_id).where(t.heads.c.cell == cell).scalar_subquery()


def _ledger_id(cell: str) -> ScalarSelect[Any]:
    return select(t.heads.c.ledger_id).where(t.heads.c.cell == cell).scalar_subquery()


def _snapshots(cell: str, boot: int, *columns: ColumnElement[Any]) -> Select[Any]:
    query = select(*columns).where(_s.cell_id == _cell_id(cell), _s.boot == boot)
    return query.order_by(_s.seq.desc(), _s.at_us.desc())


def _recent_boots(columns: ReadOnlyColumnCollection[str, Any], cell: str, since_us: int, among: int) -> Select[Any]:
    """Select the boots that told something last at an instant or later, looking from the highest down, each by its last row."""
    own = columns.cell_id == _cell_id(cell)
    boots = select(func.max(columns.boot).label("boot"), literal(1).label("number")).where(own).cte(recursive=True)
    lower = select(func.max(columns.boot)).where(own, columns.boot < boots.c.boot).scalar_subquery()
    boots = boots.union_all(select(lower, boots.c.number + 1).where(boots.c.boot.is_not(None), boots.c.number < among))
    last = select(columns.at_us).where(own, columns.boot == boots.c.boot)
    last_us = last.order_by(columns.seq.desc(), columns.at_us.desc()).limit(1).scalar_subquery()
    return select(boots.c.boot).where(last_us >= since_us)


class SqlTrails:
    """The Trails port on one connection."""

    _connection: AsyncConnection

    async def _told(self, query: Select[Any]) -> list[Any]:
        return list((await self._connection.execute(query)).all())

    async def _next_boot(self, cell: str, than: int | None, *, upwards: bool) -> int | None:
        """Return the highest boot below a number, or the lowest one above it, of events and snapshots."""
        found = []
        for columns in (_e, _s):
            rules: list[ColumnElement[bool]] = [columns.cell_id == _cell_id(cell)]
            if than is not None:
                rules.append(columns.boot > than if upwards else columns.boot < than)
            order = columns.boot.asc() if upwards else columns.boot.desc()
            found.append(await self._connection.scalar(select(columns.boot).where(*rules).order_by(order).limit(1)))
        there: list[int] = [boot for boot in found if boot is not None]
        return (min(there) if upwards else max(there)) if there else None

    async def boots(self, cell: str, limit: int) -> list[int]:
        found: set[int] = set()
        for upwards in (False, True):
            boot: int | None = None
            for _ in range(limit):
                boot = await self._next_boot(cell, boot, upwards=upwards)
                if boot is None or boot in found:
                    break
                found.add(boot)
        return sorted(found)

    async def recent_boots(self, cell: str, since_us: int, among: int) -> set[int]:
        found: set[int] = set()
        for columns in (_e, _s):
            found.update(row.boot for row in await self._told(_recent_boots(columns, cell, since_us, among)))
        return found

    async def last_events(self, cell: str, boot: int, before_seq: int | None, limit: int) -> list[Heard]:
        query = select(_e.boot, _e.seq, _e.at_us, _e.arrived_us, _e.type)
        query = query.where(_e.cell_id == _cell_id(cell), _e.boot == boot)
        if before_seq is not None:
            query = query.where(_e.seq < before_seq)
        return [Heard(*row) for row in await self._told(query.order_by(_e.seq.desc()).limit(limit))]

    async def last_snapshots(self, cell: str, boot: int, before: tuple[int, int] | None, limit: int) -> list[Heard]:
        query = _snapshots(cell, boot, _s.boot, _s.seq, _s.at_us)
        if before is not None:
            query = query.where(tuple_(_s.seq, _s.at_us) < before)
        return [Heard(row.boot, row.seq, row.at_us, None, SNAPSHOT) for row in await self._told(query.limit(limit))]

    async def last_conditions(self, cell: str, boot: int, limit: int) -> list[SnapshotRow]:
        columns = [_s[name] for name in SnapshotRow._fields]
        return [SnapshotRow(*row) for row in await self._told(_snapshots(cell, boot, *columns).limit(limit))]

    async def last_gaps(self, cell: str, limit: int) -> list[Gap]:
        query = select(t.gaps).where(_g.ledger_id == _ledger_id(cell))
        query = query.order_by(_g.boot.desc(), _g.seq.desc(), _g.rank.desc()).limit(limit)
        return [gap_of(row) for row in await self._told(query)]

    async def last_discrepancies(
        self, cell: str, kind: str, start_us: int, end_us: int, limit: int
    ) -> list[Discrepancy]:
        within = (_d.ledger_id == _ledger_id(cell), _d.kind == kind, _d.at_us >= start_us, _d.at_us < end_us)
        query = select(t.discrepancies).where(*within).order_by(_d.at_us.desc(), _d.id.desc()).limit(limit)
        return [discrepancy_of(row) for row in await self._told(query)]

    async def last_refused(self, cell: str, shown_bytes: int, limit: int) -> list[Listed[RefusedRow]]:
        names = [name for name in RefusedRow._fields if name not in ("body", "size")]
        query = select(_r.id, *(_r[name] for name in names), func.substr(_r.body, 1, shown_bytes), _r.size)
        query = query.where(_r.cell == cell).order_by(_r.id.desc()).limit(limit)
        found = []
        for number, *row, body, size in await self._told(query):
            told: Any = [*row, body or b"", size]  # SQLite's substr() of no bytes is NULL
            found.append(Listed(number, cell, RefusedRow._make(told)))
        return found

    async def last_alarms(self, cell: str, limit: int) -> list[Alarm]:
        query = select(*(_a[name] for name in Alarm._fields)).where(_a.ledger_id == _ledger_id(cell))
        query = query.order_by(_a.at_us.desc(), _a.boot.desc(), _a.seq.desc()).limit(limit)
        return [Alarm(*row) for row in await self._told(query)]

    async def last_unmatched(self, cell: str, among: int) -> list[Unmatched]:
        columns = [_v[name] for name in Verdict._fields]
        last = select(*columns).where(_v.ledger_id == _ledger_id(cell))
        told = last.order_by(_v.boot.desc(), _v.seq.desc()).limit(among).subquery().c
        there = (_f.ledger_id == _ledger_id(cell), _f.panel == told.panel, _f.position == told.position)
        made = select(_f.seq).where(*there, tuple_(_f.boot, _f.seq) < tuple_(told.boot, told.seq)).exists()
        own = and_(_e.cell_id == _cell_id(cell), _e.boot == told.boot, _e.seq == told.seq)
        query = select(*told, _e.at_us, _e.arrived_us).where(own, ~made).order_by(told.boot.desc(), told.seq.desc())
        rows = await self._told(query)
        return [Unmatched(Verdict(*verdict), at_us, arrived_us) for *verdict, at_us, arrived_us in rows]
