"""The Store port on SQLite or PostgreSQL."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from zoneledger.application.ports import Reading, Writing
from zoneledger.application.stored import Basis, Stamp
from zoneledger.core.errors import StoreUnavailable
from zoneledger.storage.engines import LOOKS, Engines, transaction
from zoneledger.storage.reading import SqlReading
from zoneledger.storage.writing import SqlWriting

ONLY_READS = "this process only reads: ask one that takes messages in"


class SqlStore:
    """One consistent look, or one transaction, at a time on the engines' connections; none that writes where it `reads_only`."""

    def __init__(self, engines: Engines, *, reads_only: bool = False) -> None:
        self._engines = engines
        self._reads_only = reads_only
        # The pool does not serve in the order in which they came, and some would wait for very long.
        self._looks = asyncio.Semaphore(LOOKS)
        self._having_heads: set[str] = set()

    @asynccontextmanager
    async def reading(self) -> AsyncIterator[Reading]:
        """Begin one consistent look."""
        async with transaction(self._engines.read) as connection:
            yield SqlReading(connection)

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[Writing]:
        """Begin a transaction; leaving it without an error commits."""
        if self._reads_only:
            raise StoreUnavailable(ONLY_READS)
        async with transaction(self._engines.write) as connection:
            yield SqlWriting(connection, self._having_heads)

    async def stamp(self, basis: Basis) -> Stamp:
        """Return what tells whether a basis is still the same, by one statement."""
        async with self._looks, transaction(self._engines.look) as connection:
            return await SqlReading(connection).stamp(basis)

    async def close(self) -> None:
        """Let go of all connections."""
        await self._engines.dispose()
