"""Writes the store, all within one transaction."""

from collections.abc import Iterable, Sequence
from dataclasses import fields
from typing import Any

from msgspec.json import encode
from sqlalchemy import bindparam, delete, func, insert, literal, select, text, tuple_, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import (
    Arrivals,
    Checkpoint,
    Cursor,
    EventRow,
    GivenRow,
    Head,
    Key,
    Listed,
    Outdated,
    Presum,
    ProofRow,
    RefusedRow,
    Revision,
    SnapshotRow,
    Stretch,
)
from zoneledger.core.booking import FOLD
from zoneledger.core.rows import Booked, Fastener, Place, Verdict
from zoneledger.storage import given, presums, proofs, refused, statements
from zoneledger.storage import tables as t
from zoneledger.storage.bulk import delete_some, insert_tuples
from zoneledger.storage.forgetting import forget_booked, forget_messages
from zoneledger.storage.keyring import SqlKeyringWriting
from zoneledger.storage.leases import give_up_lease, take_lease
from zoneledger.storage.ledger import delete_rows, insert_rows, read_stretch
from zoneledger.storage.ledgers import begin_ledger, copy_rows, remove_ledger
from zoneledger.storage.lists import KEY, TEXTS, texts_of
from zoneledger.storage.reading import SqlReading, head_of
from zoneledger.storage.statements import INSTANT, POSITION

SNAPSHOT_COLUMNS = [t.snapshots.c[name] for name in SnapshotRow._fields]

_HEAD_FIELDS = [one.name for one in fields(Head) if one.name not in ("cell", "cell_id")]


def _head_row(head: Head) -> dict[str, Any]:
    row = {name: getattr(head, name) for name in _HEAD_FIELDS}
    clocks = {name: row[name] and encode(row[name]).decode() for name in ("clock", "refused_clock")}
    return row | {"key": head.cell_id, "counts": encode(head.counts).decode()} | clocks


class SqlWriting(SqlReading, SqlKeyringWriting):
    """The Writing port on one connection, in one transaction.

    `having_heads` are cells that have been seen to have a head, which is never taken away; those that are seen now are added.
    """

    def __init__(self, connection: AsyncConnection, having_heads: set[str]) -> None:
        super().__init__(connection)
        self._having_heads = having_heads

    async def take_lease(self, name: str, holder: str, for_us: int) -> bool:
        return await take_lease(self._connection, name, holder, for_us)

    async def give_up_lease(self, name: str, holder: str) -> None:
        await give_up_lease(self._connection, name, holder)

    async def lock_plants(self) -> None:
        if self._connection.dialect.name == "postgresql":
            await self._connection.execute(text("LOCK TABLE plants IN SHARE ROW EXCLUSIVE MODE"))

    async def add_plant(self, document: str, applied_us: int) -> int:
        last = await self._connection.scalar(select(func.max(t.plants.c.version)))
        version = (last or 0) + 1
        row = {"version": version, "document": document, "applied_us": applied_us}
        await self._connection.execute(insert(t.plants), row)
        return version

    async def add_proof(self, row: ProofRow) -> int:
        return await proofs.add_proof(self._connection, row)

    async def freeze_proof(self, number: int, frozen: str, frozen_us: int) -> bool:
        return await proofs.freeze_proof(self._connection, number, frozen, frozen_us)

    async def lock_heads(self, cells: Sequence[str]) -> dict[str, Head]:
        named = self._naming(TEXTS, [(cell,) for cell in cells])
        heads = await self._locked(named) if self._having_heads.issuperset(cells) else {}
        if len(heads) < len(cells):
            known = {cell for (cell,) in await self._rows(statements.known_cells(self._dialect), named)}
            if missing := sorted(set(cells) - known):  # before any lock, or two writers could wait for each other
                await self._make_heads(missing)
            heads = await self._locked(named)
            self._having_heads.update(known)
        return heads

    async def _locked(self, named: dict[str, Any]) -> dict[str, Head]:
        return {row.cell: head_of(row) for row in await self._rows(statements.lock_heads(self._dialect), named)}

    async def _make_heads(self, cells: Sequence[str]) -> None:
        dialect = postgresql if self._connection.dialect.name == "postgresql" else sqlite
        await insert_tuples(self._connection, t.ledgers, ("cell", "touched_us"), [(cell, 0) for cell in cells])
        c = t.ledgers.c
        rows = select(c.cell, literal(""), literal(0), literal("{}"), literal(FOLD), func.max(c.ledger_id))
        rows = rows.where(c.cell.in_(texts_of(self._connection, cells))).group_by(c.cell)
        names = ["cell", "booking", "events_since_checkpoint", "counts", "fold", "ledger_id"]
        await self._connection.execute(dialect.insert(t.heads).from_select(names, rows).on_conflict_do_nothing())

    async def save_heads(self, heads: Iterable[Head]) -> None:
        if rows := [_head_row(head) for head in heads]:
            await self._connection.execute(statements.SAVE_HEAD, rows)

    async def events_at(self, cell_id: int, keys: Sequence[Key]) -> dict[Key, str]:
        which = {"cell_id": cell_id, **self._naming(KEY, keys)}
        rows = await self._rows(statements.events_at(self._dialect), which)
        return {(boot, seq): body for boot, seq, body in rows}

    async def add_events(self, rows: Sequence[EventRow]) -> None:
        await insert_tuples(self._connection, t.events, EventRow._fields, rows)

    async def events_after(self, cell_id: int, key: Key | None, limit: int) -> list[tuple[Key, str]]:
        e = t.events.c
        query = select(e.boot, e.seq, e.body).where(e.cell_id == cell_id).order_by(e.boot, e.seq).limit(limit)
        if key is not None:
            query = query.where(tuple_(e.boot, e.seq) > key)
        return [((boot, seq), body) for boot, seq, body in await self._rows(query)]

    async def snapshots_at(self, cell_id: int, places: Sequence[tuple[int, int, int]]) -> set[SnapshotRow]:
        which = {"cell_id": cell_id, **self._naming(INSTANT, places)}
        return {SnapshotRow(*row) for row in await self._rows(statements.snapshots_at(self._dialect), which)}

    async def snapshots_between(self, cell_id: int, first: Key | None, before: Key | None) -> list[SnapshotRow]:
        s = t.snapshots.c
        query = select(*SNAPSHOT_COLUMNS).where(s.cell_id == cell_id)
        if first is not None:
            query = query.where(tuple_(s.boot, s.seq) >= first)
        if before is not None:
            query = query.where(tuple_(s.boot, s.seq) < before)
        return sorted(SnapshotRow(*row) for row in await self._rows(query))

    async def add_snapshots(self, rows: Sequence[SnapshotRow]) -> None:
        await insert_tuples(self._connection, t.snapshots, SnapshotRow._fields, rows)

    async def checkpoint_before(self, ledger_id: int, key: Key) -> Checkpoint | None:
        c = t.checkpoints.c
        before = (c.ledger_id == ledger_id, tuple_(c.boot, c.seq) < key)
        query = select(c.boot, c.seq, c.booking).where(*before).order_by(c.boot.desc(), c.seq.desc()).limit(1)
        rows = await self._rows(query)
        return Checkpoint(*rows[0]) if rows else None

    async def put_checkpoints(self, rows: Sequence[tuple[int, Checkpoint]]) -> None:
        c = t.checkpoints.c
        if not rows:
            return
        at = (c.ledger_id == bindparam("in_cell"), c.boot == bindparam("in_boot"), c.seq == bindparam("in_seq"))
        gone = [{"in_cell": ledger_id, "in_boot": row.boot, "in_seq": row.seq} for ledger_id, row in rows]
        await self._connection.execute(delete(t.checkpoints).where(*at), gone)
        new = [{"ledger_id": ledger_id, **row._asdict()} for ledger_id, row in rows]
        await self._connection.execute(insert(t.checkpoints), new)

    async def begin_ledger(self, cell: str, now_us: int) -> int:
        return await begin_ledger(self._connection, cell, now_us)

    async def ledgers(self, cell: str) -> dict[int, int]:
        query = select(t.ledgers.c.ledger_id, t.ledgers.c.touched_us).where(t.ledgers.c.cell == cell)
        return {row.ledger_id: row.touched_us for row in await self._rows(query)}

    async def touch_ledger(self, ledger_id: int, now_us: int) -> bool:
        query = update(t.ledgers).where(t.ledgers.c.ledger_id == ledger_id).values(touched_us=now_us)
        return (await self._connection.execute(query)).rowcount == 1

    async def copy_booked(
        self, old_id: int, new_id: int, stretch: Stretch, after: Cursor | None, rows: int
    ) -> Cursor | None:
        return await copy_rows(self._connection, old_id, new_id, stretch, after, rows)

    async def forget_booked(self, ledger_id: int, stretch: Stretch, rows: int) -> bool:
        return await forget_booked(self._connection, ledger_id, stretch, rows)

    async def forget_messages(self, cell_id: int, upto: Key, rows: int) -> bool:
        return await forget_messages(self._connection, cell_id, upto, rows)

    async def forget_refused(self, before_us: int, rows: int) -> bool:
        return await delete_some(self._connection, t.refused, t.refused.c.arrived_us < before_us, rows)

    async def forget_revisions(self, unit: str, before_us: int, rows: int) -> bool:
        r = t.revisions.c
        return await delete_some(self._connection, t.revisions, (r.unit == unit) & (r.to_us < before_us), rows)

    async def remove_ledger(self, ledger_id: int, rows: int) -> bool:
        return await remove_ledger(self._connection, ledger_id, rows)

    async def arrivals(self, cell_id: int) -> Arrivals:
        numbers = [
            select(func.coalesce(func.max(table.c.id), 0)).where(table.c.cell_id == cell_id)
            for table in (t.events, t.snapshots)
        ]
        return Arrivals(*[int(await self._connection.scalar(number) or 0) for number in numbers])

    async def places_since(self, cell_id: int, arrivals: Arrivals) -> list[Place]:
        found = []
        for rank, (table, number) in enumerate(((t.events, arrivals.event_id), (t.snapshots, arrivals.snapshot_id))):
            c = table.c
            query = select(c.boot, c.seq).where(c.cell_id == cell_id, c.id > number)
            found += [Place(boot, seq, rank) for boot, seq in await self._rows(query)]
        return sorted(found)

    async def booked(self, ledger_id: int, stretch: Stretch) -> Booked:
        return await read_stretch(self._connection, ledger_id, stretch)

    async def remove_booked(self, ledger_id: int, stretch: Stretch, rows: Booked) -> None:
        await delete_rows(self._connection, ledger_id, stretch, rows)

    async def add_booked(self, rows: Sequence[tuple[int, Booked]]) -> None:
        await insert_rows(self._connection, rows)

    async def made_at(
        self, ledger_id: int, positions: Sequence[tuple[str, str]]
    ) -> tuple[list[tuple[Fastener, str | None]], list[Verdict]]:
        which = {"ledger_id": ledger_id, **self._naming(POSITION, positions)}
        made = await self._rows(statements.made_at(self._dialect), which)
        given = await self._rows(statements.verdicts_at(self._dialect), which)
        return [(Fastener(*row), result) for *row, result in made], [Verdict(*row) for row in given]

    async def put_verdicts(self, ledger_id: int, results: dict[Key, str | None]) -> None:
        f = t.fasteners.c
        if results:
            at = (f.ledger_id == ledger_id, f.boot == bindparam("in_boot"), f.seq == bindparam("in_seq"))
            rows = [{"in_boot": boot, "in_seq": seq, "given": result} for (boot, seq), result in results.items()]
            await self._connection.execute(update(t.fasteners).where(*at).values(verdict=bindparam("given")), rows)

    async def add_refused(self, rows: Sequence[RefusedRow]) -> None:
        await refused.add(self._connection, rows)

    async def lock_refused(self, ids: Sequence[int]) -> list[Listed[RefusedRow]]:
        return await refused.lock(self._connection, ids)

    async def remove_refused(self, ids: Sequence[int]) -> None:
        await refused.remove(self._connection, ids)

    async def change_refused(self, rows: Sequence[tuple[int, str, str]]) -> None:
        await refused.change(self._connection, rows)

    async def lock_given(self) -> None:
        await given.lock(self._connection)

    async def add_given(self, row: GivenRow) -> int:
        return await given.add(self._connection, row)

    async def add_revisions(self, rows: Sequence[Revision]) -> None:
        if rows:
            await self._connection.execute(insert(t.revisions), [row._asdict() for row in rows])
            await presums.drop(self._connection, [Outdated(row.unit, row.from_us, row.to_us) for row in rows])

    async def lock_presums(self) -> None:
        await presums.lock(self._connection)

    async def put_presums(self, rows: Sequence[Presum]) -> None:
        await presums.put(self._connection, rows)

    async def drop_presums(self, outdated: Sequence[Outdated]) -> None:
        if outdated:
            await presums.drop(self._connection, outdated)
