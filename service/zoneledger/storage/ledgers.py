"""Whole ledgers: made empty, filled from another, and removed once no head names them."""

from typing import Any

from sqlalchemy import Table, delete, insert, select, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Cursor, Stretch
from zoneledger.storage import tables as t
from zoneledger.storage.bulk import delete_some, insert_tuples
from zoneledger.storage.ledger import in_stretch

LEDGER_TABLES = (t.checkpoints, t.spans, t.fasteners, t.verdicts, t.gaps, t.discrepancies, t.activities, t.alarms)


async def begin_ledger(connection: AsyncConnection, cell: str, now_us: int) -> int:
    """Make an empty ledger of a cell and return its number."""
    query = insert(t.ledgers).values(cell=cell, touched_us=now_us).returning(t.ledgers.c.ledger_id)
    return int((await connection.execute(query)).scalar_one())


def _key(table: Table) -> list[Any]:
    """Return the columns that tell the rows of one ledger apart."""
    return [column for column in table.primary_key.columns if column.name != "ledger_id"]


async def copy_rows(
    connection: AsyncConnection, old_id: int, new_id: int, stretch: Stretch, after: Cursor | None, rows: int
) -> Cursor | None:
    """Copy the next rows of a stretch, in the order of their keys, table by table; return where to go on."""
    number, last = after or (0, ())
    table = LEDGER_TABLES[number]
    key, others = _key(table), [column for column in table.c if column.name not in ("ledger_id", "id")]
    query = select(*key, *others).where(in_stretch(table, old_id, stretch)).order_by(*key).limit(rows)
    if last:
        query = query.where(tuple_(*key) > last)
    found = (await connection.execute(query)).all()
    names = ("ledger_id", *(column.name for column in others))
    await insert_tuples(connection, table, names, [(new_id, *row[len(key) :]) for row in found])
    if len(found) == rows:
        return number, tuple(found[-1][: len(key)])
    return (number + 1, ()) if number + 1 < len(LEDGER_TABLES) else None


async def remove_ledger(connection: AsyncConnection, ledger_id: int, rows: int) -> bool:
    """Remove at most so many rows of each kind; with the last of them the ledger itself, and return True then."""
    done = True
    for table in LEDGER_TABLES:
        done &= await delete_some(connection, table, table.c.ledger_id == ledger_id, rows)
    if done:
        await connection.execute(delete(t.ledgers).where(t.ledgers.c.ledger_id == ledger_id))
    return done
