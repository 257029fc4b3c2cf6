"""Kills the service hundreds of times, at every failpoint in turn and at random, while cells send: nothing lost, nothing twice.

    python -m tests.faults.killing --kills 500 --database sqlite

Each round has a database, a broker and a ledger file of its own, and ends with the checker. The last lines are a summary.
"""

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults.checking import Outcome, check
from tests.faults.launching import FailingService
from tests.faults.sending import Cells, Sent
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from zoneledger_cli.simulating import write_plant
from zoneledger_cli.verifying import QUIET_S

AT_RANDOM = "at random"
#: The chance of death at one pass: some points are passed once a message, some once a group, one once a start.
CHANCES = {
    "received": 0.002,
    "in_memory": 0.1,
    "events_added": 0.1,
    "before_booking": 0.1,
    "booked": 0.1,
    "before_commit": 0.1,
    "committed": 0.1,
    "acknowledging": 0.002,
    "acknowledged": 0.002,
    "migrating": 1.0,
}
POINTS = [*CHANCES, AT_RANDOM, AT_RANDOM]
#: A life that no failpoint has ended after this long is ended from outside; on a busy machine a place is passed seldom.
LIFE_S = 20.0
DRAIN_S = 300.0


@dataclass
class Tally:
    """What came of a run: kills by failpoint, how many lives were ended from outside, and the outcome of each round."""

    kills: Counter[str] = field(default_factory=Counter)
    outlived: Counter[str] = field(default_factory=Counter)
    outcomes: list[Outcome] = field(default_factory=list)


def live_and_die(service: FailingService, point: str, rng: random.Random, tally: Tally) -> None:
    """Start the service, and end it by kill -9 at a failpoint, or from outside at a random moment."""
    if point == AT_RANDOM:
        service.fail_no_more()
        service.start_dying()
        time.sleep(rng.uniform(0.0, 1.5))
        service.kill()
    else:
        service.fail_at(point, "kill", CHANCES[point], rng.randrange(2**31))
        service.start_dying()
        if not service.wait_for_death(LIFE_S):
            service.kill()
            tally.outlived[point] += 1
            point = AT_RANDOM
    tally.kills[point] += 1


def kill_under_load(service: FailingService, sent: Sent, kills: int, tally: Tally, offset: int = 0) -> Outcome:
    """Kill `service` this often while cells send, let it live, and return what the checker says."""
    rng = random.Random(sent.seed)
    service.start()  # what is sent before the first subscription of all is nobody's
    service.kill()
    with Cells(sent) as cells:
        for number in range(kills):
            live_and_die(service, POINTS[(offset + number) % len(POINTS)], rng, tally)
        cells.stop()
    service.fail_no_more()
    began_s = time.monotonic()
    service.start()
    recover_s = time.monotonic() - began_s
    outcome = check(sent.ledger, service.url, recover_s=recover_s, ended_s=began_s, wait_s=DRAIN_S, quiet_s=QUIET_S)
    tally.outcomes.append(outcome)
    return outcome


@contextmanager
def a_database(kind: str, directory: Path) -> Iterator[str]:
    """Yield the URL of an empty database of a kind, sqlite or postgresql."""
    if kind == "sqlite":
        yield f"sqlite:///{directory / 'zoneledger.db'}"
        return
    postgres = Postgres()
    try:
        postgres.start()
        yield postgres.url(postgres.create_database())
    finally:
        postgres.close()


def _round(number: int, arguments: argparse.Namespace, kills: int, tally: Tally) -> None:
    with ExitStack() as stack:
        directory = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="zoneledger-killing-")))
        broker = Mosquitto()
        stack.callback(broker.close)
        broker.start()
        database = stack.enter_context(a_database(arguments.database, directory))
        sent = Sent(
            broker.url,
            directory / "sent.jsonl",
            cells=arguments.cells,
            seed=arguments.seed + number,
            pace=arguments.pace,
        )
        write_plant(sent.scenario, directory / "plant.json")
        service = FailingService(
            "--database", database, "--broker", broker.url, "--plant", str(directory / "plant.json")
        )
        stack.callback(service.stop)
        outcome = kill_under_load(service, sent, kills, tally, offset=number * kills)
    print(f"round {number + 1}: {kills} kills, seed {sent.seed}: {outcome}", flush=True)


def _summary(arguments: argparse.Namespace, tally: Tally, took_s: float) -> bool:
    """Print what came of it all; return whether nothing was lost, nothing twice and no figure differs."""
    total = {
        name: sum(getattr(one, name) for one in tally.outcomes) for name in ("sent", "stored", "lost", "twice", "gaps")
    }
    difference = max((one.difference for one in tally.outcomes), default=0.0)
    print(f"{sum(tally.kills.values())} kills on {arguments.database} in {took_s:.0f} s, seed {arguments.seed}")
    for point in dict.fromkeys(POINTS):
        by_hand = f" ({tally.outlived[point]} more outlived it)" if tally.outlived[point] else ""
        print(f"  {point:<15} {tally.kills[point]:>5}{by_hand}")
    print(
        "  " + ", ".join(f"{name} {number}" for name, number in total.items()) + f", largest difference {difference:g}"
    )
    return not (total["lost"] or total["twice"] or total["gaps"] or difference)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.faults.killing", description=__doc__)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--database", choices=["sqlite", "postgresql"], default="sqlite")
    parser.add_argument("--cells", type=int, default=10)
    parser.add_argument("--pace", type=float, default=1200.0, help="how much faster than the clock the cells work")
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--kills-a-round", type=int, default=60)
    return parser.parse_args()


def main() -> int:
    """Run the rounds; return 1 where anything was lost, twice or different."""
    arguments, tally, began_s = _arguments(), Tally(), time.monotonic()
    left = arguments.kills
    number = 0
    while left > 0:
        kills = min(left, arguments.kills_a_round)
        _round(number, arguments, kills, tally)
        left, number = left - kills, number + 1
    return 0 if _summary(arguments, tally, time.monotonic() - began_s) else 1


if __name__ == "__main__":
    sys.exit(main())
