"""Derives a cell's ledger anew from its messages: the messages are the truth, the ledger never is."""

from zoneledger.application.book import Changes, rewrite
from zoneledger.application.ports import Store
from zoneledger.core.booking import Limits, Place
from zoneledger.core.errors import UnitUnknown
from zoneledger.core.validation import MAX_INTEGER

WHOLE = Place(0, 0, 0), Place(MAX_INTEGER, MAX_INTEGER, 1)


async def rebuild(store: Store, cell: str, now_us: int, limits: Limits) -> int:
    """Fold all stored messages of a cell in one transaction; return how many stretches of figures it changed.

    Raises UnitUnknown for a cell that never sent anything.
    """
    async with store.writing() as writing:
        if cell not in await writing.heads([cell]):
            raise UnitUnknown(f"No cell {cell[:200]} has ever sent a message.")
        head, changes = (await writing.lock_heads([cell]))[cell], Changes()
        await rewrite(writing, changes, head, WHOLE, limits, now_us)
        await writing.add_revisions(changes.revisions)
        await writing.save_heads([head])
    return len(changes.revisions)
