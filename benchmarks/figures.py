"""Figures read from a year of a line, beside what the framework, the driver and the database do by themselves in the same run.

`python -m benchmarks.figures` starts a database of its own on a spare port. (a) `/v1/kpi` of a cell for one shift, 32 clients,
beside a bare route that answers one indexed query of 20 rows; (b) a year by shift of the whole line, beside the same sums by one SQL
statement over rows that are summed beforehand by zone and shift, and (c) beside an analyst's DuckDB and Polars over the raw spans.
`--small` only shows that it runs.
"""

import argparse
import asyncio
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import httpx
from sqlalchemy.ext.asyncio import create_async_engine

from benchmarks import analyst
from benchmarks.analyst import Sums, differences, seconds_by_way, write_spans
from benchmarks.asked import prepare, series_path, shift_paths
from benchmarks.latency import arguments
from benchmarks.load import Load, load, median_s
from benchmarks.report import Compared, tell
from benchmarks.serving import serving
from benchmarks.year import BASELINE_SQL, LAST_US, SHIFTS, fill_baseline, plant_of
from tests.servers.postgres import Postgres
from tests.servers.programs import running
from zoneledger.core.calendar import DAY_US
from zoneledger.storage.engines import driver_url, open_engines

CLIENTS = 32
#: The servers that are asked: one that keeps its answers, as the service does, and one that sums each anew from pre-sums.
WAYS = {"kept": "asked for before", "computed": "computed each time"}


@dataclass(frozen=True)
class Sizes:
    """How much is measured: cells, days of history, how long a load lasts, how often one answer is asked for.

    What is compared is measured in turn, so many times, and medians count: the machine may have other work at times.
    """

    cells: int = 30
    days: int = 364
    load_s: float = 3.0
    times: int = 5
    rounds: int = 3


SMALL = Sizes(2, 3, 0.3, 2, 1)


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


async def _answers_as_the_analyst(port: int, sizes: Sizes, sums: Sums) -> None:
    """Raise RuntimeError where the service answers other sums."""
    async with httpx.AsyncClient(timeout=60) as client:
        series = (await client.get(f"http://127.0.0.1:{port}{series_path(sizes.days)}")).json()["series"]
    if found := differences(sums, series):
        raise RuntimeError("; ".join(found[:5]))


class Round(NamedTuple):
    """One round: the load of the bare route and the seconds of the other baselines; by way how a shift and a year were asked for."""

    bare: Load
    sql_s: float
    analyst_s: float
    shift: dict[str, Load]
    year_s: dict[str, float]


async def _measure(database_url: str, sizes: Sizes, spans: Path) -> list[Round]:
    days, first = sizes.days, LAST_US - DAY_US
    paths, bare = shift_paths(sizes.cells, days), [f"/rows/{n}?since={first}" for n in range(1, sizes.cells + 1)]
    found, sums = list[Round](), Sums()
    with ExitStack() as servers:
        ports = {way: servers.enter_context(serving(way, database_url)) for way in ("bare", *WAYS)}
        for way, port in ports.items():  # everything once, so that what is kept is there
            await load(port, bare if way == "bare" else paths, CLIENTS, sizes.load_s)
        for _ in range(sizes.rounds):
            by_route = await load(ports["bare"], bare, CLIENTS, sizes.load_s)
            sql_s = await _baseline_s(database_url, days, sizes.times)
            by_analyst, sums = seconds_by_way(spans, days, sizes.times)
            one = Round(by_route, sql_s, min(by_analyst.values()), {}, {})
            for way in WAYS:
                one.shift[way] = await load(ports[way], paths, CLIENTS, sizes.load_s)
                one.year_s[way] = await median_s(ports[way], series_path(days), sizes.times)
            found.append(one)
        await _answers_as_the_analyst(ports["computed"], sizes, sums)
    return found


def _compared(database: str, rounds: list[Round]) -> Iterator[Compared]:
    better = " or ".join(analyst.WAYS)
    for way, told in WAYS.items():
        shift, year = f"a shift of a cell, {told}, {database}", f"a year of a line by shift, {told}, {database}"
        aims = ("at least 1", "at most 1", "at most 1.5", "at most 0.2") if way == "kept" else ("none",) * 4
        requests = tuple((each.bare.per_second, each.shift[way].per_second) for each in rounds)
        yield Compared(shift, "a bare route", "requests/s", aims[0], requests)
        p99 = tuple((each.bare.p99_ms, each.shift[way].p99_ms) for each in rounds)
        yield Compared(f"p99 of {shift}", "a bare route", "ms", aims[1], p99)
        by_sql = tuple((1000 * each.sql_s, 1000 * each.year_s[way]) for each in rounds)
        yield Compared(year, "one SQL statement over pre-summed rows", "ms", aims[2], by_sql)
        by_hand = tuple((1000 * each.analyst_s, 1000 * each.year_s[way]) for each in rounds)
        yield Compared(year, f"an analyst's {better} over raw spans", "ms", aims[3], by_hand)


async def compare(database: str, database_url: str, sizes: Sizes, spans: Path) -> list[Compared]:
    """Fill a database, and measure."""
    rows, filled_s, summed_s = await prepare(database_url, plant_of(sizes.cells), sizes.cells, sizes.days)
    engines = open_engines(database_url)
    await fill_baseline(engines.write, sizes.cells, sizes.days)
    await engines.dispose()
    print(f"{database}: {rows} rows in {filled_s:.1f} s, summed beforehand in {summed_s:.1f} s")
    return list(_compared(database, await _measure(database_url, sizes, spans)))


@contextmanager
def _databases(folder: Path) -> Iterator[dict[str, str]]:
    with running(Postgres(fsync=True)) as postgres:
        yield {"postgresql": postgres.url(postgres.create_database()), "sqlite": f"sqlite:///{folder / 'year.db'}"}


def main() -> None:
    """Print requests a second, times and ratios of figures read from a year."""
    parser = arguments(argparse.ArgumentParser(description=main.__doc__))
    parser.add_argument("--database", choices=("postgresql", "sqlite"), help="one database; both unless told")
    told = parser.parse_args()
    sizes = SMALL if told.small else Sizes()
    print(f"{sizes.cells} cells of two zones, {sizes.days} days, {CLIENTS} clients")
    found: list[Compared] = []
    with tempfile.TemporaryDirectory() as name, _databases(Path(name)) as urls:
        spans = Path(name) / "spans.parquet"
        write_spans(spans, sizes.cells, sizes.days)
        for database, url in urls.items():
            if told.database in (None, database):
                found += asyncio.run(compare(database, url, sizes, spans))
    tell(found, told.json)


if __name__ == "__main__":
    main()
