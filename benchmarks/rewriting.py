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
from typing import NamedTuple

from benchmarks.ingest import PLANT, databases
from benchmarks.raw_drain import CELLS, message
from benchmarks.report import Compared, tell
from zoneledger.application.book import stored_messages
from zoneledger.application.intake import Delivery
from zoneledger.application.rebuild import rebuild
from zoneledger.asgi import open_service
from zoneledger.bootstrap import Service
from zoneledger.clock import now_us
from zoneledger.core.calendar import DAY_US
from zoneledger.core.figures import HOUR_US
from zoneledger.settings import Settings
from zoneledger_cli.memory import spare_the_collector
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


async def _best(work: Callable[[], Awaitable[object]]) -> float:
    """Return the seconds of work that is done three times and changes nothing, the least."""
    return min([await _timed(work) for _ in range(3)])


async def _read_rows(service: Service) -> None:
    """Read the rows of the cell's events as a rebuild does, and nothing else."""
    after = None
    async with service.store.writing() as writing:
        [head] = (await writing.heads([CELL])).values()
        while rows := await writing.events_after(head.cell_id, after, 1000):
            after = rows[-1][0]


async def _read_messages(service: Service) -> None:
    """Read the cell's messages, its snapshots among them, as a rebuild does, and nothing else."""
    async with service.store.writing() as writing:
        [head] = (await writing.heads([CELL])).values()
        async for _ in stored_messages(writing, head.cell_id, None):
            pass


class Measured(NamedTuple):
    """Events a second whose rows were read, read as messages, rebuilt where the ledger is right, and rebuilt anew.

    And the seconds of an event in order and of a late one.
    """

    rows: float
    messages: float
    rebuilt: float
    anew: float
    in_order_s: float
    late_s: float


async def measure(database_url: str, plant: Path, days: int, a_day: int) -> Measured:
    """Return what a cell of so many days took."""
    begin_us, every_us = now_us() - days * DAY_US - HOUR_US, DAY_US // a_day

    def at_us(seq: int) -> int:
        return begin_us + seq * every_us

    def body(seq: int) -> bytes:
        return message(seq, rfc3339(at_us(seq)))

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
        rows_s = await _best(lambda: _read_rows(service))
        messages_s = await _best(lambda: _read_messages(service))
        rebuilt_s = await _best(lambda: _rebuild(service, anew=False))
        anew_s = await _best(lambda: _rebuild(service, anew=True))
    rows, messages, rebuilt, anew = (days * a_day / seconds for seconds in (rows_s, messages_s, rebuilt_s, anew_s))
    return Measured(rows, messages, rebuilt, anew, median(in_order), median(one_late))


async def _rebuild(service: Service, *, anew: bool) -> None:
    if await rebuild(service.store, CELL, now_us, service.limits, anew=anew):
        raise RuntimeError("the ledger was not right")


def _snapshot(seq: int, at_us: int) -> bytes:
    """Return what the controller of `message`'s events says after the event `seq`."""
    activity = "process" if seq < 10 or seq % 20 >= 10 else "load"
    report = {"activity": activity, "program": "skin-left", "panel": "skin-left-0001", "made": seq - seq // 10}
    told = {"zones": {"1": report, "2": {}}, "alarms": []}
    return json.dumps({"v": 1, "boot": 1, "seq": seq, "at": rfc3339(at_us), "type": "snapshot"} | told).encode()


def compare(days: int, runs: int, a_day: int = A_DAY) -> list[Compared]:
    """Measure both on both databases."""
    found: dict[str, list[Measured]] = {}
    for _ in range(runs):
        with tempfile.TemporaryDirectory() as folder, databases(Path(folder)) as there:
            plant = Path(folder) / "plant.json"
            plant.write_text(json.dumps(PLANT))
            for database, (_, url) in there.items():
                found.setdefault(database, []).append(asyncio.run(measure(url, plant, days, a_day)))
    results = []
    for database, runs_of in found.items():
        rebuilt = f"a rebuild of {days * a_day} events, {database}"
        anew = f"the same, written anew, {database}"
        messages = tuple((one.messages, one.rebuilt) for one in runs_of)
        written = tuple((one.messages, one.anew) for one in runs_of)
        rows = tuple((one.rows, one.rebuilt) for one in runs_of)
        late = tuple((one.in_order_s, one.late_s) for one in runs_of)
        results += [
            Compared(rebuilt, "reading its messages alone", "events/s", "at least 0.3", messages),
            Compared(anew, "reading its messages alone", "events/s", "none", written),
            Compared(rebuilt, "reading their rows alone", "events/s", "none", rows),
            Compared(f"an event that is a day late, {database}", "an event in order", "s", "at most 20", late),
        ]
    return results


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
