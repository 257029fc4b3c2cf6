"""Whole ledgers: made empty, and removed once no head names them."""

from typing import Any

from sqlalchemy import Table, delete, insert, select, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.storage import tables as t

LEDGER_TABLES = (t.checkpoints, t.spans, t.fasteners, t.verdicts, t.gaps, t.discrepancies)


async def begin_ledger(connection: AsyncConnection, cell: str, now_us: int) -> int:
    """Make an empty ledger of a cell and return its number."""
    query = insert(t.ledgers).values(cell=cell, touched_us=now_us).returning(t.ledgers.c.ledger_id)
    return int((await connection.execute(query)).scalar_one())


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
