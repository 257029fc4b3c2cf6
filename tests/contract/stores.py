"""Opens empty stores of each kind, empties them again, and closes them."""

import sqlite3
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import delete, event

from tests.fakes.memory_store import MemoryStore
from zoneledger.application.ports import Store
from zoneledger.storage.engines import Engines, open_engines, transaction
from zoneledger.storage.schema import migrate
from zoneledger.storage.store import SqlStore
from zoneledger.storage.tables import metadata

KINDS = ("memory", "sqlite", "postgresql")

#: What SQLite takes as it comes; some builds, Debian's among them, take more.
SQLITE_VARIABLES = 32_766


def _limit_variables(engines: Engines) -> None:
    def limit(connection: Any, _: Any) -> None:
        raw = connection.driver_connection
        set_limit = raw._conn.setlimit
        connection.run_async(lambda _: raw._execute(set_limit, sqlite3.SQLITE_LIMIT_VARIABLE_NUMBER, SQLITE_VARIABLES))

    for engine in (engines.write, engines.read):
        event.listen(engine.sync_engine, "connect", limit)


@dataclass
class Stores:
    """Stores for one test, by URL; the URL `memory` is the fake's."""

    engines: dict[str, Engines] = field(default_factory=dict)

    async def open(self, url: str) -> Store:
        """Return an empty store."""
        if url == "memory":
            return MemoryStore()
        await migrate(url)
        engines = self.engines[url] = open_engines(url)
        if url.startswith("sqlite"):
            _limit_variables(engines)
        return SqlStore(engines)

    async def open_another(self, url: str) -> Store:
        """Return a second store on a database that was opened, as another process has it."""
        engines = self.engines[f"{url} again"] = open_engines(url)
        return SqlStore(engines)

    async def empty(self, url: str) -> Store:
        """Return the opened store with nothing in it."""
        if url == "memory":
            return MemoryStore()
        async with transaction(self.engines[url].write) as connection:
            for table in reversed(metadata.sorted_tables):
                await connection.execute(delete(table))
        return SqlStore(self.engines[url])

    async def close(self) -> None:
        """Close all that was opened."""
        for engines in self.engines.values():
            await engines.dispose()
