"""What late evidence and a rebuild cost: a late event beside one in order, and a rebuild beside reading its events alone.

    python -m benchmarks.rewriting

Works on one cell, in this process, on databases of its own. Nothing but the recorder and the database is measured.
"""

import argparse
import asyncio
import json
import tempfile
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from statistics import median

from benchmarks.ingest import PLANT, databases
from benchmarks.raw_drain import CELLS, message
from benchmarks.report import Compared, tell
from zoneledger.application.intake import Delivery
from zoneledger.application.rebuild import rebuild
from zoneledger.asgi import open_service
from zoneledger.bootstrap import Service
from zoneledger.clock import now_us
from zoneledger.core.calendar import DAY_US
from zoneledger.core.figures import HOUR_US
from zoneledger.settings import Settings
from zoneledger_cli.serving import spare_the_collector
from zoneledger_sim.clock import rfc3339

CELL = CELLS[0]
A_DAY, PAYLOAD = 20_000, 500
SNAPSHOTS_US = 10_000_000
#: Events of the last days are left out at these places of the first day, to come late.
LATE = range(100, 2_100, 100)


@asynccontextmanager
async def _serving(database_url: str, plant: Path) -> AsyncIterator[Service]:
    service = await open_service(Settings(database_url=database_url, plant=plant))
    recording = asyncio.create_task(service.recorder.run())
    try:
        yield service
    finally:
        recording.cancel()
        await asyncio.wait([recording])
        await service.store.close()


async def _send(service: Service, bodies: list[bytes]) -> None:
    payload = b"[" + b",".join(bodies) + b"]"
    receipt = await service.recorder.record(Delivery(CELL, payload, "benchmark"))
    if receipt.stored != len(bodies):
        raise RuntimeError(f"{receipt.stored} of {len(bodies)} events were stored: {receipt.refused[:1]}")


async def _timed(work: Callable[[], Awaitable[object]]) -> float:
    began_s = time.perf_counter()
    await work()
    return time.perf_counter() - began_s


async def _read_alone(service: Service) -> None:
    """Read the cell's events as a rebuild does, and nothing else."""
    after = None
    async with service.store.writing() as writing:
        [head] = (await writing.heads([CELL])).values()
        while rows := await writing.events_after(head.cell_id, after, 1000):
            after = rows[-1][0]


async def measure(
    database_url: str, plant: Path, days: int, a_day: int
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return events a second read alone and rebuilt, and the seconds of an event in order and of one that is a day late."""
    begin_us, every_us = now_us() - days * DAY_US - HOUR_US, DAY_US // a_day

    def at_us(seq: int) -> int:
        return begin_us + seq * every_us

    def body(seq: int) -> bytes:
        at = rfc3339(at_us(seq)).encode()
        before, _, rest = message(seq).partition(b'"at":"')
        return before + b'"at":"' + at + rest[rest.index(b'"') :]

    last_day = (days - 1) * a_day
    late = {last_day + place for place in LATE}
    seqs = [seq for seq in range(1, days * a_day) if seq not in late]
    async with _serving(database_url, plant) as service:
        await _send(service, [_snapshot(0, begin_us)])
        for i in range(0, len(seqs), PAYLOAD):
            some = seqs[i : i + PAYLOAD]
            await _send(service, [body(seq) for seq in some])
            await _send(
                service, [_snapshot(seq, at_us(seq) + 1) for seq in some if at_us(seq) % SNAPSHOTS_US < every_us]
            )
        first = days * a_day
        in_order = [await _timed(lambda n=n: _send(service, [body(n)])) for n in range(first, first + 100)]  # type: ignore[misc]
        one_late = [await _timed(lambda n=n: _send(service, [body(n)])) for n in sorted(late)]  # type: ignore[misc]
        reading_s = min([await _timed(lambda: _read_alone(service)) for _ in range(3)])
        rebuilt_s = await _timed(lambda: rebuild(service.store, CELL, now_us, service.limits))
    events = days * a_day
    return (events / reading_s, events / rebuilt_s), (median(in_order), median(one_late))


def _snapshot(seq: int, at_us: int) -> bytes:
    """Return what the controller of `message`'s events says after the event `seq`."""
    activity = "process" if seq < 10 or seq % 20 >= 10 else "load"
    report = {"activity": activity, "program": "skin-left", "panel": "skin-left-0001", "made": seq - seq // 10}
    told = {"zones": {"1": report, "2": {}}, "alarms": []}
    return json.dumps({"v": 1, "boot": 1, "seq": seq, "at": rfc3339(at_us), "type": "snapshot"} | told).encode()


def compare(days: int, runs: int, a_day: int = A_DAY) -> list[Compared]:
    """Measure both on both databases."""
    rebuilt: dict[str, list[tuple[float, float]]] = {}
    late: dict[str, list[tuple[float, float]]] = {}
    for _ in range(runs):
        with tempfile.TemporaryDirectory() as folder, databases(Path(folder)) as there:
            plant = Path(folder) / "plant.json"
            plant.write_text(json.dumps(PLANT))
            for database, (_, url) in there.items():
                rate, cost = asyncio.run(measure(url, plant, days, a_day))
                rebuilt.setdefault(database, []).append(rate)
                late.setdefault(database, []).append(cost)
    events = days * a_day
    return [
        *(
            Compared(
                f"a rebuild of {events} events, {name}", "reading them alone", "events/s", "at least 0.3", tuple(pairs)
            )
            for name, pairs in rebuilt.items()
        ),
        *(
            Compared(f"an event that is a day late, {name}", "an event in order", "s", "at most 20", tuple(pairs))
            for name, pairs in late.items()
        ),
    ]


def main() -> None:
    """Print both ratios on both databases."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--days", type=int, default=5, help="days of 20,000 events each")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--json", type=Path, default=None, help="where the results go")
    given = parser.parse_args()
    spare_the_collector()
    tell(compare(given.days, given.runs), given.json)


if __name__ == "__main__":
    main()
