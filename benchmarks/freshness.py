"""How long after it was published a change of state is on the live stream and in /v1/units, beside raw publish to commit.

`python -m benchmarks.freshness` starts a broker and a database of its own on spare ports. Each cell sends one message a second,
and each message changes a state. The raw pipeline of the same run receives the same messages, commits them with a bare insert,
and does nothing else.
"""

import argparse
import asyncio
import gc
import json
import multiprocessing
import tempfile
import time
from bisect import bisect_left
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, NamedTuple

import httpx
from msgspec import Struct
from msgspec.json import Decoder

from benchmarks.changing import Load, read_stream
from benchmarks.latency import arguments, cells_of, percentiles, plant_of
from benchmarks.raw_commits import measure_raw
from benchmarks.report import Compared, tell
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import running
from tests.servers.service import ServiceProcess
from zoneledger.core.validation import parse_instant
from zoneledger_mqtt.topics import Topics

#: How often /v1/units is asked, and how old a message may be and be missing in an answer to be counted.
UNITS_EVERY_S, OLDEST_S, BIN_S = 1.0, 1.0, 0.002
_spawning = multiprocessing.get_context("spawn")


class _Zone(Struct):
    since: str | None


class _Cell(Struct):
    unit: str
    zones: list[_Zone]


class _Line(Struct):
    cells: list[_Cell]


class _Site(Struct):
    lines: list[_Line]


class _Units(Struct):
    sites: list[_Site]


class _Answer(NamedTuple):
    """When /v1/units was asked and how long that took, in s; and by cell since when its first zone is as it is."""

    asked_s: float
    took_s: float
    since_us: dict[str, int]


async def _ask_units(url: str, said: Connection) -> None:
    answers, decoder = list[_Answer](), Decoder(_Units)
    async with httpx.AsyncClient(timeout=60) as client:
        while not said.poll():
            asked_s = time.perf_counter()
            content = (await client.get(f"{url}/v1/units")).content
            took_s = time.perf_counter() - asked_s
            cells = [cell for site in decoder.decode(content).sites for line in site.lines for cell in line.cells]
            since = {cell.unit: parse_instant("since", cell.zones[0].since) for cell in cells if cell.zones[0].since}
            answers.append(_Answer(asked_s, took_s, since))
            await asyncio.sleep(UNITS_EVERY_S)
    said.send(answers)


def _run_units(url: str, said: Connection) -> None:
    asyncio.run(_ask_units(url, said))


def ages_of(answers: list[_Answer], published: dict[str, list[tuple[int, float]]]) -> list[tuple[float, bool]]:
    """Return, of each message published shortly before an answer was asked for, how long before, and whether the answer had it."""
    ages = []
    for answer in answers:
        for cell, messages in published.items():
            first = bisect_left(messages, answer.asked_s - OLDEST_S, key=lambda message: message[1])
            for at_us, published_s in messages[first : first + 4]:
                if published_s < answer.asked_s:
                    ages.append((answer.asked_s - published_s, answer.since_us.get(cell, 0) >= at_us))
    return ages


def visible_after(ages: list[tuple[float, bool]]) -> dict[str, float]:
    """Return the ages from which on half, and 99 %, of the messages are in an answer that is asked for then."""
    bins: dict[int, list[bool]] = {}
    for age_s, there in ages:
        bins.setdefault(int(age_s / BIN_S), []).append(there)
    shares = {number: sum(there) / len(there) for number, there in bins.items()}
    found: dict[str, float] = {"number": len(ages)}
    for percent in (50, 99):
        short = [number for number, share in shares.items() if share < percent / 100]
        found[f"p{percent}_ms"] = round((max(short, default=-1) + 1) * BIN_S * 1000, 2)
    return found


async def _load_service(url: str, broker: str, load: Load, seconds: float) -> None:
    reader = asyncio.create_task(read_stream(url, load))
    await load.publish(broker, seconds)
    if reader.done():
        reader.result()
    reader.cancel()
    await asyncio.wait([reader])


def measure_service(url: str, broker: str, cells: list[str], seconds: float) -> dict[str, Any]:
    """Return how long changes took to the stream, and to /v1/units, which a process of its own asks for."""
    load, (ours, theirs) = Load(cells, Topics()), _spawning.Pipe()
    process = _spawning.Process(target=_run_units, args=(url, theirs))
    process.start()
    try:
        asyncio.run(_load_service(url, broker, load, seconds))
        ours.send("enough")
        answers: list[_Answer] = ours.recv()
    finally:
        process.join(10)
        process.kill()
    missing = sum(map(len, load.waiting.values()))
    return {
        "stream": percentiles([took for _, took in load.took]) | {"passed_over": load.passed_over, "missing": missing},
        "stream_by_minute": by_minute(load.took),
        "units": visible_after(ages_of(answers, load.published)),
        "units_answer": percentiles([answer.took_s for answer in answers]),
    }


def by_minute(took: list[tuple[float, float]]) -> list[dict[str, float]]:
    """Return the percentiles of each minute."""
    if not took:
        return []
    began_s = min(published_s for published_s, _ in took)
    minutes: dict[int, list[float]] = {}
    for published_s, took_s in took:
        minutes.setdefault(int((published_s - began_s) / 60), []).append(took_s)
    return [percentiles(minutes[minute]) for minute in sorted(minutes)]


@contextmanager
def _servers(folder: Path, kind: str) -> Iterator[tuple[str, str, str]]:
    """Yield the URLs of a broker, of a PostgreSQL database for the raw pipeline, and of one of that kind for the service."""
    with running(Mosquitto()) as broker, running(Postgres(fsync=True)) as postgres:
        raw, own = (postgres.url(postgres.create_database()) for _ in range(2))
        yield broker.url, raw, own if kind == "postgresql" else f"sqlite:///{folder / 'bench.db'}"


def measure(number: int, seconds: float, raw_seconds: float, kind: str) -> dict[str, Any]:
    """Return what the raw pipeline and the service took for the same messages."""
    cells = cells_of(number)
    with tempfile.TemporaryDirectory() as name, _servers(Path(name), kind) as (broker, raw_database, database):
        raw = measure_raw(broker, raw_database, cells, raw_seconds)
        plant = Path(name) / "plant.json"
        plant.write_text(json.dumps(plant_of(cells)))
        with ServiceProcess("--database", database, "--broker", broker, "--plant", str(plant)) as service:
            found = measure_service(service.url, broker, cells, seconds)
    return {"raw": percentiles([took for _, took in raw])} | found


def _compared(runs: list[dict[str, Any]], kind: str, cells: int) -> Iterator[Compared]:
    for what, told in (("stream", "on the live stream"), ("units", "in /v1/units")):
        for share, aim in ((50, "at most 20 ms"), (99, "at most 100 ms")):
            name = f"p{share}_ms"
            pairs = tuple((run["raw"][name], run[what][name]) for run in runs)
            yield Compared(
                f"p{share} until a change is {told}, {cells} cells, {kind}", "raw publish to commit", "ms", aim, pairs
            )


def main() -> None:
    """Print how long a change takes to the live stream and to /v1/units, beside raw publish to commit."""
    parser = arguments(argparse.ArgumentParser(description=main.__doc__))
    parser.add_argument("--cells", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=60, help="of each run")
    parser.add_argument(
        "--long", type=float, default=600, help="seconds of one run more, whose minutes are compared; 0: none"
    )
    parser.add_argument("--raw-seconds", type=float, default=20)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--database", choices=["postgresql", "sqlite"], default="postgresql")
    told = parser.parse_args()
    gc.disable()  # what was measured is kept until the end, and to look through it ever again would hold up the measuring
    if told.small:
        told.cells, told.seconds, told.long, told.raw_seconds, told.runs = 20, 2.0, 0.0, 1.0, 1
    runs = [measure(told.cells, told.seconds, told.raw_seconds, told.database) for _ in range(told.runs)]
    found = list(_compared(runs, told.database, told.cells))
    if told.long:
        runs.append(measure(told.cells, told.long, told.raw_seconds, told.database))
        _, second, *_, last = runs[-1]["stream_by_minute"]
        for name in ("p50", "p99"):
            pair = ((second[f"{name}_ms"], last[f"{name}_ms"]),)
            found.append(
                Compared(f"{name} of the last of {told.long / 60:g} minutes", "of the second", "ms", "about 1", pair)
            )
    for run in runs:
        print(json.dumps(run))
    tell(found, told.json, {"runs": runs})


if __name__ == "__main__":
    main()
