"""Reads the store by SQL that SQLite and PostgreSQL take alike."""

from collections.abc import Sequence
from typing import Any, Literal

from msgspec.json import decode
from sqlalchemy import ColumnElement, Row, Select, Table, select
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import (
    Basis,
    Count,
    DefectCount,
    EventRow,
    FastenerAfter,
    GivenRow,
    Head,
    LeaseRow,
    Listed,
    PaceCount,
    PanelCount,
    PausesAsked,
    PlantVersion,
    Presum,
    ProofRow,
    RefusedFilter,
    RefusedRow,
    RefusedSize,
    Revision,
    SnapshotRow,
    Stamp,
    Unmatched,
)
from zoneledger.core.failures import Raised, Wanted
from zoneledger.core.minor_stops import Pause
from zoneledger.core.offsets import Offset
from zoneledger.core.rates import Made, Piece
from zoneledger.core.rows import Activity, Alarm, Discrepancy, Fastener, Gap, ZoneSpan
from zoneledger.core.spans import Interval
from zoneledger.storage import (
    activities,
    counts,
    given,
    pace,
    pauses,
    presums,
    proofs,
    raises,
    rates,
    refused,
    verdicts,
)
from zoneledger.storage import tables as t
from zoneledger.storage.fasteners import read_fasteners
from zoneledger.storage.in_order import SqlInOrder
from zoneledger.storage.keyring import SqlKeyringReading
from zoneledger.storage.leases import read_lease
from zoneledger.storage.lists import Columns, naming, texts_of
from zoneledger.storage.spans import begun_us, read_spans
from zoneledger.storage.statements import PLANT_VERSION
from zoneledger.storage.trails import SqlTrails, discrepancy_of, gap_of


def _offset(text: str | None) -> Offset | None:
    return Offset(*decode(text)) if text else None


def head_of(row: Row[Any]) -> Head:
    """Return the head that a row of its table holds: its columns are in the order of a head's fields."""
    values: Sequence[Any] = row
    head = Head(*values)
    head.counts, head.clock, head.refused_clock = decode(row.counts), _offset(row.clock), _offset(row.refused_clock)
    return head


class SqlReading(SqlInOrder, SqlTrails, SqlKeyringReading):
    """The Reading port on one connection, in one transaction."""

    def __init__(self, connection: AsyncConnection) -> None:
        self._connection = connection

    @property
    def _dialect(self) -> str:
        return self._connection.dialect.name

    async def _rows(self, query: Select[Any], named: dict[str, Any] | None = None) -> Sequence[Any]:
        rows: Sequence[Any] = (await self._connection.execute(query, named)).all()
        return rows

    def _naming(self, columns: Columns, rows: Sequence[Sequence[Any]]) -> dict[str, Any]:
        return naming(self._dialect, columns, rows)

    def _is_among(self, cells: Sequence[str]) -> ColumnElement[bool]:
        return t.heads.c.cell.in_(texts_of(self._connection, cells))

    async def cells(self) -> list[str]:
        return [row.cell for row in await self._rows(select(t.heads.c.cell).order_by(t.heads.c.cell))]

    async def plant(self, version: int | None = None) -> PlantVersion | None:
        query = select(t.plants).order_by(t.plants.c.version.desc()).limit(1)
        if version is not None:
            query = query.where(t.plants.c.version == version)
        rows = await self._rows(query)
        return PlantVersion(*rows[0]) if rows else None

    async def plant_version(self) -> int:
        return int(await self._connection.scalar(PLANT_VERSION) or 0)

    async def heads(self, cells: Sequence[str]) -> dict[str, Head]:
        rows = await self._rows(select(t.heads).where(self._is_among(cells)))
        return {row.cell: head_of(row) for row in rows}

    async def spans(self, cells: Sequence[str], start_us: int, end_us: int) -> dict[str, list[ZoneSpan]]:
        return await read_spans(self._connection, cells, start_us, end_us)

    async def count_fasteners(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[Count]:
        return await counts.by_kind(self._connection, cells, segments)

    async def count_defects(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[DefectCount]:
        return await counts.defects(self._connection, cells, segments)

    async def count_by_panel(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[PanelCount]:
        return await counts.by_panel(self._connection, cells, segments)

    async def count_paced(
        self, cells: Sequence[str], zone: str | None, window: Interval, until_us: int, parts: int
    ) -> list[PaceCount]:
        return await pace.count_paced(self._connection, cells, zone, window, until_us, parts)

    async def pauses(
        self, asked: Sequence[PausesAsked], start_us: int, end_us: int
    ) -> dict[tuple[str, str], list[Pause]]:
        return await pauses.read_pauses(self._connection, asked, start_us, end_us)

    async def activities(
        self, zones: Sequence[tuple[str, str]], start_us: int, end_us: int
    ) -> dict[tuple[str, str], list[Activity]]:
        return await activities.read_activities(self._connection, zones, start_us, end_us)

    async def alarms(self, cells: Sequence[str], start_us: int, end_us: int) -> dict[str, list[Alarm]]:
        a = t.alarms.c
        columns = [a[name] for name in Alarm._fields]
        within = (a.ledger_id == t.heads.c.ledger_id, self._is_among(cells), a.at_us >= start_us, a.at_us < end_us)
        query = select(t.heads.c.cell, *columns).where(*within).order_by(t.heads.c.cell, a.at_us, a.boot, a.seq)
        found: dict[str, list[Alarm]] = {}
        for cell, *row in await self._rows(query):
            found.setdefault(cell, []).append(Alarm(*row))
        return found

    async def last_raises(self, wanted: Sequence[Wanted]) -> list[Raised | None]:
        return await raises.last_raises(self._connection, wanted)

    async def count_made(self, pieces: Sequence[Piece], zone: str | None) -> list[Made]:
        return await rates.count_made(self._connection, pieces, zone)

    async def busiest(
        self, pieces: Sequence[Piece], zone: str | None, length_us: int, last_us: int
    ) -> tuple[int, int] | None:
        return await rates.busiest(self._connection, pieces, zone, length_us, last_us)

    async def fasteners(
        self, cell: str, start_us: int, end_us: int, after: FastenerAfter | None, limit: int
    ) -> list[tuple[Fastener, str | None]]:
        return await read_fasteners(self._connection, cell, start_us, end_us, after, limit)

    async def proofs(self, after_id: int, limit: int) -> list[Listed[ProofRow]]:
        return await proofs.read_proofs(self._connection, after_id, limit)

    async def proof(self, number: int) -> Listed[ProofRow] | None:
        return await proofs.read_proof(self._connection, number)

    async def count_unseen(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[tuple[str, int, str, int]]:
        return await counts.unseen(self._connection, cells, segments)

    async def revisions(
        self, units: Sequence[str], start_us: int, end_us: int, after_id: int, limit: int | None
    ) -> list[Listed[Revision]]:
        r = t.revisions.c
        within = (r.unit.in_(texts_of(self._connection, units)), r.from_us < end_us, r.to_us > start_us)
        columns = (r.id, r.unit, r.from_us, r.to_us, r.recorded_us, r.cause)
        query = select(*columns).where(*within, r.id > after_id).order_by(r.id).limit(limit)
        return [Listed(row.id, row.unit, Revision(*row[1:])) for row in await self._rows(query)]

    async def presums(self, line: str, cell: str, start_us: int, end_us: int, limit: int | None = None) -> list[Presum]:
        return await presums.read(self._connection, line, cell, start_us, end_us, limit)

    async def presummed(self, line: str, start_us: int, end_us: int) -> set[tuple[str, int]]:
        return await presums.there(self._connection, line, start_us, end_us)

    async def begun_us(self, cells: Sequence[str]) -> int | None:
        return await begun_us(self._connection, cells)

    async def stamp(self, basis: Basis) -> Stamp:
        return await presums.stamp(self._connection, basis)

    async def given(self, cells: Sequence[str], start_us: int, end_us: int) -> list[Listed[GivenRow]]:
        return await given.read_window(self._connection, cells, start_us, end_us)

    async def given_history(
        self, cells: Sequence[str], zone: str | None, after_id: int, limit: int
    ) -> list[Listed[GivenRow]]:
        return await given.read_history(self._connection, cells, zone, after_id, limit)

    async def given_entry(self, number: int) -> Listed[GivenRow] | None:
        return await given.read_entry(self._connection, number)

    async def lease(self, name: str) -> LeaseRow | None:
        return await read_lease(self._connection, name)

    async def refused(self, which: RefusedFilter, limit: int) -> list[Listed[RefusedRow]]:
        return await refused.read_refused(self._connection, which, limit)

    async def refused_sizes(self, which: RefusedFilter, limit: int) -> list[RefusedSize]:
        return await refused.read_sizes(self._connection, which, limit)

    async def last_refused_id(self) -> int:
        return await refused.last_id(self._connection)

    async def count_refused(
        self, by: Literal["reason", "cell"], which: RefusedFilter, limit: int
    ) -> list[tuple[str, int]]:
        return await refused.count(self._connection, by, which, limit)

    async def _by_arrival(self, table: Table, cells: Sequence[str] | None, after_id: int, limit: int) -> Sequence[Any]:
        # The sum keeps the database from the index by cell: it would read and sort all rows of the cells for each page.
        within = table.join(t.heads, table.c.cell_id + 0 == t.heads.c.cell_id)
        query = select(t.heads.c.cell, table).select_from(within).where(table.c.id > after_id)
        if cells is not None:
            query = query.where(self._is_among(cells))
        return await self._rows(query.order_by(table.c.id).limit(limit))

    async def events_by_arrival(self, cells: Sequence[str] | None, after_id: int, limit: int) -> list[Listed[EventRow]]:
        rows = await self._by_arrival(t.events, cells, after_id, limit)
        return [Listed(row.id, row.cell, EventRow(*row[2:])) for row in rows]

    async def snapshots_by_arrival(
        self, cells: Sequence[str] | None, after_id: int, limit: int
    ) -> list[Listed[SnapshotRow]]:
        rows = await self._by_arrival(t.snapshots, cells, after_id, limit)
        return [Listed(row.id, row.cell, SnapshotRow(*row[2:])) for row in rows]

    async def _listed(self, table: Table, cells: Sequence[str], after_id: int, limit: int) -> Sequence[Any]:
        query = (
            select(t.heads.c.cell, table)
            .join(t.heads, table.c.ledger_id == t.heads.c.ledger_id)
            .where(self._is_among(cells), table.c.id > after_id)
            .order_by(table.c.id)
            .limit(limit)
        )
        return await self._rows(query)

    async def gaps(self, cells: Sequence[str], after_id: int, limit: int) -> list[Listed[Gap]]:
        return [Listed(row.id, row.cell, gap_of(row)) for row in await self._listed(t.gaps, cells, after_id, limit)]

    async def discrepancies(self, cells: Sequence[str], after_id: int, limit: int) -> list[Listed[Discrepancy]]:
        rows = await self._listed(t.discrepancies, cells, after_id, limit)
        return [Listed(row.id, row.cell, discrepancy_of(row)) for row in rows]

    async def unmatched(self, cells: Sequence[str], after_id: int, limit: int) -> list[Listed[Unmatched]]:
        return await verdicts.read_unmatched(self._connection, cells, after_id, limit)
