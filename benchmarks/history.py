"""What costs the same however much history there is: measured with one, ten and a hundred times as much.

`python -m benchmarks.history` makes three databases of the same few cells with histories of different lengths, and measures them in
turn, round by round, as the machine may have other work at times: a shift of a cell and a few days of the line by shift, both
summed from pre-sums each time, and the drain of a backlog. `--small` only shows that it runs.
"""

import argparse
import asyncio
import json
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from benchmarks.asked import prepare, series_path, shift_paths
from benchmarks.ingest import PLANT, ledger_drain
from benchmarks.latency import arguments
from benchmarks.load import load, median_s
from benchmarks.report import Compared, tell
from benchmarks.serving import serving
from benchmarks.year import plant_of
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import running
from zoneledger_cli.memory import spare_the_collector

CLIENTS = 32


@dataclass(frozen=True)
class Sizes:
    """How much is measured: cells, days of history (the shortest first), seconds of a load, messages of a backlog, rounds."""

    cells: int = 3
    days: tuple[int, ...] = (4, 36, 364)
    load_s: float = 5.0
    messages: int = 20_000
    times: int = 15
    rounds: int = 5


SMALL = Sizes(2, (2, 3), 0.3, 200, 2, 1)


@contextmanager
def _databases(kind: str, folder: Path, number: int) -> Iterator[list[str]]:
    if kind == "sqlite":
        yield [f"sqlite:///{folder / f'{i}.db'}" for i in range(number)]
        return
    with running(Postgres(fsync=True)) as postgres:
        yield [postgres.url(postgres.create_database()) for _ in range(number)]


def _measure(port: int, broker: str, url: str, plant: Path, sizes: Sizes, drained: int) -> dict[str, float]:
    """Return, by what was measured, what one round with one history came to; less is better."""
    first = sizes.days[0]
    asked = asyncio.run(load(port, shift_paths(sizes.cells, first), CLIENTS, sizes.load_s))
    series_s = asyncio.run(median_s(port, series_path(first), sizes.times))
    per_s = asyncio.run(ledger_drain(broker, url, sizes.messages, 1, plant, 1 + drained // 2))
    return {
        "a shift of a cell, ms of the server": 1000 / asked.per_second,
        f"{first} days of a line by shift, ms": 1000 * series_s,
        "a message of a backlog, us": 1e6 / per_s,
    }


def compare(kind: str, sizes: Sizes) -> list[Compared]:
    """Measure all histories in turn, each beside the shortest."""
    found: list[list[dict[str, float]]] = []
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        plant = folder / "plant.json"
        own = json.loads(plant_of(sizes.cells))
        plant.write_text(json.dumps({"sites": [*own["sites"], *PLANT["sites"]]}))
        broker = stack.enter_context(running(Mosquitto()))
        urls = stack.enter_context(_databases(kind, folder, len(sizes.days)))
        for url, days in zip(urls, sizes.days, strict=True):
            asyncio.run(prepare(url, plant.read_text(), sizes.cells, days))
        ports = [stack.enter_context(serving("computed", url)) for url in urls]
        for i in range(sizes.rounds):
            drained = i * sizes.messages
            found.append(
                [
                    _measure(*each, plant, sizes, drained)
                    for each in zip(ports, [broker.url] * len(urls), urls, strict=True)
                ]
            )
    return [
        Compared(
            f"{work}, {sizes.days[place] / sizes.days[0]:g} times the history, {kind}",
            "once",
            "",
            "0.8 to 1.2",
            tuple((each[0][work], each[place][work]) for each in found),
        )
        for work in found[0][0]
        for place in range(1, len(sizes.days))
    ]


def main() -> None:
    """Print what each costs with ten and a hundred times the history, beside what it costs with one."""
    parser = arguments(argparse.ArgumentParser(description=main.__doc__))
    parser.add_argument("--database", choices=("postgresql", "sqlite"), help="one database; both unless told")
    told = parser.parse_args()
    spare_the_collector()
    kinds = [told.database] if told.database else ["postgresql", "sqlite"]
    tell([one for kind in kinds for one in compare(kind, SMALL if told.small else Sizes())], told.json)


if __name__ == "__main__":
    main()
