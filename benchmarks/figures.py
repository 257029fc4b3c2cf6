"""Figures read from a year of a line, beside what the framework, the driver and the database do by themselves in the same run.

`python -m benchmarks.figures` starts a database of its own on a spare port. (a) `/v1/kpi` of a cell for one shift, 32 clients,
beside a bare route that answers one indexed query of 20 rows; (b) a year by shift of the whole line, beside the same sums by one SQL
statement over rows that are summed beforehand by zone and shift; (c) the same with one, ten and a hundred times the history.
`--small` only shows that it runs.
"""

import argparse
import asyncio
import multiprocessing
import statistics
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI
from pydantic import BaseModel
from sqlalchemy import text
from sqlalchemy.ext.asyncio import create_async_engine

from benchmarks.load import Load, load, seconds_of
from benchmarks.report import environment, write_result
from benchmarks.year import BASELINE_SQL, LAST_US, LINE, NOW_US, SHIFTS, cells_of, fill, fill_baseline, plant_of
from tests.servers.postgres import Postgres
from tests.servers.programs import accepts_connections, free_port, wait_until
from zoneledger.api import kept
from zoneledger.api.times import rfc3339
from zoneledger.application.presumming import Presumming, presum
from zoneledger.application.windows import MAX_WINDOW_US
from zoneledger.asgi import create_app
from zoneledger.bootstrap import build_service
from zoneledger.core.calendar import DAY_US
from zoneledger.storage.engines import driver_url, open_engines
from zoneledger.storage.schema import migrate
from zoneledger_cli.serving import spare_the_collector

CLIENTS = 32


@dataclass(frozen=True)
class Sizes:
    """How much is measured: cells, days of history (the longest last), how long a load lasts, how often one answer is asked for.

    What is compared is measured in turn, so many times, and medians count: the machine may have other work at times.
    """

    cells: int = 30
    days: tuple[int, ...] = (4, 36, 364)
    load_s: float = 3.0
    times: int = 5
    rounds: int = 3


SMALL = Sizes(2, (2, 3), 0.3, 2, 1)


class Row(BaseModel):
    """A span, as the bare route answers it."""

    zone: str
    start_us: int
    end_us: int
    state: str
    reason: str | None


def bare_app(database_url: str) -> FastAPI:
    """Return a route that answers one indexed query of 20 rows through a response model, and nothing else."""
    app, engine = FastAPI(), create_async_engine(driver_url(database_url))
    query = text(
        "SELECT zone, start_us, end_us, state, reason FROM spans "
        "WHERE ledger_id = :ledger AND zone = '1' AND start_us >= :since ORDER BY start_us LIMIT 20"
    )

    @app.get("/rows/{ledger}")
    async def rows(ledger: int, since: int) -> list[Row]:
        async with engine.connect() as connection:
            found = await connection.execute(query, {"ledger": ledger, "since": since})
            return [Row(**row._mapping) for row in found]

    return app


def _serve(which: str, database_url: str, port: int) -> None:
    """Serve in a process of its own: `bare`, or the service, which as `computed` keeps no answers."""
    if which == "computed":
        kept.MOST_BYTES = 0
    app = bare_app(database_url) if which == "bare" else create_app(build_service(database_url, clock=lambda: NOW_US))
    spare_the_collector()
    uvicorn.Server(uvicorn.Config(app, port=port, log_level="warning", access_log=False)).run()


@contextmanager
def serving(which: str, database_url: str) -> Iterator[int]:
    """Yield the port of a server."""
    port = free_port()
    process = multiprocessing.get_context("spawn").Process(target=_serve, args=(which, database_url, port))
    process.start()
    try:
        wait_until(lambda: accepts_connections(port), f"{which} on port {port}", 60)
        yield port
    finally:
        process.terminate()
        process.join()


@dataclass
class Measured:
    """What one database came to; seconds and requests a second by name."""

    database: str
    loads: dict[str, Load] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    ratios: dict[str, float] = field(default_factory=dict)


def _shift_paths(sizes: Sizes, days: int) -> list[str]:
    """Return the requests for each shift of the last days, of each cell."""
    dates = [rfc3339(LAST_US - day * DAY_US)[:10] for day in range(1, min(days, 8))]
    return [
        f"/v1/kpi/{cell}?shift={date}/{shift}" for date in dates for cell in cells_of(sizes.cells) for shift in SHIFTS
    ]


def _series_path(days: int) -> str:
    since, until = rfc3339(LAST_US - days * DAY_US), rfc3339(LAST_US)
    return f"/v1/kpi/{LINE}?start={since}&end={until}&by=shift"


async def _median_s(port: int, path: str, times: int) -> float:
    """Return how long an answer takes; after one that costs much the service waits for as long as it took, and so do we."""
    took: list[float] = []
    for _ in range(times):
        took.append(await seconds_of(port, path))
        await asyncio.sleep(1.2 * took[-1])
    return statistics.median(took)


async def _baseline_s(database_url: str, days: int, times: int) -> float:
    """Return how long the one statement takes, its rows read through the driver alone."""
    sql = BASELINE_SQL.format(since=LAST_US - days * DAY_US, until=LAST_US)
    engine, took = create_async_engine(driver_url(database_url)), []
    async with engine.connect() as connection:
        for _ in range(times):
            began_s = time.perf_counter()
            rows = (await connection.exec_driver_sql(sql)).all()
            took.append(time.perf_counter() - began_s)
            if len(rows) != days * len(SHIFTS):
                raise RuntimeError(f"{len(rows)} rows")
    await engine.dispose()
    return statistics.median(took)


async def _prepare(database_url: str, sizes: Sizes, days: int, before: int) -> tuple[int, float, float]:
    """Add history up to so many days, and sum it beforehand; return its rows, and the seconds of each of the two."""
    engines = open_engines(database_url)
    began_s = time.perf_counter()
    rows = await fill(engines, sizes.cells, days, before)
    await engines.dispose()
    filled_s = time.perf_counter()
    service = build_service(database_url, clock=lambda: NOW_US)
    await service.plants.declare(service.store, plant_of(sizes.cells), NOW_US)
    await presum(Presumming(service.store, service.plants, service.now_us, service.limits), MAX_WINDOW_US)
    await service.store.close()
    return rows, filled_s - began_s, time.perf_counter() - filled_s


async def _measure_history(found: Measured, database_url: str, sizes: Sizes, days: int) -> None:
    """Measure what does not depend on how much history there is: a shift of a cell, and the same few days by shift of the line."""
    first = sizes.days[0]
    with serving("computed", database_url) as port:
        found.loads[f"a shift, computed, {days} days"] = await load(
            port, _shift_paths(sizes, first), CLIENTS, sizes.load_s
        )
        found.seconds[f"{first} days by shift, {days} days"] = await _median_s(
            port, _series_path(first), 3 * sizes.times
        )


async def _measure_whole(found: Measured, database_url: str, sizes: Sizes) -> None:
    days, first = sizes.days[-1], LAST_US - DAY_US
    paths, bare = _shift_paths(sizes, days), [f"/rows/{n}?since={first}" for n in range(1, sizes.cells + 1)]
    loads, seconds = defaultdict[str, list[Load]](list), defaultdict[str, list[float]](list)
    with ExitStack() as servers:
        ports = {way: servers.enter_context(serving(way, database_url)) for way in ("bare", "kept", "computed")}
        for way, port in ports.items():  # everything once, so that what is kept is there
            await load(port, bare if way == "bare" else paths, CLIENTS, sizes.load_s)
        for _ in range(sizes.rounds):
            loads["the bare route"].append(await load(ports["bare"], bare, CLIENTS, sizes.load_s))
            seconds["one SQL statement"].append(await _baseline_s(database_url, days, sizes.times))
            for way in ("kept", "computed"):
                loads[f"a shift, {way}"].append(await load(ports[way], paths, CLIENTS, sizes.load_s))
                seconds[f"by shift, {way}"].append(await _median_s(ports[way], _series_path(days), sizes.times))
    for name, rounds in loads.items():
        found.loads[name] = Load(*map(statistics.median, zip(*rounds, strict=True)))
    found.seconds |= {name: statistics.median(rounds) for name, rounds in seconds.items()}


def _ratios(found: Measured, sizes: Sizes) -> None:
    bare, sql = found.loads["the bare route"], found.seconds["one SQL statement"]
    for way in ("kept", "computed"):
        asked = found.loads[f"a shift, {way}"]
        found.ratios[f"(a) requests/s, {way}"] = asked.per_second / bare.per_second
        found.ratios[f"(a) p99, {way}"] = asked.p99_ms / bare.p99_ms
        found.ratios[f"(b) time, {way}"] = found.seconds[f"by shift, {way}"] / sql
    first = sizes.days[0]
    for days in sizes.days[1:]:
        times = f"{days / first:g} times the history"
        loads = [found.loads[f"a shift, computed, {each} days"].per_second for each in (first, days)]
        seconds = [found.seconds[f"{first} days by shift, {each} days"] for each in (first, days)]
        found.ratios[f"(c) requests/s, {times}"] = loads[1] / loads[0]
        found.ratios[f"(c) time by shift, {times}"] = seconds[1] / seconds[0]


async def measure(database: str, database_url: str, sizes: Sizes) -> Measured:
    """Fill a database step by step, and measure at each."""
    found, before = Measured(database), 0
    await migrate(database_url)
    engines = open_engines(database_url)
    await fill_baseline(engines.write, sizes.cells, sizes.days[-1])
    await engines.dispose()
    for days in sizes.days:
        rows, filled_s, summed_s = await _prepare(database_url, sizes, days, before)
        print(
            f"{database:>10}: {days} days: {rows} rows more in {filled_s:.1f} s, summed beforehand in {summed_s:.1f} s"
        )
        await _measure_history(found, database_url, sizes, days)
        before = days
    await _measure_whole(found, database_url, sizes)
    _ratios(found, sizes)
    return found


@contextmanager
def _databases(folder: Path) -> Iterator[dict[str, str]]:
    postgres = Postgres(fsync=True)
    try:
        postgres.start()
        yield {"postgresql": postgres.url(postgres.create_database()), "sqlite": f"sqlite:///{folder / 'year.db'}"}
    finally:
        postgres.close()


def _print(found: Measured) -> None:
    for name, asked in found.loads.items():
        print(
            f"{found.database:>10}: {asked.per_second:7,.0f}/s, p50 {asked.p50_ms:6.1f} ms, p99 {asked.p99_ms:6.1f} ms  {name}"
        )
    for name, took_s in found.seconds.items():
        print(f"{found.database:>10}: {1000 * took_s:7.1f} ms  {name}")
    for name, ratio in found.ratios.items():
        print(f"{found.database:>10}: ratio {ratio:5.2f}  {name}")


def main() -> None:
    """Print requests a second, times and ratios of figures read from a year."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--small", action="store_true", help="only show that it runs")
    parser.add_argument("--database", choices=("postgresql", "sqlite"), help="one database; both unless told")
    parser.add_argument("--json", type=Path, help="a file for the results")
    options = parser.parse_args()
    sizes = SMALL if options.small else Sizes()
    print(f"{environment()}, {sizes.cells} cells of two zones, {sizes.days[-1]} days, {CLIENTS} clients")
    results: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as name, _databases(Path(name)) as urls:
        for database, url in urls.items():
            if options.database in (None, database):
                found = asyncio.run(measure(database, url, sizes))
                _print(found)
                results.append(asdict(found) | {"loads": {key: one._asdict() for key, one in found.loads.items()}})
    write_result(options.json, {"sizes": asdict(sizes), "results": results})


if __name__ == "__main__":
    main()
