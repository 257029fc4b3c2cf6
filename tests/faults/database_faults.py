"""Faults of the database: restarted, away, cut off, locked by another, and lost with a backup left."""

import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.database_restore import do_as_documented, documented_database, send_all_again
from tests.faults.database_trouble import assert_takes_nothing_in, held, its_postgres, until_ready
from tests.faults.table import fault
from tests.servers.postgres import Postgres

SQLITE, POSTGRESQL = ("sqlite",), ("postgresql",)


def _restarted(end: Callable[[Postgres], None]) -> Callable[[Bench], Outcome]:
    def commit(bench: Bench) -> Outcome:
        bench.serve(bench.database(fsync=bench.full))
        with bench.sending():
            for _ in range(bench.times(3)):
                bench.wait_for_events(300)
                end(its_postgres(bench))
                its_postgres(bench).start()
                bench.over()
                until_ready(bench)
        return bench.check()

    return commit


fault("database", "restart, 3 times", databases=POSTGRESQL, short=POSTGRESQL)(_restarted(Postgres.stop))
fault("database", "kill -9, 3 times", databases=POSTGRESQL)(_restarted(Postgres.kill))


@fault("database", "down for 10 s", databases=POSTGRESQL)
def _down(bench: Bench) -> Outcome:
    bench.serve()
    with bench.sending():
        its_postgres(bench).stop()
        assert_takes_nothing_in(bench, reads=False)
        time.sleep(10)
        assert_takes_nothing_in(bench, reads=False)
        its_postgres(bench).start()
        bench.over()
    return bench.check()


@fault("database", "down for 5 s, and the service killed meanwhile", databases=POSTGRESQL)
def _down_and_killed(bench: Bench) -> Outcome:
    """What the service had acknowledged while it could not store it would now be lost."""
    service = bench.serve()
    with bench.sending():
        its_postgres(bench).stop()
        assert_takes_nothing_in(bench, reads=False)
        time.sleep(5)
        service.kill()
        its_postgres(bench).start()
        bench.over()
        service.start()
    return bench.check()


def _failures(bench: Bench) -> int:
    return bench.service.log().count("nothing kept of")


def _has_failed(bench: Bench, times: int) -> bool:
    return _failures(bench) > times


def _duplicates(bench: Bench) -> int:
    lines = [line for site in bench.service.get("/v1/units")["sites"] for line in site["lines"]]
    return sum(int(cell["received"]["duplicate"]) for line in lines for cell in line["cells"])


def _cut_at_commit(reached: bool) -> Callable[[Bench], Outcome]:
    def commit(bench: Bench) -> Outcome:
        database = bench.database()
        relay = bench.relay(its_postgres(bench).port)
        bench.serve(database.replace(f":{its_postgres(bench).port}/", f":{relay.port}/"))
        with bench.sending():
            known = _duplicates(bench)
            for _ in range(bench.times(5)):
                before = _failures(bench)
                relay.cut_at(b"COMMIT", reached=reached)
                bench.wait_until(partial(_has_failed, bench, before), "a group fails")
                relay.cut_no_more()
                bench.over()
                until_ready(bench)
                bench.wait_for_events(100)
            assert relay.cuts > 0
            assert not reached or _duplicates(bench) > known, "what was committed comes again"
        return bench.check()

    return commit


fault("database", "cut off just before a commit, 5 times", databases=POSTGRESQL)(_cut_at_commit(reached=False))
fault("database", "cut off before the answer to a commit, 5 times", databases=POSTGRESQL, short=POSTGRESQL)(
    _cut_at_commit(reached=True)
)


@fault("database", "half-open connections to it", databases=POSTGRESQL)
def _half_open(bench: Bench) -> Outcome:
    database = bench.database()
    relay = bench.relay(its_postgres(bench).port)
    bench.serve(database.replace(f":{its_postgres(bench).port}/", f":{relay.port}/"), pace=100)
    with bench.sending():
        relay.half_open()
        bench.over()
        bench.wait_until(lambda: "it took too long" in bench.service.log(), "the service gives the connection up")
        until_ready(bench)
    return bench.check()


def _locked(statement: str, seconds: float) -> Callable[[Bench], Outcome]:
    def commit(bench: Bench) -> Outcome:
        bench.serve()
        with bench.sending():
            with held(bench.url, statement):
                before = bench.stored()
                time.sleep(seconds)
                assert bench.stored() == before
            bench.over()
        return bench.check()

    return commit


fault("database", "locked by another for 4 s", databases=SQLITE)(_locked("BEGIN IMMEDIATE", 4))
fault("database", "its events are locked by another for 4 s", databases=POSTGRESQL)(_locked("LOCK TABLE events", 4))
fault("database", "a head is locked by another for 4 s", databases=POSTGRESQL)(
    _locked("SELECT * FROM heads ORDER BY cell_id LIMIT 1 FOR UPDATE", 4)
)


@fault("database", "locked by another for longer than the service waits", databases=SQLITE)
def _locked_for_long(bench: Bench) -> Outcome:
    bench.serve(pace=100)
    with bench.sending():
        with held(bench.url, "BEGIN IMMEDIATE"):
            before = bench.stored()
            assert_takes_nothing_in(bench, reads=True)
            assert bench.stored() == before
        bench.over()
    return bench.check()


@fault("database", "lost; its backup restored, then all sent again")
def _restored(bench: Bench) -> Outcome:
    service = bench.serve(documented_database(bench))
    with bench.sending():
        do_as_documented("backup", bench.directory, bench.postgres)
        bench.wait_for_events(600)
        service.kill()
        do_as_documented("restore", bench.directory, bench.postgres)
        service.start()
        bench.over()
        bench.wait_for_events(300)
    told = bench.check(broker_loses=True)
    assert told.faultless, told
    assert told.gaps > 300, "what came after the backup is missing, and known to be"
    bench.over()
    send_all_again(bench)
    return replace(bench.check(), note=f"{told.gaps} were known to be missing")
