"""How much room a database takes, and how much is left for it where that can be seen."""

import shutil
from pathlib import Path

from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncEngine

from zoneledger.application.stored import Room
from zoneledger.storage.engines import transaction


async def room_of(engine: AsyncEngine) -> Room:
    """Return how many bytes a database has, its write-ahead log on SQLite too; raise StoreUnavailable while it does not answer."""
    if engine.dialect.name == "sqlite":
        return room_of_file(Path(engine.url.database or ""))
    async with transaction(engine) as connection:
        size = await connection.scalar(text("SELECT pg_database_size(current_database())"))
    return Room(int(size), None)


def room_of_file(database: Path) -> Room:
    """Return the same of a file of SQLite, 0 bytes where there is none yet; its folder has to be there."""
    files = (database, database.with_name(f"{database.name}-wal"))
    return Room(sum(file.stat().st_size for file in files if file.exists()), shutil.disk_usage(database.parent).free)
