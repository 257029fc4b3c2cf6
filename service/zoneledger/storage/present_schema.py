"""Tells whether a database answers and has this program's schema, without changing it."""

from functools import lru_cache
from pathlib import Path

from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection
from sqlalchemy.ext.asyncio import AsyncEngine

from zoneledger.storage.engines import transaction


@lru_cache(maxsize=1)
def wanted() -> str | None:
    """Return the revision of this program's schema."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    return ScriptDirectory.from_config(config).get_current_head()


def revision_of(connection: Connection) -> str | None:
    """Return the revision of a database's schema, None where it has none yet."""
    return MigrationContext.configure(connection).get_current_revision()


def _has_wanted(connection: Connection) -> bool:
    return revision_of(connection) == wanted()


async def is_current(engine: AsyncEngine) -> bool:
    """Tell whether the schema is this program's; raise StoreUnavailable while the database does not answer."""
    async with transaction(engine) as connection:
        return await connection.run_sync(_has_wanted)
