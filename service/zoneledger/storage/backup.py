"""Copies an SQLite database into a file while others read and write it."""

import os
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from sqlalchemy.engine import make_url

FOR_POSTGRESQL = "A PostgreSQL database is backed up by pg_dump: docs/backup.md says how."


def back_up(database_url: str, copy: Path) -> str:
    """Copy an SQLite database, as it is at one moment, into a new file, and return its schema's revision.

    The copy has its name only once it is whole, checked and on the disk. Raises ValueError for a database that is not
    SQLite's or not this program's, FileExistsError and FileNotFoundError with a sentence, and OSError where copying fails.
    """
    url = make_url(database_url)
    if url.get_backend_name() != "sqlite":
        raise ValueError(FOR_POSTGRESQL)
    database = Path(url.database or "")
    _check_paths(database, copy)
    handle, name = tempfile.mkstemp(prefix=f".{copy.name}.", dir=copy.parent)
    os.close(handle)
    part = Path(name)
    try:
        try:
            revision = _copy(database, part)
        except sqlite3.Error as error:
            raise OSError(f"{database} could not be copied to {copy}: {error}") from error
        _sync(part)
        _check_paths(database, copy)
        part.rename(copy)
        _sync(copy.parent)
    finally:
        part.unlink(missing_ok=True)
    return revision


def _check_paths(database: Path, copy: Path) -> None:
    if not database.is_file():
        raise FileNotFoundError(f"There is no database {database}.")
    if not copy.parent.is_dir():
        raise FileNotFoundError(f"There is no folder {copy.parent} for the backup.")
    if copy.exists():
        raise FileExistsError(f"{copy} is there already; a backup overwrites nothing.")


def _open(path: Path, mode: str) -> "closing[sqlite3.Connection]":
    """Open a file that is there, and never make one that is not."""
    return closing(sqlite3.connect(f"{path.absolute().as_uri()}?{mode}", uri=True))


def _copy(database: Path, part: Path) -> str:
    """Copy within one reading transaction: writers go on, and the copy shows nothing of what they do meanwhile."""
    with _open(database, "mode=ro") as source, _open(part, "mode=rw") as target:
        target.execute("PRAGMA synchronous = OFF")  # it is synced as a whole
        source.backup(target)
    with _open(part, "immutable=1") as copied:
        if not copied.execute("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").fetchone():
            raise ValueError(f"{database} is no database of zoneledger.")
        [(revision,)] = copied.execute("SELECT version_num FROM alembic_version")
        [(found,)] = copied.execute("PRAGMA quick_check(1)")
    if found != "ok":
        raise OSError(f"{database} is damaged, so that no backup was made: {found}")
    return str(revision)


def _sync(path: Path) -> None:
    opened = os.open(path, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
