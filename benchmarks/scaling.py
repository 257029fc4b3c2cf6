"""Where one machine ends, and what more than one process does about it, on one PostgreSQL and one Mosquitto.

`python -m benchmarks.scaling` starts servers of its own on spare ports, and measures in turn: the room a message takes; reads a second
of one service and of two; messages a second that one and two workers take in while they can be read soon; a worker that is killed
and the service that takes over; and a service that only reads, on a standby. `--only` names some of these.
"""

import argparse
import json
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchmarks import growth, offered, reads, replica, taking_over
from benchmarks.latency import arguments
from benchmarks.report import environment, write_result
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import running
from zoneledger_sim.demo import demo_scenario


@dataclass(frozen=True)
class Sizes:
    """How much is measured: `rates` in messages a second, each for `seconds`; the killed worker's cells send twice `kill_s`."""

    grown_cells: int = 3
    grown_hours: float = 24
    reads_s: float = 5
    rounds: int = 3
    cells: int = 100
    rates: tuple[float, ...] = (1000, 2000, 4000, 6000, 8000, 10_000, 12_000)
    seconds: float = 20
    killed_cells: int = 6
    kill_s: float = 20
    replica_rate: float = 1000


SMALL = Sizes(1, 1, 0.5, 1, 8, (100,), 2, 2, 2, 100)


@dataclass(frozen=True)
class Bench:
    """The servers and the folder that all parts share; each part has databases, topics and client ids of its own."""

    broker: Mosquitto
    postgres: Postgres
    folder: Path
    sizes: Sizes

    def database(self) -> str:
        """Return the URL of an empty database."""
        return self.postgres.url(self.postgres.create_database())


def _grow(bench: Bench) -> Any:
    sizes = bench.sizes
    return growth.measure(bench.database(), bench.folder, sizes.grown_cells, sizes.grown_hours)


def _read(bench: Bench) -> Any:
    sizes, database, scenario = bench.sizes, bench.database(), demo_scenario(cells=bench.sizes.grown_cells)
    cells = [scenario.path(plan.cell) for plan in scenario.cells]
    growth.fill(database, scenario, bench.folder, hours=48)
    return reads.compare(database, cells, sizes.reads_s, sizes.rounds)


def _offer(bench: Bench) -> Any:
    sizes = bench.sizes
    found = []
    for one in offered.climb(bench.broker, bench.postgres, bench.folder, sizes.cells, list(sizes.rates), sizes.seconds):
        print(f"    {json.dumps(one)}", flush=True)
        found.append(one)
    return found


def _take_over(bench: Bench) -> Any:
    sizes = bench.sizes
    return taking_over.take_over(bench.broker, bench.database(), bench.folder, sizes.killed_cells, sizes.kill_s)


def _follow(bench: Bench) -> Any:
    sizes = bench.sizes
    return replica.follow(bench.broker, bench.folder, sizes.cells, sizes.replica_rate, sizes.seconds)


PARTS: dict[str, Callable[[Bench], Any]] = {
    "growth": _grow,
    "reads": _read,
    "offered": _offer,
    "taking_over": _take_over,
    "replica": _follow,
}


def measure(sizes: Sizes, parts: list[str]) -> dict[str, Any]:
    """Return what was found, by part; each is printed once it is there."""
    result: dict[str, Any] = {}
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker, postgres = stack.enter_context(running(Mosquitto())), stack.enter_context(running(Postgres(fsync=True)))
        bench = Bench(broker, postgres, folder, sizes)
        for name in parts:
            print(f"{name}:", flush=True)
            result[name] = PARTS[name](bench)
            print(json.dumps(result[name], indent=2), flush=True)
    return result


def main() -> None:
    """Print what was found, part by part."""
    parser = arguments(argparse.ArgumentParser(description=main.__doc__))
    parser.add_argument("--only", nargs="*", choices=list(PARTS), default=list(PARTS))
    told = parser.parse_args()
    print(json.dumps(environment()))
    write_result(told.json, measure(SMALL if told.small else Sizes(), told.only))


if __name__ == "__main__":
    main()
