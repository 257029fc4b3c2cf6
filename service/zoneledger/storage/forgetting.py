"""Removes what is not kept any more, a bounded number of rows at a time."""

from sqlalchemy import tuple_
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Key, Stretch
from zoneledger.storage import tables as t
from zoneledger.storage.bulk import delete_some
from zoneledger.storage.ledger import in_stretch
from zoneledger.storage.ledgers import LEDGER_TABLES


async def forget_booked(connection: AsyncConnection, ledger_id: int, stretch: Stretch, rows: int) -> bool:
    """Remove rows of a stretch of a ledger; of the checkpoints in it the last is left, as what follows rests on it."""
    assert stretch.upto is not None
    done = True
    for table in LEDGER_TABLES:
        which = in_stretch(table, ledger_id, stretch)
        if table is t.checkpoints:
            which &= tuple_(table.c.boot, table.c.seq) < tuple(stretch.upto[:2])
        done &= await delete_some(connection, table, which, rows)
    return done


async def forget_messages(connection: AsyncConnection, cell_id: int, upto: Key, rows: int) -> bool:
    """Remove events of a cell up to a key, and the snapshots before those of that key."""
    done = True
    for table in (t.events, t.snapshots):
        place = tuple_(table.c.boot, table.c.seq)
        which = (table.c.cell_id == cell_id) & (place <= upto if table is t.events else place < upto)
        done &= await delete_some(connection, table, which, rows)
    return done
