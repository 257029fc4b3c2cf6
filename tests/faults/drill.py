"""The drill of backup, loss and restore, by the commands of docs/backup.md: timed, with what came back, from where, and what was lost.

    python -m tests.faults.drill

Real cells' part is played by simulated ones, which send over a real Mosquitto all the time. The database is backed up while they
do; then service and database are killed and the database's files are gone. All is restored and started; what the cells keep is
imported.
"""

import argparse
import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.database_restore import do_as_documented, documented, documented_database, environment_of
from tests.faults.database_trouble import its_postgres, path_of
from tests.faults.launching import fork_command
from tests.servers.postgres import Postgres
from tests.servers.programs import wait_until
from zoneledger_sim.ledger_file import read_ledger

#: The ways of docs/backup.md, and the kind of database that each is for.
WAYS = {"zoneledger backup": "sqlite", "pg_dump": "postgresql", "pg_receivewal": "postgresql"}
HEADING = (
    f"{'way':<19}{'messages':>10}{'backup s':>10}{'after it':>10}{'restore s':>11}{'ready s':>9}"
    f"{'missing':>9}{'import s':>10}{'lost':>6}{'twice':>7}{'difference':>12}"
)


@dataclass(frozen=True)
class Drilled:
    """What came of one drill.

    `after` are the events that were stored and acknowledged between backup and loss, `restore_s` is the time for the files, `ready_s`
    that from the start of the database and the service until that was ready. `missing` are the events that were gone then, each
    of which the service told; `final` is the outcome after what the cells keep was imported.
    """

    way: str
    backup_s: float
    after: int
    restore_s: float
    ready_s: float
    missing: int
    import_s: float
    final: Outcome

    def line(self) -> str:
        """Return the drill's line of the table."""
        final = self.final
        return (
            f"{self.way:<19}{final.sent:>10}{self.backup_s:>10.2f}{self.after:>10}{self.restore_s:>11.2f}{self.ready_s:>9.2f}"
            f"{self.missing:>9}{self.import_s:>10.2f}{final.lost:>6}{final.twice:>7}{final.difference:>12g}"
        )


def _timed(work: Callable[[], object]) -> float:
    began_s = time.monotonic()
    work()
    return time.monotonic() - began_s


@contextmanager
def _received(postgres: Postgres, elsewhere: Path) -> Iterator[None]:
    """Receive a cluster's log in another folder, as on another machine, and let each commit wait for that."""
    with (elsewhere / "receiver").open("ab") as log:
        command, environment = documented("receive", "postgresql"), environment_of(postgres)
        receiving = subprocess.Popen(
            command, cwd=elsewhere, env=environment, stdout=log, stderr=log, **postgres.as_user
        )
    try:
        wait_until(lambda: any(elsewhere.glob("log/*.partial")), "the log is received", 30)
        do_as_documented("promise", elsewhere, postgres)
        yield
    finally:
        receiving.terminate()
        receiving.wait(30)


def _elsewhere(bench: Bench) -> Path:
    """Return a folder that is not lost with the database: of PostgreSQL's account, where there is one."""
    if bench.postgres is None:
        return bench.directory
    folder = bench.postgres.data.parent / "elsewhere"
    subprocess.run(["mkdir", str(folder)], check=True, **bench.postgres.as_user)
    return folder


def _as_account(what: str, folder: Path, postgres: Postgres) -> None:
    """Do what the page says of a cluster's files, as the account that they belong to."""
    environment = environment_of(postgres) | {"PGDATA": str(postgres.data)}
    subprocess.run(documented(what, "postgresql"), cwd=folder, env=environment, check=True, **postgres.as_user)


def _back_up(way: str, folder: Path, bench: Bench) -> None:
    if way == "pg_receivewal":
        _as_account("base", folder, its_postgres(bench))
    else:
        do_as_documented("backup", folder, bench.postgres)


def _lose(bench: Bench) -> None:
    """Kill the service and the database, and remove the database's files."""
    bench.service.kill()
    if bench.postgres is not None:
        bench.postgres.lose()
        return
    for file in bench.directory.glob(f"{path_of(bench.url).name}*"):
        file.unlink()


def _restore(way: str, folder: Path, bench: Bench) -> None:
    """Bring the database's files back, and of PostgreSQL a server that has them."""
    if way == "pg_receivewal":
        _as_account("recover", folder, its_postgres(bench))
        return
    if bench.postgres is not None:
        bench.postgres.make_anew()
        bench.postgres.start()
    do_as_documented("restore", folder, bench.postgres)


def _begin_again(bench: Bench) -> None:
    if bench.postgres is not None:
        bench.postgres.start()
    bench.service.start()


def import_what_cells_keep(bench: Bench) -> None:
    """Import a message file of all that the cells ever sent."""
    file = bench.directory / "kept.jsonl"
    with file.open("w") as stream:
        for cell, message in read_ledger(bench.sent.ledger).messages():
            stream.write(json.dumps({"cell": cell, "messages": [message]}) + "\n")
    arguments = ["import", str(file), "--against", bench.service.url]
    status = fork_command(arguments, {}, bench.directory / "import.log").wait(600)
    assert status == 0, bench.log("import")


def drill(way: str, bench: Bench, *, events: int) -> Drilled:
    """Do the drill on a bench of the way's kind of database; so many events come before the backup, and again after it."""
    bench.serve(documented_database(bench))
    folder = _elsewhere(bench)
    with bench.sending():
        with _received(its_postgres(bench), folder) if way == "pg_receivewal" else nullcontext():
            bench.wait_for_events(events, 300)
            at_backup = bench.stored()
            backup_s = _timed(lambda: _back_up(way, folder, bench))
            bench.wait_for_events(events, 300)
            after = bench.stored() - at_backup
            _lose(bench)
        restore_s = _timed(lambda: _restore(way, folder, bench))
        ready_s = _timed(lambda: _begin_again(bench))
        bench.over()
        bench.wait_for_events(300)
    told = bench.check(broker_loses=way != "pg_receivewal")
    assert told.faultless, told
    if way == "pg_receivewal":
        return Drilled(way, backup_s, after, restore_s, ready_s, told.gaps, 0.0, told)
    import_s = _timed(lambda: import_what_cells_keep(bench))
    bench.over()
    return Drilled(way, backup_s, after, restore_s, ready_s, told.gaps, import_s, bench.check())


def main() -> None:
    """Do the drill in each way, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--way", choices=WAYS, action="append")
    parser.add_argument(
        "--events", type=int, default=50_000, help="how many come before the backup, and again after it"
    )
    parser.add_argument("--seed", type=int, default=20261127)
    asked = parser.parse_args()
    print(HEADING, flush=True)
    lost = 0
    for way in asked.way or WAYS:
        with Bench(WAYS[way], asked.seed, full=True) as bench:
            drilled = drill(way, bench, events=asked.events)
        lost += not drilled.final.faultless
        print(drilled.line(), flush=True)
    sys.exit(min(lost, 1))


if __name__ == "__main__":
    main()
