"""`zoneledger backup`: a whole copy while others write, or none at all and a sentence that says why."""

import asyncio
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from tests.contract.rows import refused, said
from zoneledger.storage.engines import open_engines
from zoneledger.storage.schema import migrate
from zoneledger.storage.store import SqlStore
from zoneledger.storage.tables import metadata
from zoneledger_cli.main import app

ROWS = 2000


@pytest.fixture
async def database(tmp_path: Path) -> Path:
    """A database file with this program's schema and some rows, as the service leaves it when it is killed."""
    path = tmp_path / "ledger of hall 3.db"
    await migrate(f"sqlite:///{path}")
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.executemany("INSERT INTO plants VALUES (?, ?, 0)", [(n, "{}" * 200) for n in range(1, ROWS + 1)])
    return path


def _back_up(database: Path | str, copy: Path) -> Result:
    url = database if isinstance(database, str) else f"sqlite:///{database}"
    return CliRunner().invoke(app, ["backup", str(copy), "--database", url], env={"COLUMNS": "400"})


def _ask(path: Path, query: str) -> object:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchone()[0]


def _rows(path: Path, table: str) -> list[object]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()


@contextmanager
def _written_to(path: Path) -> Iterator[None]:
    """Let a writer add two rows at a time, as fast as it can."""
    stop, begun = threading.Event(), threading.Event()

    def write() -> None:
        with closing(sqlite3.connect(path, isolation_level=None, timeout=10)) as connection:
            number = ROWS
            while not stop.is_set():
                connection.execute("BEGIN IMMEDIATE")
                connection.executemany("INSERT INTO plants VALUES (?, '{}', 0)", [(number + 1,), (number + 2,)])
                connection.execute("COMMIT")
                number += 2
                begun.set()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert begun.wait(10)
        yield
    finally:
        stop.set()
        writer.join(10)


def test_a_copy_made_while_others_write_is_whole_and_shows_one_moment(database: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    with _written_to(database):
        told = _back_up(database, copy)
        between = int(str(_ask(database, "SELECT count(*) FROM plants")))
    assert told.exit_code == 0, told.output
    assert "holds the whole database" in told.output
    assert _ask(copy, "PRAGMA integrity_check") == "ok"
    copied = int(str(_ask(copy, "SELECT count(*) FROM plants")))
    assert ROWS < copied <= between
    assert copied % 2 == 0
    assert _ask(copy, "SELECT max(version) FROM plants") == copied


def test_what_is_only_in_the_log_beside_the_database_is_copied_too(database: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    with closing(sqlite3.connect(database)) as service:
        service.execute("DELETE FROM plants")
        service.commit()
        assert database.with_name(database.name + "-wal").stat().st_size > 0
        assert _back_up(database, copy).exit_code == 0
    assert _ask(copy, "SELECT count(*) FROM plants") == 0


async def test_every_row_is_in_the_copy_and_reasons_that_people_gave_go_on_from_it(
    database: Path, tmp_path: Path
) -> None:
    store, copy = SqlStore(open_engines(f"sqlite:///{database}")), tmp_path / "copy.db"
    async with store.writing() as writing:
        number = await writing.add_given(said(note="crane was at line 2"))
        await writing.add_given(said(reason=None, undoes=number))
        await writing.add_refused([refused()])
    await store.close()
    assert (await asyncio.to_thread(_back_up, database, copy)).exit_code == 0
    for table in metadata.tables:
        assert _rows(copy, table) == _rows(database, table), table
    assert len(_rows(copy, "given_reasons")) == 2
    restored = SqlStore(open_engines(f"sqlite:///{copy}"))
    async with restored.writing() as writing:
        assert await writing.add_given(said(reason=None, undoes=number)) == number + 2
    await restored.close()


def test_nothing_is_left_beside_the_copy_and_the_database_is_as_it_was(database: Path, tmp_path: Path) -> None:
    copies, before = tmp_path / "copies", database.read_bytes()
    copies.mkdir()
    assert _back_up(database, copies / "copy.db").exit_code == 0
    assert os.listdir(copies) == ["copy.db"]
    assert database.read_bytes() == before


def test_a_file_that_is_there_is_not_overwritten(database: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    copy.write_text("of last week")
    told = _back_up(database, copy)
    assert (told.exit_code, told.stderr) == (1, f"zoneledger: {copy} is there already; a backup overwrites nothing.\n")
    assert copy.read_text() == "of last week"


def test_a_database_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    missing = tmp_path / "none.db"
    told = _back_up(missing, tmp_path / "copy.db")
    assert (told.exit_code, told.stderr) == (1, f"zoneledger: There is no database {missing}.\n")
    assert os.listdir(tmp_path) == []


def test_a_folder_that_is_not_there_is_named(database: Path, tmp_path: Path) -> None:
    told = _back_up(database, tmp_path / "away" / "copy.db")
    assert (told.exit_code, told.stderr) == (1, f"zoneledger: There is no folder {tmp_path / 'away'} for the backup.\n")


@pytest.mark.parametrize("contents", [b"", b"a letter, and no database. " * 100])
def test_a_file_that_is_no_database_of_ours_is_refused(tmp_path: Path, contents: bytes) -> None:
    other = tmp_path / "other.db"
    other.write_bytes(contents)
    told = _back_up(other, tmp_path / "copy.db")
    assert told.exit_code == 1
    assert told.stderr.startswith(f"zoneledger: {other} ")
    assert "no database of zoneledger" in told.stderr or "not a database" in told.stderr
    assert os.listdir(tmp_path) == [other.name]


def test_a_damaged_database_gives_no_backup(database: Path, tmp_path: Path) -> None:
    with database.open("r+b") as stream:
        stream.seek(database.stat().st_size // 2)
        stream.write(b"\xff" * 8192)
    copies = tmp_path / "copies"
    copies.mkdir()
    told = _back_up(database, copies / "copy.db")
    assert told.exit_code == 1
    assert f"{database} is damaged" in told.stderr
    assert os.listdir(copies) == []


def test_for_postgresql_it_names_the_program_and_the_page(tmp_path: Path) -> None:
    told = _back_up("postgresql://db.example/zoneledger", tmp_path / "copy.db")
    assert told.exit_code == 1
    assert "pg_dump" in told.stderr
    assert "docs/backup.md" in told.stderr
    assert os.listdir(tmp_path) == []
