"""Work that only one of several processes may do at a time: it goes on while this one holds the lease for it."""

import asyncio
import logging
from collections.abc import Awaitable, Callable

from zoneledger.application.ports import Store
from zoneledger.core.errors import StoreUnavailable

log = logging.getLogger(__name__)

#: A holder that does not renew its lease for so long has lost it: whoever else waits for it takes over then.
LEASE_S = 10.0
RENEW_S = 1.0

Work = Callable[[], Awaitable[None]]


class Lease:
    """A named lease that this process takes, renews, and gives up at its end; `holder` is its name among the processes.

    What two holders would do at once must be safe for the data: a process that stood still for longer than its lease
    may go on for a moment before it notices. `held` is False where another one holds the lease, None where that is not known.
    """

    def __init__(self, store: Store, name: str, holder: str) -> None:
        self._store = store
        self._name = name
        self._holder = holder
        self._lapses_s = 0.0
        self.held: bool | None = None

    async def run(self, work: Work) -> None:
        """Do the work whenever the lease is held, until cancelled; raises what the work raises, and ends with it."""
        task: asyncio.Future[None] | None = None
        try:
            while True:
                held = await self._renew()
                if held and task is None:
                    log.info("%s takes the lease %s", self._holder, self._name)
                    task = asyncio.ensure_future(work())
                elif not held and task is not None:
                    log.warning("%s has lost the lease %s", self._holder, self._name)
                    await _end(task)
                    task = None
                self.held = held
                if await _ended(task):
                    return
        finally:
            if task is not None:
                await _end(task)
            await self._give_up()

    async def _renew(self) -> bool | None:
        """Take or renew the lease; while the store does not answer, it is held until it lapses, and then nobody knows (None)."""
        now_s = asyncio.get_running_loop().time
        asked_s = now_s()
        try:
            async with asyncio.timeout(max(RENEW_S, self._lapses_s - asked_s) if self.held else LEASE_S):
                taken = await self._take()
        except (StoreUnavailable, TimeoutError):
            return True if now_s() < self._lapses_s else None
        # Rather too early than too late: to notice, and to end, takes time.
        self._lapses_s = asked_s + LEASE_S - 2 * RENEW_S if taken else 0.0
        return taken

    async def _take(self) -> bool:
        if not self.held:  # only looking, so that a process that waits never writes
            async with self._store.reading() as reading:
                found = await reading.lease(self._name)
            if found is not None and found.holder != self._holder and found.left_us > 0:
                return False
        async with self._store.writing() as writing:
            return await writing.take_lease(self._name, self._holder, round(LEASE_S * 1e6))

    async def _give_up(self) -> None:
        if not self.held:
            return
        self.held = False
        try:
            async with asyncio.timeout(RENEW_S), self._store.writing() as writing:
                await writing.give_up_lease(self._name, self._holder)
        except (StoreUnavailable, TimeoutError):
            log.warning("the lease %s is not given up: it lapses by itself", self._name)


async def _ended(task: "asyncio.Future[None] | None") -> bool:
    """Wait until the lease is to be renewed; return whether the work has ended before, and raise what it raised."""
    if task is None:
        await asyncio.sleep(RENEW_S)
        return False
    await asyncio.wait([task], timeout=RENEW_S)
    if not task.done():
        return False
    task.result()
    return True


async def _end(task: "asyncio.Future[None]") -> None:
    task.cancel()
    await asyncio.wait([task])
