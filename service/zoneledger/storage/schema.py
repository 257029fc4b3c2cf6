"""Brings a database's schema to this program's, and refuses one that is newer."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, event
from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine
from sqlalchemy.pool import NullPool

from zoneledger.core.errors import SchemaMismatch, StoreUnavailable
from zoneledger.storage.engines import driver_url, naming, transaction
from zoneledger.storage.passwords import connecting


def _config(connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    return config


def _engine(database_url: str) -> AsyncEngine:
    """Return an engine for migrations: on SQLite foreign keys are off, as altering a table copies it.

    Raises StoreUnavailable for a file of SQLite in a folder that is not there.
    """
    url = driver_url(database_url)
    url, arguments = connecting(url)
    engine = create_async_engine(url, poolclass=NullPool, connect_args=arguments, hide_parameters=True)
    if engine.dialect.name == "sqlite":
        folder = Path(url.database or "").parent
        if not folder.is_dir():
            raise StoreUnavailable(f"there is no folder {folder} for the database")
        event.listen(engine.sync_engine, "connect", lambda connection, _: setattr(connection, "isolation_level", None))
        event.listen(engine.sync_engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    return engine


def _check_not_newer(present: str | None, known: list[str]) -> None:
    if present is not None and present not in known:
        raise SchemaMismatch(
            f"The database has schema {present}, which this version of zoneledger does not know: "
            "it was written by a newer version, so start that one."
        )


def _check_known(revision: str, known: list[str]) -> None:
    if revision not in (*known, "head", "base"):
        raise SchemaMismatch(f"There is no schema {revision}: there are {known[-1]} to {known[0]}.")


def _move(connection: Connection, revision: str) -> None:
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("SELECT pg_advisory_xact_lock(7301982)")
    present = MigrationContext.configure(connection).get_current_revision()
    known = [script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()]  # the newest first
    _check_not_newer(present, known)
    _check_known(revision, known)
    if present is not None and (revision == "base" or revision in known[known.index(present) :]):
        command.downgrade(_config(connection), revision)
    else:
        command.upgrade(_config(connection), revision)
    if connection.dialect.name == "sqlite" and connection.exec_driver_sql("PRAGMA foreign_key_check").first():
        raise SchemaMismatch("The migration would break a reference between rows, so nothing was changed.")


async def migrate(database_url: str, revision: str = "head") -> None:
    """Bring a database to a revision in one transaction; raise SchemaMismatch for a newer one, StoreUnavailable if it is away."""
    engine = _engine(database_url)
    try:
        with naming(database_url):
            async with transaction(engine) as connection:
                await connection.run_sync(_move, revision)
    finally:
        await engine.dispose()
