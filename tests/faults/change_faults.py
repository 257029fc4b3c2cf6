"""Faults of change: the ledger rebuilt, messages forgotten and the schema moved, while cells send or in the middle of it killed."""

import asyncio
import random
import signal
from typing import Any

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.failing import FAILPOINT
from tests.faults.launching import fork_command
from tests.faults.table import fault
from zoneledger.storage.schema import migrate

#: The first schema, before all others.
FIRST = "0001"


def _cells(bench: Bench) -> list[str]:
    return [bench.sent.scenario.path(plan.cell) for plan in bench.sent.scenario.cells]


def _rebuild(bench: Bench, cell: str, failpoint: str | None = None) -> int:
    """Rebuild a cell's ledger by the command, and return how it ended."""
    environment = {FAILPOINT: failpoint} if failpoint else {}
    command = ["rebuild", cell, "--anew", "--database", bench.url]
    return fork_command(command, environment, bench.directory / "rebuild.log").wait(120)


@fault("change", "each cell rebuilt while serving", short=("sqlite",))
def _rebuilt(bench: Bench) -> Outcome:
    bench.serve()
    with bench.sending():
        for cell in _cells(bench):
            assert _rebuild(bench, cell) == 0
    assert bench.log("rebuild").count("the figures were right") == len(_cells(bench))
    return bench.check()


@fault("change", "rebuild killed, of each cell once")
def _rebuild_killed(bench: Bench) -> Outcome:
    bench.serve(pace=900)
    ends = []
    with bench.sending():
        bench.wait_for_events(6000, 120)
        for number, cell in enumerate(_cells(bench)):
            ends.append(_rebuild(bench, cell, f"before_commit:kill:0.3:{bench.seed + number}"))
    assert ends.count(-signal.SIGKILL) >= len(ends) / 2, ends
    return bench.check()


def _figures(bench: Bench) -> list[Any]:
    """Return all that is told of the cells' past."""
    units = bench.service.get("/v1/units")["sites"][0]["lines"][0]["cells"]
    told: list[Any] = []
    for cell in units:
        window = {"start": bench.began, "end": cell["last_message"]}
        told += [bench.service.get(f"/v1/kpi/{cell['unit']}", **window)]
        told += [bench.service.get(f"/v1/timeline/{cell['unit']}", **window)]
    return told


@fault("change", "forgetting killed 5 times: figures stay")
def _forgetting_killed(bench: Bench) -> Outcome:
    """Once all was found to be there, messages older than a minute go; what is told of their time stays."""
    service = bench.serve(pace=900)
    with bench.sending():
        bench.wait_for_events(3000)
    outcome = bench.check()
    before, events = _figures(bench), bench.stored()
    service.stop()
    service.environment["ZONELEDGER_KEEP_MESSAGES_DAYS"] = str(1 / 1440)
    for number in range(5):
        service.fail_at("before_commit", "kill", 0.2, bench.seed + number)
        service.start_dying()
        assert service.wait_for_death(60), number
    service.fail_no_more()
    service.start()
    cells, kept = len(_cells(bench)), 256
    bench.wait_until(lambda: len(bench.service.get("/v1/events", limit=5000)["events"]) <= cells * kept, "forgotten")
    assert events > 2 * cells * kept
    assert _figures(bench) == before
    assert all(_rebuild(bench, cell) == 0 for cell in _cells(bench))
    assert bench.log("rebuild").count("the figures were right") == cells
    assert _figures(bench) == before
    return outcome


@fault("change", "schema down to the first and up again")
def _down_and_up(bench: Bench) -> Outcome:
    service = bench.serve()
    with bench.sending():
        bench.wait_for_events(2000)
    bench.check()
    before = _figures(bench)
    service.stop()
    asyncio.run(migrate(bench.url, FIRST))
    bench.over()
    service.start()
    assert _figures(bench) == before
    return bench.check()


@fault("change", "kill -9 inside the migration, 5 times")
def _migration_killed(bench: Bench) -> Outcome:
    service, rng = bench.serve(), random.Random(bench.seed)
    with bench.sending():
        bench.wait_for_events(1000)
        service.stop()
        asyncio.run(migrate(bench.url, FIRST))
        for _ in range(5):
            service.fail_at("migrating", "kill", 1, rng.randrange(1000))
            service.start_dying()
            assert service.wait_for_death(60)
        service.fail_no_more()
        bench.over()
        service.start()
        bench.wait_for_events(300)
    return bench.check()
