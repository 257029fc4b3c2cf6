"""Faults of the service's own process: killed, ended, stopped, and failing at each place that a delivery passes."""

import os
import random
import signal
import time
from collections.abc import Callable

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.killing import AT_RANDOM, CHANCES, Tally, live_and_die
from tests.faults.table import BOTH, fault

WORDS = {
    "received": "before it is read",
    "in_memory": "in memory",
    "events_added": "inside the transaction",
    "before_booking": "stored, not yet booked",
    "booked": "booked, before the rest",
    "before_commit": "just before the commit",
    "committed": "between commit and acknowledgement",
    "acknowledging": "while acknowledging",
    "acknowledged": "after an acknowledgement",
    "migrating": "inside the migration",
}


def _killed(point: str, kills: int) -> Callable[[Bench], Outcome]:
    def commit(bench: Bench) -> Outcome:
        service, tally, rng = bench.serve(pace=900), Tally(), random.Random(bench.seed)
        with bench.sending():
            service.kill()
            for _ in range(bench.times(kills)):
                live_and_die(service, point, rng, tally)
            service.fail_no_more()
            bench.over()
            service.start()
        assert tally.kills[point] == bench.times(kills), tally
        return bench.check()

    return commit


for _point, _words in WORDS.items():
    fault("process", f"kill -9 {_words}, 5 times")(_killed(_point, 5))
fault("process", "kill -9 at random, 10 times", short=BOTH)(_killed(AT_RANDOM, 10))


def _failing(action: str, points: tuple[str, ...]) -> Callable[[Bench], Outcome]:
    def commit(bench: Bench) -> Outcome:
        service = bench.serve()
        with bench.sending():
            for number, point in enumerate(points):
                service.stop()
                service.fail_at(point, action, CHANCES[point] * 2, bench.seed + number)
                bench.start_until_it_starts()
                time.sleep(2)
            service.stop()
            service.fail_no_more()
            service.start()
        return bench.check()

    return commit


#: Where the store is asked; an OSError elsewhere would not be the store's, but a defect, which refuses what it befalls.
STORE = ("events_added", "before_booking", "booked", "before_commit")
fault("process", "the store fails now and then, at each place")(_failing("unavailable", ("in_memory", *STORE)))
fault("process", "an OSError now and then, at each place")(_failing("oserror", STORE))


@fault("process", "SIGTERM under load, 5 times")
def _terminated(bench: Bench) -> Outcome:
    service = bench.serve()
    with bench.sending():
        for _ in range(5):
            bench.wait_for_events(300)
            service.stop()
            service.start()
    return bench.check()


@fault("process", "SIGTERM during the start, 5 times", databases=("sqlite",))
def _terminated_early(bench: Bench) -> Outcome:
    service, rng = bench.serve(), random.Random(bench.seed)
    with bench.sending():
        for _ in range(5):
            service.stop()
            service.start_dying()
            time.sleep(rng.uniform(0, 0.1))
        service.stop()
        service.start()
    return bench.check()


def _stood_still(seconds: float) -> Callable[[Bench], Outcome]:
    def commit(bench: Bench) -> Outcome:
        service = bench.serve(pace=200)
        with bench.sending():
            os.kill(service.pid, signal.SIGSTOP)
            time.sleep(seconds)
            os.kill(service.pid, signal.SIGCONT)
            bench.over()
        return bench.check()

    return commit


fault("process", "SIGSTOP 5 s", databases=("sqlite",))(_stood_still(5))
fault("process", "SIGSTOP 60 s, past the keepalive")(_stood_still(60))
