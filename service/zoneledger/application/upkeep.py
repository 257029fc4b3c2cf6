"""Work beside the serving that is done again and again: it waits for a store that is away, and no fault of it ends the service."""

import asyncio
import logging
from collections.abc import Awaitable, Callable

from zoneledger.core.errors import StoreUnavailable

log = logging.getLogger(__name__)

EVERY_S = 3600.0
#: How long to wait after the store did not answer, or the work could not be done to its end.
AGAIN_S = 60.0


async def keep_doing(work: Callable[[], Awaitable[bool]], undone: str, every_s: float = EVERY_S) -> None:
    """Do a work, which returns whether all of it is done, again and again until cancelled; `undone` says what else is not."""
    while True:
        pause_s = every_s
        try:
            if not await work():
                pause_s = AGAIN_S
        except StoreUnavailable as error:
            log.warning("%s for now: %s", undone, error)
            pause_s = AGAIN_S
        except Exception:  # messages are taken in all the same
            log.exception("%s for %g s", undone, pause_s)
        await asyncio.sleep(pause_s)
