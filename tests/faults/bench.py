"""What a fault is done to: a broker, a database, the service on both, and cells that send to it."""

import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.faults.checking import Outcome, check
from tests.faults.launching import FailingService
from tests.faults.orphans import orphans
from tests.faults.sending import Cells, Sent
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import wait_until
from tests.servers.relay import Relay
from zoneledger.clock import now_us
from zoneledger_cli.simulating import write_plant
from zoneledger_cli.verifying import QUIET_S
from zoneledger_sim.clock import rfc3339

#: The short form gives up sooner on what does not come.
SHORT_QUIET_S = 4.0


class Bench:
    """The parts of one row; `full` is the long form of the table, `seed` decides all chances.

    `broker` and `postgres` (None on SQLite) are the row's own, to stop and kill; `url` is the database's, and `began` when
    the time begins that the cells tell of.
    """

    def __init__(self, kind: str, seed: int, *, full: bool) -> None:
        self.kind, self.seed, self.full = kind, seed, full
        self.stack = ExitStack()
        self.directory = Path(tempfile.mkdtemp(prefix="zoneledger-fault-"))
        self.stack.callback(shutil.rmtree, self.directory, ignore_errors=True)
        self.broker = Mosquitto()
        self.stack.callback(self.broker.close)
        self.postgres: Postgres | None = None
        self.sent = Sent("", self.directory / "sent.jsonl", cells=6, seed=seed, pace=400)
        self.fault_ended_s: float | None = None
        self.service: FailingService
        self.url = ""
        self.began = ""
        self._flags: list[str] = []

    def __enter__(self) -> "Bench":
        self.broker.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stack.close()

    def times(self, often: int) -> int:
        """Return how often a fault is committed: in the short form of the table a third as often, once at least."""
        return often if self.full else -(-often // 3)

    def database(self, *, fsync: bool = False, directory: Path | None = None) -> str:
        """Return the URL of an empty database; it lies in `directory` if one is given."""
        if self.kind == "sqlite":
            return f"sqlite:///{(directory or self.directory) / 'zoneledger.db'}"
        self.postgres = Postgres(fsync=fsync, within=directory)
        self.stack.callback(self.postgres.close)
        self.postgres.start()
        return self.postgres.url(self.postgres.create_database())

    def relay(self, port: int) -> Relay:
        """Return a relay to a port for as long as the row lasts."""
        return self.stack.enter_context(Relay(port, seed=self.seed))

    def serve(
        self,
        database: str | None = None,
        broker: str | None = None,
        sender_broker: str | None = None,
        settings: dict[str, str] | None = None,
        **sent: Any,
    ) -> FailingService:
        """Start the service, subscribed, on a database and a broker's URL, unless told the row's own.

        `sender_broker` is the broker's URL as the cells see it, `settings` are of the service's environment; `sent` says how
        they send, where it is not as usual.
        """
        self.sent = replace(self.sent, broker=sender_broker or self.broker.url, **sent)
        plant = self.directory / "plant.json"
        write_plant(self.sent.scenario, plant)
        self.url = database or self.database()
        self.began = rfc3339(now_us() - self.sent.ago_us)
        self._flags = ["--database", self.url, "--broker", broker or self.broker.url]
        self.service = self.another(settings, "--plant", str(plant))
        return self.service

    def another(self, settings: dict[str, str] | None = None, *flags: str) -> FailingService:
        """Start a service beside the first, on the same database and broker unless a flag names others, with these settings."""
        service = FailingService(*self._flags, *flags, environment=settings)
        self.stack.callback(lambda: None if service.died else service.kill())
        service.start()
        return service

    def cells(self) -> Cells:
        """Return the row's cells, not yet sending."""
        return Cells(self.sent)

    @contextmanager
    def sending(self) -> Iterator[Cells]:
        """Let the cells send while the context lasts; at its end the fault is over, and they stop."""
        with self.cells() as cells:
            self.wait_for_events(200)
            yield cells
            if self.fault_ended_s is None:
                self.over()
            cells.stop()

    def over(self) -> None:
        """Note that the fault ends now; without this it does at the end of `sending`."""
        self.fault_ended_s = time.monotonic()

    def start_until_it_starts(self) -> None:
        """Start the service, again where a failpoint hinders it, as whatever watches over processes does."""
        for _ in range(20):
            self.service.start_dying()
            if not self.service.died:
                return

    def log(self, name: str) -> str:
        """Return what a command logged."""
        return (self.directory / f"{name}.log").read_text(errors="replace")

    def stored(self) -> int:
        """Return how many events the service has stored."""
        lines = [line for site in self.service.get("/v1/units")["sites"] for line in site["lines"]]
        return sum(int(cell["received"]["events"]) for line in lines for cell in line["cells"])

    def wait_for_events(self, more: int, longest_s: float = 60) -> None:
        """Wait until so many more events are stored."""
        wanted = self.stored() + more
        wait_until(lambda: self.stored() >= wanted, f"{more} more events", longest_s)

    def wait_until(self, holds: Callable[[], bool], what: str, longest_s: float = 60) -> None:
        """Wait for what a fault has to bring about."""
        wait_until(holds, f"{what}, seed {self.seed}", longest_s)

    def check(self, *, wait_s: float = 120, quiet_s: float | None = None, broker_loses: bool = False) -> Outcome:
        """Wait until the service is well and all is stored or nothing came for `quiet_s`, and say what became of everything."""
        assert self.fault_ended_s is not None
        self.wait_until(lambda: self.service.is_well("ready"), "the service is ready", wait_s)
        recover_s = time.monotonic() - self.fault_ended_s
        outcome = check(
            self.sent.ledger,
            self.service.url,
            recover_s=recover_s,
            ended_s=self.fault_ended_s,
            wait_s=wait_s,
            quiet_s=quiet_s or (QUIET_S if self.full else SHORT_QUIET_S),
            broker_loses=broker_loses,
        )
        assert not any(orphans(self.url).values())
        return outcome
