"""The drill of an upgrade and of both ways back, from the sources of a former version to the present one, while cells send.

    git archive COMMIT | tar -x -C build/former
    python -m tests.faults.upgrade --former build/former

The steps: the former version serves; it is stopped, and a backup made; the present one starts on its database; the schema is taken
back, and the former one goes on; the present one again; the backup is restored, and the former one goes on; what the cells keep is
imported. After each step the figures of the time before have to be those that the former version told.
"""

import argparse
import time
from pathlib import Path
from typing import Any

from tests.faults.bench import Bench
from tests.faults.database_restore import do_as_documented, documented_database
from tests.faults.drill import import_what_cells_keep
from tests.faults.launching import FailingService, fork_command
from tests.upgrading.former import FormerService, differences, schema_of
from zoneledger.api.times import read_instant, rfc3339
from zoneledger.core.calendar import HOUR_US


class UpgradeBench(Bench):
    """A bench whose first service is the former version's; `present` is this one's, not yet started."""

    def __init__(self, kind: str, seed: int, sources: Path) -> None:
        super().__init__(kind, seed, full=True)
        self._sources = sources
        self.present: FailingService

    def another(self, settings: dict[str, str] | None = None, *flags: str) -> FailingService:
        """Start the former version."""
        self.present = FailingService(*self._flags)
        former = FormerService(self._sources, *self._flags, *flags)
        for service in (self.present, former):
            self.stack.callback(service.stop)
        former.start()
        return former


def _figures(bench: Bench, until: str) -> list[Any]:
    """Return what is told of the cells from their beginning until an instant, but for what later verdicts on quality change."""
    window = {"start": bench.began, "end": until}
    cells = [bench.sent.scenario.path(plan.cell) for plan in bench.sent.scenario.cells]
    told: list[Any] = [bench.service.get(f"/v1/timeline/{cell}", **window) for cell in cells]
    for unit in (cells[0].rpartition("/")[0], *cells):
        kpi = bench.service.get(f"/v1/kpi/{unit}", **window)
        told.append({name: kpi[name] for name in ("planned_s", "time_s", "availability", "known", "standard_s")})
        told.append({"fasteners": {"made": kpi["fasteners"]["made"]}, "unit": unit})
    return told


class Upgrade:
    """One drill, and the lines that it prints."""

    def __init__(self, bench: UpgradeBench) -> None:
        self._bench = bench
        self._before: list[Any] = []
        self._until = ""

    def _go_on(self, step: str, service: FailingService, began_s: float) -> None:
        """Let a service go on, hold what it tells of the time before against what was told first, and wait for more messages."""
        bench, bench.service = self._bench, service
        service.start()
        ready_s = time.monotonic() - began_s
        found = differences(self._before, _figures(bench, self._until))
        assert found == [], (step, found[:5])
        bench.wait_for_events(500)
        print(
            f"{bench.kind:<11}{step:<46}ready after {ready_s:6.2f} s, the same figures, {bench.stored():>7} events",
            flush=True,
        )

    def run(self) -> None:
        """Do the drill; raises AssertionError where anything is lost, or told otherwise."""
        bench = self._bench
        former = bench.serve(documented_database(bench))
        with bench.sending():
            self._until = rfc3339(read_instant(bench.began) + 2 * HOUR_US)
            bench.wait_until(lambda: self._all_past(2.5), "the cells are past the time that is compared", 300)
            self._before = _figures(bench, self._until)
            schema = schema_of(bench.url)
            print(f"{bench.kind:<11}the former version, schema {schema}: {bench.stored()} events", flush=True)
            former.stop()
            do_as_documented("backup", bench.directory, bench.postgres)
            self._go_on("upgraded", bench.present, time.monotonic())
            bench.present.stop()
            began_s = time.monotonic()
            self._migrate_to(schema)
            self._go_on(f"schema taken back to {schema}, former version", former, began_s)
            former.stop()
            self._go_on("upgraded again", bench.present, time.monotonic())
            bench.present.kill()
            began_s = time.monotonic()
            do_as_documented("restore", bench.directory, bench.postgres)
            self._go_on("backup restored, former version", former, began_s)
        told = bench.check(broker_loses=True)
        assert told.faultless, told
        import_what_cells_keep(bench)
        bench.over()
        final = bench.check()
        assert final.faultless, final
        print(
            f"{bench.kind:<11}{told.gaps} events missing after the restore, and told; imported: {final.sent} messages, ",
            end="",
        )
        print(f"{final.lost} lost, {final.twice} twice, difference {final.difference:g}", flush=True)

    def _all_past(self, hours: float) -> bool:
        bench = self._bench
        cells = bench.service.get("/v1/units")["sites"][0]["lines"][0]["cells"]
        last = [cell["last_message"] for cell in cells]
        past_us = read_instant(bench.began) + round(hours * HOUR_US)
        return all(one is not None and read_instant(one) > past_us for one in last)

    def _migrate_to(self, schema: str) -> None:
        bench = self._bench
        command = ["migrate", "--to", schema, "--database", bench.url]
        assert fork_command(command, {}, bench.directory / "migrate.log").wait(120) == 0, bench.log("migrate")


def main() -> None:
    """Do the drill on both databases."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--former", type=Path, required=True, help="a folder with the sources of a former version")
    parser.add_argument("--database", choices=["sqlite", "postgresql"], action="append")
    parser.add_argument("--seed", type=int, default=20261127)
    asked = parser.parse_args()
    for kind in asked.database or ["sqlite", "postgresql"]:
        bench = UpgradeBench(kind, asked.seed, asked.former.resolve())
        with bench:
            Upgrade(bench).run()


if __name__ == "__main__":
    main()
