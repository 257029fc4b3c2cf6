"""Whether a flood of reads starves the intake: the same cells send at the same pace, without and with clients that ask for much.

`python -m benchmarks.flood` starts a broker and a database of its own on spare ports, fills a history, and lets each cell send a
change a second. Turn by turn nobody asks, and so many clients ask for windows that cost much, each another one, as fast as they
are answered. What is stored a second, how long changes take to the live stream, and how late the event loop is are compared.
"""

import argparse
import asyncio
import json
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import httpx

from benchmarks import year
from benchmarks.asked import prepare
from benchmarks.changing import SETTLE_S, Load, read_stream
from benchmarks.flooding import Flood, History, Told, flooding
from benchmarks.latency import arguments, cells_of, percentiles, plant_of
from benchmarks.report import Compared, tell
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import running
from tests.servers.service import ServiceProcess
from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us
from zoneledger.core.calendar import DAY_US
from zoneledger_mqtt.topics import Topics

CLIENTS = 64


@dataclass(frozen=True)
class Sizes:
    """How much is measured: cells that send a message a second, cells and days of the history, seconds of a turn, and turns."""

    cells: int = 1000
    old_cells: int = 10
    days: int = 31
    seconds: float = 60.0
    rounds: int = 2
    clients: int = CLIENTS


SMALL = Sizes(20, 1, 3, 3.0, 1)


@dataclass
class Turn:
    """What was measured while nobody asked, or the flood did: messages stored a second, changes, the event loop, and answers."""

    stored_per_s: float
    start_s: float
    end_s: float
    event_loop: dict[str, Any]
    told: Sequence[Told] = ()
    fresh: dict[str, float] = field(default_factory=dict)

    @property
    def answers(self) -> dict[str, Any]:
        """How many answers there were by status, and for each kind that was asked for how many and how long those of 200 took."""
        kinds = {one.asked for one in self.told}
        took = {
            kind: percentiles([t.took_s for t in self.told if (t.asked, t.status) == (kind, 200)]) for kind in kinds
        }
        return {"statuses": Counter(str(one.status) for one in self.told), "of_200": dict(sorted(took.items()))}


def _plant(sizes: Sizes) -> dict[str, Any]:
    """Return the plant model of the cells that send, and of a site of those that have a history."""
    return {"sites": [*plant_of(cells_of(sizes.cells))["sites"], *json.loads(year.plant_of(sizes.old_cells))["sites"]]}


async def _prepare(database_url: str, sizes: Sizes) -> History:
    """Fill a history that is over by now, and sum it beforehand."""
    if now_us() < year.LAST_US:
        raise RuntimeError("this machine's clock is behind the history, which ends on " + rfc3339(year.LAST_US))
    await prepare(database_url, json.dumps(_plant(sizes)), sizes.old_cells, sizes.days)
    cells = year.cells_of(sizes.old_cells)
    return History(year.LINE, cells, year.LAST_US - sizes.days * DAY_US, year.LAST_US)


async def _begun(load: Load) -> None:
    """Return once the first change was sent: snapshots come before it."""
    while True:
        await asyncio.sleep(0.05)
        if any(load.published.values()):
            return


async def _stored(client: httpx.AsyncClient) -> int:
    units = (await client.get("/v1/units")).raise_for_status().json()
    return sum(
        cell["received"]["events"] for site in units["sites"] for line in site["lines"] for cell in line["cells"]
    )


async def _turn(client: httpx.AsyncClient, seconds: float, flood: Flood | None) -> Turn:
    before, start_s = await _stored(client), time.perf_counter()
    if flood is not None:
        flood.begin()
    await asyncio.sleep(seconds)
    stored, end_s = await _stored(client) - before, time.perf_counter()
    event_loop = (await client.get("/health/live")).json()["event_loop"]["last_minute"]
    told: Sequence[Told] = ()
    if flood is not None:
        told = await asyncio.get_running_loop().run_in_executor(None, flood.end)
        await asyncio.sleep(SETTLE_S)  # what was asked for last is answered
    return Turn(stored / (end_s - start_s), start_s, end_s, event_loop, told)


async def _measure(service: ServiceProcess, broker: str, sizes: Sizes, flood: Flood) -> list[tuple[Turn, Turn]]:
    """Return what was measured in each round without the flood, and with it."""
    load = Load(cells_of(sizes.cells), Topics())
    # Each turn takes a little longer than it is told to: there is something to store until the last one has ended.
    sending = asyncio.create_task(load.publish(broker, 2 * sizes.rounds * (1.2 * sizes.seconds + 2 * SETTLE_S)))
    reading = asyncio.create_task(read_stream(service.url, load))
    async with httpx.AsyncClient(base_url=service.url, timeout=120) as client:
        await _begun(load)
        turns = [
            (await _turn(client, sizes.seconds, None), await _turn(client, sizes.seconds, flood))
            for _ in range(sizes.rounds)
        ]
    for task in (sending, reading):
        if task.done():
            task.result()
        task.cancel()
        await asyncio.wait([task])
    for turn in (one for pair in turns for one in pair):
        turn.fresh = percentiles([took for at_s, took in load.took if turn.start_s <= at_s < turn.end_s])
        left = (at_s for waiting in load.waiting.values() for _, at_s in waiting)
        turn.fresh["missing"] = sum(turn.start_s <= at_s < turn.end_s for at_s in left)
    return turns


@contextmanager
def _service(folder: Path, database: str, sizes: Sizes) -> Iterator[tuple[ServiceProcess, str, History]]:
    """Yield a service with a history on a database of that kind, and its broker's URL."""
    with ExitStack() as stack:
        broker, url = stack.enter_context(running(Mosquitto())), f"sqlite:///{folder / 'flood.db'}"
        if database == "postgresql":
            postgres = stack.enter_context(running(Postgres(fsync=True)))
            url = postgres.url(postgres.create_database())
        history = asyncio.run(_prepare(url, sizes))
        yield stack.enter_context(ServiceProcess("--database", url, "--broker", broker.url)), broker.url, history


def measure(database: str, sizes: Sizes) -> list[tuple[Turn, Turn]]:
    """Return what was measured on a database in each round without the flood, and with it."""
    with (
        tempfile.TemporaryDirectory() as name,
        _service(Path(name), database, sizes) as (service, broker, history),
        flooding(service.port, history, sizes.clients) as flood,
    ):
        return asyncio.run(_measure(service, broker, sizes, flood))


def compared(database: str, sizes: Sizes, turns: Sequence[tuple[Turn, Turn]]) -> list[Compared]:
    """Return what the flood changed: messages stored a second, and how long changes took to the live stream."""
    beside = f"beside {sizes.clients} clients that ask for much, {sizes.cells} cells, {database}"
    rates = tuple((quiet.stored_per_s, flooded.stored_per_s) for quiet, flooded in turns)
    fresh = tuple((quiet.fresh["p99_ms"], flooded.fresh["p99_ms"]) for quiet, flooded in turns)
    return [
        Compared(f"messages stored {beside}", "without them", "messages/s", "at least 0.95", rates),
        Compared(f"a change to the live stream, p99, {beside}", "without them", "ms", "at most 10", fresh),
    ]


def _print(turns: Sequence[tuple[Turn, Turn]]) -> None:
    for pair in turns:
        for name, turn in zip(("without", "with"), pair, strict=True):
            loop = {what: turn.event_loop[what] for what in ("late_p99_s", "late_most_s", "late_over_20_ms")}
            print(f"{name:>8}: {turn.stored_per_s:,.0f} messages/s, stream {turn.fresh}, event loop {loop}")
        told = pair[1].answers
        print(f"   flood: answers {dict(told['statuses'])}")
        for kind, took in told["of_200"].items():
            print(f"          {kind}: {took}")


def main() -> None:
    """Print what a flood of reads costs the intake."""
    parser = arguments(argparse.ArgumentParser(description=main.__doc__))
    parser.add_argument("--database", choices=("postgresql", "sqlite"), help="one database; both unless told")
    parser.add_argument("--cells", type=int, default=Sizes.cells, help="each sends a message a second")
    parser.add_argument("--seconds", type=float, default=Sizes.seconds, help="how long each turn is")
    parser.add_argument("--rounds", type=int, default=Sizes.rounds)
    told = parser.parse_args()
    sizes = SMALL if told.small else Sizes(cells=told.cells, seconds=told.seconds, rounds=told.rounds)
    found, runs = list[Compared](), []
    for database in ("postgresql", "sqlite"):
        if told.database in (None, database):
            turns = measure(database, sizes)
            _print(turns)
            found += compared(database, sizes, turns)
            rounds = [[asdict(turn) | {"told": turn.answers} for turn in pair] for pair in turns]
            runs.append({"database": database, "rounds": rounds})
    tell(found, told.json, {"sizes": asdict(sizes), "runs": runs})


if __name__ == "__main__":
    main()
