"""Faults of the disk that the database is on: full, slow to sync, failing to, and answering with errors only."""

import time
from functools import partial

import asyncpg

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.database_trouble import (
    SmallDisk,
    assert_takes_nothing_in,
    its_postgres,
    path_of,
    tampered,
    until_ready,
)
from tests.faults.table import fault
from tests.servers.postgres import Postgres

SQLITE, POSTGRESQL = ("sqlite",), ("postgresql",)


@fault("database", "disk full, then room again", short=SQLITE)
def _full(bench: Bench) -> Outcome:
    disk = SmallDisk(bench, 400)
    bench.serve(bench.database(directory=disk.path))
    with bench.sending():
        disk.fill()
        assert_takes_nothing_in(bench, reads=True)
        before = bench.stored()
        time.sleep(5 if bench.full else 1)
        assert_takes_nothing_in(bench, reads=True)
        assert bench.stored() == before
        disk.make_room()
        if bench.postgres is not None:
            bench.postgres.start()  # where it has ended itself
        bench.over()
    assert "its disk is full" in bench.service.log()
    return bench.check()


@fault("database", "the disk of its log full, then room again", databases=POSTGRESQL)
def _log_full(bench: Bench) -> Outcome:
    """PostgreSQL ends itself then, and again while it recovers; whoever has made room starts it."""
    disk = SmallDisk(bench, 400)
    bench.serve(bench.database(directory=disk.path))
    with bench.sending():
        disk.fill()
        bench.wait_until(lambda: not _switches_log(its_postgres(bench)), "PostgreSQL is down")
        assert_takes_nothing_in(bench, reads=None)
        time.sleep(5)
        assert_takes_nothing_in(bench, reads=None)
        disk.make_room()
        its_postgres(bench).start()
        bench.over()
    assert "PANIC" in its_postgres(bench).log()
    return bench.check()


def _switches_log(postgres: Postgres) -> bool:
    """Let it begin another file of its write-ahead log; return whether it could."""
    try:
        postgres.run_sql("SELECT pg_logical_emit_message(false, 'test', 'x'), pg_switch_wal()")
    except (OSError, asyncpg.PostgresError):
        return False
    return True


@fault("database", "fsync takes 0.3 s, for 5 s")
def _slow(bench: Bench) -> Outcome:
    bench.serve(bench.database(fsync=True))
    with bench.sending():
        with tampered(bench, _writers(bench), "fsync,fdatasync:delay_enter=300000"):
            time.sleep(5)
        bench.over()
    return bench.check()


def _writers(bench: Bench) -> list[int]:
    """Return the processes that write the database."""
    return [bench.service.pid] if bench.postgres is None else bench.postgres.processes()


@fault("database", "every second fsync fails, for 5 s", databases=SQLITE)
def _failing(bench: Bench) -> Outcome:
    """SQLite takes a commit back whose log it cannot sync, and writes that part of the log again: nothing rests on a failed sync."""
    bench.serve()
    with bench.sending():
        with tampered(bench, _writers(bench), "fsync,fdatasync:error=EIO:when=1+2"):
            time.sleep(5)
        bench.over()
    assert "nothing kept of" in bench.service.log()
    return bench.check()


@fault("database", "an fsync fails in each process, twice", databases=POSTGRESQL)
def _panicking(bench: Bench) -> Outcome:
    """PostgreSQL trusts nothing that it cannot sync: it ends itself and recovers, or waits for whoever starts it again."""
    bench.serve(bench.database(fsync=True))
    with bench.sending():
        for panics in (1, 2):
            with tampered(bench, _writers(bench), "fsync,fdatasync:error=EIO:when=5"):
                bench.wait_until(partial(_has_panicked, bench, panics), "a panic")
                time.sleep(2)
            its_postgres(bench).start()
            bench.over()
            until_ready(bench)
            bench.wait_for_events(300)
    return bench.check()


def _has_panicked(bench: Bench, times: int) -> bool:
    return its_postgres(bench).log().count("PANIC") >= times


@fault("database", "its disk answers with errors only, for 10 s", databases=SQLITE)
def _disk_away(bench: Bench) -> Outcome:
    bench.serve()
    file = path_of(bench.url)
    files = [file, *(file.with_name(file.name + end) for end in ("-wal", "-shm"))]
    with bench.sending():
        calls = "openat,pread64,pwrite64,fsync,fdatasync,ftruncate"
        with tampered(bench, _writers(bench), f"{calls}:error=EIO", only=files):
            assert_takes_nothing_in(bench, reads=None)
            time.sleep(10)
        bench.over()
    return bench.check()
