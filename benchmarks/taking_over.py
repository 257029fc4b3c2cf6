"""Two ingest workers that share the cells, two services that answer and stand by, and one worker that is killed.

Each service has the client id and the cells of one worker: it answers requests, and takes over where that worker ends.
"""

import asyncio
import contextlib
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import httpx

from benchmarks.reads import Reads, keep_reading
from tests.faults.checking import check
from tests.faults.sending import Cells, Sent
from tests.servers.mosquitto import Mosquitto
from tests.servers.programs import wait_until
from tests.servers.service import ServiceProcess
from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us
from zoneledger_cli.simulating import write_plant

LONGEST_S = 60.0


def _halves(sent: Sent) -> list[list[str]]:
    paths = [sent.scenario.path(plan.cell) for plan in sent.scenario.cells]
    return [paths[half::2] for half in range(2)]


def _settings(sent: Sent) -> list[dict[str, str]]:
    return [
        {"ZONELEDGER_CLIENT_ID": f"worker-{number}", "ZONELEDGER_LISTEN_TO": ",".join(half)}
        for number, half in enumerate(_halves(sent))
    ]


def _listens(service: ServiceProcess) -> bool:
    try:
        return bool(service.get("/health/ready")["listens"])
    except httpx.HTTPStatusError:  # it has the lease, and is not connected yet
        return False


async def _read(url: str, paths: list[str], reads: Reads, enough: threading.Event) -> None:
    reading = asyncio.ensure_future(keep_reading(url, paths, reads))
    await asyncio.to_thread(enough.wait)
    reading.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await reading


@contextmanager
def _reading(services: list[ServiceProcess], sent: Sent) -> Iterator[list[Reads]]:
    """Read figures and the tree from the services for as long as the context lasts, each in a thread of its own."""
    enough, reads = threading.Event(), [Reads() for _ in services]
    window = f"start={rfc3339(now_us() - sent.ago_us)}&end={rfc3339(now_us())}"
    paths = [f"/v1/kpi/{cell}?{window}" for half in _halves(sent) for cell in half] + ["/v1/units"]
    threads = [
        threading.Thread(target=asyncio.run, args=(_read(service.url, paths, one, enough),))
        for service, one in zip(services, reads, strict=True)
    ]
    for thread in threads:
        thread.start()
    try:
        yield reads
    finally:
        enough.set()
        for thread in threads:
            thread.join()


def _kill_and_wait(worker: ServiceProcess, service: ServiceProcess, cells: list[str]) -> dict[str, float]:
    """Kill a worker; return after how many seconds the service listens in its place, and its cells' next message is stored."""
    worker.kill()
    killed_s, before = time.monotonic(), service.received(cells=cells)
    wait_until(lambda: _listens(service), "the service takes over", LONGEST_S)
    listens_s = time.monotonic() - killed_s
    wait_until(
        lambda: service.received(cells=cells) > before, "messages of the killed worker's cells are stored", LONGEST_S
    )
    return {"listens_after_s": round(listens_s, 2), "stores_after_s": round(time.monotonic() - killed_s, 2)}


def take_over(broker: Mosquitto, database: str, folder: Path, cells: int, seconds: float) -> dict[str, Any]:
    """Let cells send for so long before the kill, and again after it was made good; return what became of everything."""
    sent, plant = Sent(broker.url, folder / "sent.jsonl", cells=cells), folder / "taking-over.json"
    write_plant(sent.scenario, plant)
    flags = ["--database", database, "--broker", broker.url]
    with ExitStack() as stack:
        kinds = _settings(sent)
        workers = [ServiceProcess(*flags, "--plant", str(plant), settings=one) for one in kinds]
        services = [ServiceProcess(*flags, settings=one) for one in kinds]
        for one in (*workers, *services):
            stack.enter_context(one)
        wait_until(lambda: all(map(_listens, workers)) and not any(map(_listens, services)), "the workers listen")
        sending = stack.enter_context(Cells(sent))
        with _reading(services, sent) as reads:
            time.sleep(seconds)
            found: dict[str, Any] = dict(_kill_and_wait(workers[0], services[0], _halves(sent)[0]))
            ended_s = time.monotonic()
            time.sleep(seconds)
            sending.stop()
        outcome = check(sent.ledger, services[0].url, recover_s=0, ended_s=ended_s, wait_s=120, quiet_s=5)
    return found | {
        "messages": outcome.sent,
        "stored": outcome.stored,
        "lost": outcome.lost,
        "twice": outcome.twice,
        "gaps": outcome.gaps,
        "largest_difference": outcome.difference,
        "wrong": outcome.wrong,
        "reads": [one.told() for one in reads],
    }
