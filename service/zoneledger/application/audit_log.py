"""Writes the audit log: some entries at once, refusals and when keys were used each minute; forgets what is too old."""

import asyncio
from collections.abc import Callable
from contextlib import suppress

from zoneledger.application.audit import Refusals, tell
from zoneledger.application.keyring import AuditRow
from zoneledger.application.ports import Store
from zoneledger.application.upkeep import keep_doing
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import StoreUnavailable

#: How often what is counted is written, and how long a stop waits for that.
WRITE_S, LAST_WRITE_S = 60.0, 2.0
#: For how long entries are kept, how often it is looked for older ones, and how many rows are removed at once.
KEEP_DAYS, FORGET_US, FORGET_ROWS = 400, DAY_US // 24, 5000
#: So many entries wait at most while the database is away.
MOST_LATE = 1000


class AuditLog:
    """The audit log of a process, and when keys were used; one that `reads_only` tells its own log only. `run` has to run beside."""

    def __init__(self, store: Store, clock: Callable[[], int], *, reads_only: bool) -> None:
        self._store = store
        self._clock = clock
        self._reads_only = reads_only
        self._late: list[AuditRow] = []
        self._used_us: dict[str, int] = {}
        self._forgot_us = clock()
        self.refusals = Refusals()

    def used(self, id: str, now_us: int) -> None:
        """Note that a key or session was used."""
        self._used_us[id] = now_us

    async def note(self, row: AuditRow) -> None:
        """Tell and write an entry on what has happened at once, or write it once the database answers again."""
        tell(row)
        self._late.append(row)
        with suppress(StoreUnavailable):
            await self._write({})

    async def run(self) -> None:
        """Write each minute what is not written at once, until cancelled, and then once more."""
        try:
            await keep_doing(self.write, "the audit log is not written", WRITE_S)
        finally:
            with suppress(StoreUnavailable, TimeoutError):
                async with asyncio.timeout(LAST_WRITE_S):
                    await self.write()

    async def write(self) -> bool:
        """Write refusals, what waits, and when keys were used, and forget what is too old; return whether none of that is left."""
        self._late += self.refusals.take(self._clock())
        used_us, self._used_us = self._used_us, {}
        await self._write(used_us)
        return await self._forget()

    async def _write(self, used_us: dict[str, int]) -> None:
        rows, self._late = self._late, []
        if self._reads_only or not (rows or used_us):
            return
        try:
            async with self._store.writing() as writing:
                await writing.add_audit(rows)
                await writing.use_keys(used_us)
        except BaseException:
            self._late = [*rows, *self._late][-MOST_LATE:]
            self._used_us = used_us | self._used_us
            raise

    async def _forget(self) -> bool:
        """Once an hour forget sessions that were over a day ago, and old entries; return whether none of them is left."""
        now_us = self._clock()
        if self._reads_only or 0 <= now_us - self._forgot_us < FORGET_US:
            return True
        async with self._store.writing() as writing:
            sessions = await writing.forget_sessions(now_us - DAY_US, FORGET_ROWS)
            entries = await writing.forget_audit(now_us - KEEP_DAYS * DAY_US, FORGET_ROWS)
        if sessions and entries:
            self._forgot_us = now_us
        return sessions and entries
