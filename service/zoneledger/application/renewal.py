"""Derives ledgers anew that earlier rules derived, one cell after the other, while messages are taken in and figures read."""

import logging

from zoneledger.application.ports import Store
from zoneledger.application.rebuild import Clock, RebuildUnderWay, rebuild
from zoneledger.application.upkeep import keep_doing
from zoneledger.core.booking import FOLD, Limits

log = logging.getLogger(__name__)


async def keep_renewing(store: Store, clock: Clock, limits: Limits) -> None:
    """Derive what is not of the present rules anew, again and again, until cancelled."""
    await keep_doing(lambda: renew(store, clock, limits), "no ledger is derived anew")


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
