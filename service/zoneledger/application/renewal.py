"""Derives ledgers anew that earlier rules derived, one cell after the other, while messages are taken in and figures read."""

import asyncio
import logging

from zoneledger.application.ports import Store
from zoneledger.application.rebuild import Clock, RebuildUnderWay, rebuild
from zoneledger.core.booking import FOLD, Limits
from zoneledger.core.errors import StoreUnavailable

log = logging.getLogger(__name__)

EVERY_S = 3600.0
#: How long to wait after the store did not answer, or while somebody else derives one of the ledgers.
AGAIN_S = 60.0


async def keep_renewing(store: Store, clock: Clock, limits: Limits) -> None:
    """Derive what is not of the present rules anew, again and again, until cancelled."""
    while True:
        pause_s = EVERY_S
        try:
            if not await renew(store, clock, limits):
                pause_s = AGAIN_S
        except StoreUnavailable as error:
            log.warning("no ledger is derived anew for now: %s", error)
            pause_s = AGAIN_S
        except Exception:  # messages are taken in all the same
            log.exception("no ledger is derived anew for an hour")
        await asyncio.sleep(pause_s)


async def renew(store: Store, clock: Clock, limits: Limits) -> bool:
    """Derive each ledger anew that earlier rules derived; return whether none is left."""
    async with store.reading() as reading:
        heads = await reading.heads(await reading.cells())
    older = [cell for cell, head in sorted(heads.items()) if head.fold < FOLD]
    is_done = True
    for cell in older:
        log.info("the ledger of %s was derived by an earlier version, and is derived anew", cell)
        try:
            await rebuild(store, cell, clock, limits)
        except RebuildUnderWay as error:
            log.info("%s", error)
            is_done = False
    return is_done
