"""Whole ledgers: made empty, copied from each other, and removed once no head names them."""

from typing import Any

from sqlalchemy import Table, delete, insert, literal, select, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.ports import Stretch
from zoneledger.storage import tables as t
from zoneledger.storage.ledger import in_stretch

LEDGER_TABLES = (t.checkpoints, t.spans, t.fasteners, t.verdicts, t.gaps, t.discrepancies)


async def begin_ledger(connection: AsyncConnection, cell: str, now_us: int) -> int:
    """Make an empty ledger of a cell and return its number."""
    query = insert(t.ledgers).values(cell=cell, touched_us=now_us).returning(t.ledgers.c.ledger_id)
    return int((await connection.execute(query)).scalar_one())


async def copy_rows(connection: AsyncConnection, ledger_id: int, to_ledger_id: int, stretch: Stretch) -> None:
    """Add a copy of a stretch of a ledger, checkpoints included, to another one."""
    for table in LEDGER_TABLES:
        names = [column.name for column in table.c if column.name not in ("id", "ledger_id")]
        rows = select(literal(to_ledger_id), *(table.c[name] for name in names))
        rows = rows.where(in_stretch(table, ledger_id, stretch))
        await connection.execute(insert(table).from_select(["ledger_id", *names], rows))


def _some(table: Table, ledger_id: int, rows: int) -> Any:
    key = [column for column in table.primary_key.columns if column.name != "ledger_id"]
    return tuple_(*key).in_(select(*key).where(table.c.ledger_id == ledger_id).limit(rows))


async def remove_ledger(connection: AsyncConnection, ledger_id: int, rows: int) -> bool:
    """Remove at most so many rows of each kind; with the last of them the ledger itself, and return True then."""
    left = False
    for table in LEDGER_TABLES:
        gone = delete(table).where(table.c.ledger_id == ledger_id, _some(table, ledger_id, rows))
        left |= (await connection.execute(gone)).rowcount == rows
    if not left:
        await connection.execute(delete(t.ledgers).where(t.ledgers.c.ledger_id == ledger_id))
    return not left
