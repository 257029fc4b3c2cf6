"""The Store port on SQLite or PostgreSQL."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from zoneledger.application.ports import Reading, Writing
from zoneledger.storage.engines import Engines, transaction
from zoneledger.storage.reading import SqlReading
from zoneledger.storage.writing import SqlWriting


class SqlStore:
    """One consistent look, or one transaction, at a time on the engines' connections."""

    def __init__(self, engines: Engines) -> None:
        self._engines = engines
        self._having_heads: set[str] = set()

    @asynccontextmanager
    async def reading(self) -> AsyncIterator[Reading]:
        """Begin one consistent look."""
        async with transaction(self._engines.read) as connection:
            yield SqlReading(connection)

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[Writing]:
        """Begin a transaction; leaving it without an error commits."""
        async with transaction(self._engines.write) as connection:
            yield SqlWriting(connection, self._having_heads)

    async def close(self) -> None:
        """Let go of all connections."""
        await self._engines.dispose()
