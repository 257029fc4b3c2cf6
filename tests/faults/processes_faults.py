"""Faults of one of several processes: of two with one client id, one listens; of several with their own, each to its cells."""

import os
import random
import signal
import time
from collections.abc import Callable
from pathlib import Path

import httpx

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.failing import FAILPOINT
from tests.faults.launching import FailingService
from tests.faults.table import fault


def _listens(service: FailingService) -> bool:
    answer = httpx.get(f"{service.url}/health/ready", timeout=10)
    return answer.status_code == 200 and answer.json()["listens"] is True


def _fights(bench: Bench) -> int:
    """Return how often the broker threw a client out because another came with its client id."""
    return bench.broker.log().count("already connected")


def _is_stopped(pid: int) -> bool:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "T"


def _of_two(
    trouble: Callable[[Bench, FailingService, FailingService], None], failpoint: str | None = None
) -> Callable[[Bench], Outcome]:
    """Let one of two listen, and the other take over in trouble; the broker may see both at once for a moment only."""

    def commit(bench: Bench) -> Outcome:
        first = bench.serve(settings={FAILPOINT: failpoint.format(seed=bench.seed)} if failpoint else {})
        bench.wait_until(lambda: _listens(first), "the first listens")
        second = bench.another()
        assert not _listens(second)
        bench.service = second  # whom to ask: the first may be in trouble at any time from now on
        with bench.sending():
            trouble(bench, first, second)
            bench.wait_until(lambda: _listens(second), "the second listens", 20)
            bench.wait_for_events(300)
        outcome = bench.check()
        assert _fights(bench) <= 2, bench.broker.log()[-3000:]
        return outcome

    return commit


def _kill(bench: Bench, first: FailingService, second: FailingService) -> None:
    first.kill()
    bench.over()


def _end(bench: Bench, first: FailingService, second: FailingService) -> None:
    first.stop()
    bench.over()


def _stand_still(bench: Bench, first: FailingService, second: FailingService) -> None:
    """Inside a transaction, with its locks: PostgreSQL ends that after a while; on SQLite nobody can."""
    bench.wait_until(lambda: _is_stopped(first.pid), "the first stands still", 60)
    bench.over()
    bench.wait_until(lambda: _listens(second), "the second listens", 20)
    os.kill(first.pid, signal.SIGCONT)
    bench.wait_until(lambda: first.is_well("ready") and not _listens(first), "the first gives way", 20)


fault("two of us", "the one that listens is killed")(_of_two(_kill))
fault("two of us", "the one that listens is ended", short=("sqlite",))(_of_two(_end))
fault("two of us", "the one that listens stands still, and goes on", databases=("postgresql",))(
    _of_two(_stand_still, "booked:stop:0.01:{seed}")
)


@fault("two of us", "the one that listens loses the database", databases=("postgresql",))
def _cut_off(bench: Bench) -> Outcome:
    database = bench.database()
    assert bench.postgres is not None
    relay = bench.relay(bench.postgres.port)
    near = database.replace(f":{bench.postgres.port}/", f":{relay.port}/")
    first = bench.serve(database=near)
    second = bench.another(None, "--database", database)
    with bench.sending():
        relay.refuse()
        relay.cut()
        bench.over()
        bench.service = second
        bench.wait_until(lambda: _listens(second), "the second listens", 20)
        relay.accept()
        # Nothing is delivered to it, so it finds out by a try of its own (TRY_AGAIN_S) that the database takes messages again.
        bench.wait_until(lambda: first.is_well("ready") and not _listens(first), "the first gives way", 60)
        bench.wait_for_events(300)
    assert _fights(bench) <= 1
    return bench.check()


@fault("two of us", "two share the cells, each killed 5 times", databases=("postgresql",), short=("postgresql",))
def _shared(bench: Bench) -> Outcome:
    scenario = bench.sent.scenario
    paths = [scenario.path(plan.cell) for plan in scenario.cells]
    halves = [{"ZONELEDGER_CLIENT_ID": f"worker-{i}", "ZONELEDGER_LISTEN_TO": ", ".join(paths[i::2])} for i in range(2)]
    workers = [bench.serve(settings=halves[0]), bench.another(halves[1])]
    rng = random.Random(bench.seed)
    with bench.sending():
        for i in range(2 * bench.times(5)):
            time.sleep(rng.uniform(0.1, 0.6))
            workers[i % 2].kill()
            workers[i % 2].start()
    for worker in workers:
        bench.wait_until(lambda worker=worker: _listens(worker), "both listen")  # type: ignore[misc]
    return bench.check()
